from dataclasses import FrozenInstanceError

import pytest

from models.allergens import AllergenError, allergen, catalogue, read_allergen
from models.parameters import parse_table

FIRST_EIGHT = [
    "birch",
    "oak",
    "japanese_cedar",
    "grasses",
    "mugwort",
    "ragweed",
    "japanese_hop",
    "alternaria",
]


def test_the_catalogue_holds_the_first_eight_in_order_of_the_year():
    """Four heat-sum plants, three short-day weeds and one mould, under their ids."""
    assert list(catalogue()) == FIRST_EIGHT
    families = [item.family for item in catalogue().values()]
    assert families == ["heat sum"] * 4 + ["day length"] * 3 + ["weather index"]


@pytest.mark.parametrize("identity", FIRST_EIGHT)
def test_every_allergen_states_its_spreads_and_its_window(identity):
    """A reader of any allergen finds the spread of onset and amount, and where a season can lie."""
    item = allergen(identity)
    for name in ("onset_spread", "year_amount_log_sd", "window"):
        assert item.number(name) > 0
    assert len(item.text("start").split("-")) == 2
    assert item.native_to
    assert item.evidence.endswith(".")


@pytest.mark.parametrize("identity", FIRST_EIGHT)
def test_an_assumed_or_remembered_onset_has_a_wide_spread(identity):
    """No onset that is not published is presented as known within a few days."""
    item = allergen(identity)
    onset = item.parameters.get("onset_sum", item.parameters.get("middle"))
    assert onset is not None
    assert onset.status in ("assumed", "from memory")
    assert item.number("onset_spread") >= 6


def test_only_spring_plants_borrow_from_a_flower():
    """Short-day weeds and moulds share no clock with the spring flowers that are observed."""
    indicators = {item.id: item.indicator for item in catalogue().values()}
    assert indicators == {
        "birch": "cherry",
        "oak": "cherry",
        "japanese_cedar": "forsythia",
        "grasses": "black locust",
        "mugwort": None,
        "ragweed": None,
        "japanese_hop": None,
        "alternaria": None,
    }


def test_a_misspelt_allergen_is_named_with_its_nearest():
    """The sentence says what was asked, what was probably meant and what there is."""
    with pytest.raises(AllergenError, match=r"'ragwed'.*did you mean 'ragweed'.*birch"):
        allergen("ragwed")


def test_a_parameter_that_an_allergen_lacks_is_named():
    """Asking a mould for a heat sum tells which parameters it has instead."""
    with pytest.raises(AllergenError, match=r"alternaria.*'onset_sum'.*memory"):
        allergen("alternaria").number("onset_sum")


def _leaf(value):
    return f'{{ value = {value}, unit = "1", source = "test", status = "assumed" }}'


def test_an_unknown_family_is_refused():
    """A table with a family that no code knows fails when read, not when a season is asked."""
    lines = [f"{name} = {_leaf(repr('x'))}" for name in ("name", "family", "indicator", "evidence")]
    text = "\n".join(["[new]", *lines, f"native_to = {_leaf([])}"])
    with pytest.raises(AllergenError, match=r"'new' has the family 'x'; allowed are heat sum"):
        read_allergen(parse_table(text, "new.toml"), "new")


def test_a_description_that_is_lacking_is_named():
    """An entry without a family is refused with the names of what it lacks."""
    text = f"[new]\nname = {_leaf(repr('x'))}"
    with pytest.raises(AllergenError, match=r"'new' lacks family, native_to, indicator, evidence"):
        read_allergen(parse_table(text, "new.toml"), "new")


def test_the_catalogue_cannot_be_changed_in_passing():
    """Allergens are frozen, so that one forecast cannot change the next one's parameters."""
    with pytest.raises(FrozenInstanceError):
        allergen("birch").family = "day length"
