import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import AllergenError, catalogue
from models.parameters import load_table
from models.proposal import PlaceClimate, place_climate, propose


def proposed(latitude, longitude, coldest, warmest):
    found = propose(latitude=latitude, longitude=longitude, climate=PlaceClimate(coldest, warmest))
    return {p.allergen.id for p in found if p.is_proposed}


def test_every_area_of_the_catalogue_is_drawn():
    """Each name in native_to is an area of the table, whose boxes have south below north."""
    areas = load_table("models", "areas.toml")
    for item in catalogue().values():
        for name in item.native_to:
            for south, north, west, east in areas[name].value:
                assert -90 <= south < north <= 90
                assert -180 <= west < east <= 180


def test_every_allergen_has_limits_of_climate():
    """Lowest and highest mean of the coldest and the warmest month, and they leave room."""
    for item in catalogue().values():
        for name in ("coldest_month", "warmest_month"):
            low, high = item.parameters[name].value
            assert low < high
            assert item.parameters[name].unit == "degC"


@pytest.mark.parametrize(
    ("place", "climate", "in_list", "not_in_list"),
    [
        # monthly means and what grows there from memory
        ((37.6, 127.0), (-2, 26), {"alder", "oak", "japanese_hop", "mugwort"}, {"japanese_cedar"}),
        ((33.5, 126.5), (6, 27), {"japanese_cedar", "oak", "alder"}, {"birch", "olive"}),
        ((35.7, 139.7), (5, 27), {"japanese_cedar", "mugwort"}, {"olive", "pellitory"}),
        ((37.9, -4.8), (9, 28), {"olive", "cypress", "pellitory", "oak"}, {"birch", "mugwort"}),
        ((48.1, 11.6), (-1, 18), {"birch", "hazel", "ash", "grasses"}, {"olive", "japanese_hop"}),
        ((51.5, 0.0), (5, 18), {"birch", "ash", "pellitory"}, {"ragweed", "olive", "cypress"}),
        ((-34.9, 138.6), (11, 23), {"olive", "cypress", "grasses"}, {"alder", "birch", "ragweed"}),
        ((40.7, -74.0), (0, 25), {"ragweed", "oak", "birch"}, {"mugwort", "japanese_hop"}),
        ((1.3, 103.8), (26, 28), set(), {"grasses", "birch", "alternaria"}),
    ],
    ids=[
        "Seoul",
        "Jeju",
        "Tokyo",
        "Cordoba",
        "Munich",
        "London",
        "Adelaide",
        "New York",
        "tropics",
    ],
)
def test_lists_of_known_places(place, climate, in_list, not_in_list):
    """What is known to matter at a place is proposed, and what cannot grow there is not."""
    found = proposed(*place, *climate)
    assert in_list <= found
    assert not not_in_list & found


def test_mites_and_fleas_are_likely_but_never_proposed():
    """They are no exposure of the air: offered for a region to list, with that reason."""
    found = {
        p.allergen.id: p
        for p in propose(latitude=37.6, longitude=127.0, climate=PlaceClimate(-2.0, 26.0))
    }
    for name in ("house_dust_mites", "fleas"):
        assert found[name].is_likely
        assert not found[name].is_proposed
        assert "enters the flare model only where it is listed" in found[name].reason


def test_reasons_name_the_area_or_the_limit():
    """A reader learns which rule decided and what the place has."""
    found = {
        p.allergen.id: p.reason
        for p in propose(latitude=33.5, longitude=126.5, climate=PlaceClimate(6.0, 27.0))
    }
    assert found["olive"].startswith("grows in the Mediterranean, California")
    assert found["birch"] == (
        "at home in north-east Asia, but the coldest month here has 6 degC; "
        "it is common from -30 to 5.5 degC"
    )
    assert found["oak"] == "at home in temperate East Asia, and the climate suits it"


def test_without_weather_only_the_area_is_judged_and_that_is_said():
    """Birch stays possible in Jeju where nothing is known of its winter."""
    found = {p.allergen.id: p for p in propose(latitude=33.5, longitude=126.5)}
    assert found["birch"].is_proposed
    assert found["birch"].reason.endswith("the climate is not known, no weather is held")
    assert not found["olive"].is_likely


def test_a_place_off_the_globe_is_refused():
    """The sentence says what is allowed and what came."""
    with pytest.raises(AllergenError, match="got 91 and 10"):
        propose(latitude=91.0, longitude=10.0)
    with pytest.raises(AllergenError, match="got 10 and nan"):
        propose(latitude=10.0, longitude=float("nan"))


def test_the_climate_of_a_place_is_that_of_its_months():
    """January at -3 and July at 24 degC: extremes of the usual months, not of single days."""
    time = pd.date_range("2001-01-01", "2004-06-30")
    months = np.array([-3, 0, 5, 11, 16, 20, 24, 23, 18, 12, 6, 0.0])
    tas = months[time.month - 1] + np.where(time.day == 10, 9.0, 0.0)
    tas = np.where(time.day == 20, tas - 9.0, tas)
    weather = xr.Dataset(
        {"tas": (("region", "time"), [tas, tas + 2])},
        coords={"region": ["a", "b"], "time": time},
    )
    found = place_climate(weather)
    assert (found["a"].coldest_month, found["a"].warmest_month) == pytest.approx((-3.0, 24.0))
    assert (found["b"].coldest_month, found["b"].warmest_month) == pytest.approx((-1.0, 26.0))


def test_a_record_that_lacks_a_month_has_no_climate():
    """From March to October nobody knows how cold the winter is."""
    time = pd.date_range("2001-03-01", "2001-10-31")
    weather = xr.Dataset(
        {"tas": (("region", "time"), np.full((1, len(time)), 15.0))},
        coords={"region": ["a"], "time": time},
    )
    assert place_climate(weather) == {}
