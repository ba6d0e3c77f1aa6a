"""The table of therapies against the values of its sources."""

from __future__ import annotations

import re

import pytest

from forecast.dosing.therapies import (
    THERAPY_IDS,
    DosingError,
    cover_rules,
    table,
    therapies,
    therapy,
)
from forecast.dosing.work_up import FINDINGS, WORK_UP
from forecast.visits.counting.cover import CoverRule


@pytest.mark.parametrize(
    ("name", "value", "status"),
    [
        # 21 CFR 520.1604, indications for use: dogs at least 12 months of age
        ("daily_jak_inhibitor.minimum_age", 12, "published"),
        # product information of oclacitinib: not below 3 kg
        ("daily_jak_inhibitor.minimum_weight", 3.0, "published"),
        # European product characteristics of lokivetmab: not below 3 kg
        ("anti_il31_antibody.minimum_weight", 3.0, "published"),
        # product characteristics of ciclosporin for dogs: six months, 2 kg, 4 weeks to improve
        ("ciclosporin.minimum_age", 6, "published"),
        ("ciclosporin.minimum_weight", 2.0, "published"),
        ("ciclosporin.onset", 28, "published"),
        # Van Brussel et al. 2021: itch lower from day 1
        ("anti_il31_antibody.onset", 1, "published"),
        # Michels et al. 2016, Vet Dermatol 27:478: days 1-49 at 2.0 mg/kg
        ("anti_il31_antibody.ends_at", 49, "published"),
        ("plan.longest_cover", 49, "published"),
        # once a month, a month taken as 28 days: common practice
        ("anti_il31_antibody.minimum_interval", 28, "common practice"),
        # PVAS band of moderate itch: from memory
        ("readiness.needs_care_score", 3.6, "from memory"),
    ],
)
def test_values_are_those_of_the_sources(name, value, status):
    """Numbers and their standing are as in the sources named beside them."""
    assert table()[name].value == value
    assert table()[name].status == status


def test_every_stop_is_a_finding_that_can_be_recorded_and_goes_stale():
    """No therapy stops on something the record cannot hold or the table does not date."""
    for kind in therapies().values():
        assert set(kind.stops) <= set(FINDINGS)
    for code in [*FINDINGS, *WORK_UP, "perennial_signs", "food_allergy_ruled_out"]:
        assert table().number(f"current_for.{code}") > 0


def test_every_therapy_is_for_dogs_and_has_its_limits():
    """Each says species, interval, clock, what to watch; age and weight where one is known."""
    needed = ("minimum_interval", "onset", "full_until", "ends_at", "covers", "beside_others")
    for kind in therapies().values():
        assert kind.species == "dog"
        assert all(kind.parameters[name].source for name in needed)
        assert kind.monitoring
    without = {name: [] for name in ("minimum_age", "minimum_weight")}
    for name, ids in without.items():
        ids += [kind.id for kind in therapies().values() if name not in kind.parameters]
    assert without == {
        "minimum_age": ["topical_care"],
        "minimum_weight": [
            "topical_glucocorticoid_proactive",
            "allergen_immunotherapy",
            "topical_care",
        ],
    }


def test_only_the_injection_is_planned_ahead():
    """A course has no cover of one dose, so asking for it is refused."""
    assert [k.id for k in therapies().values() if k.planned_ahead] == ["anti_il31_antibody"]
    with pytest.raises(DosingError, match="not planned ahead"):
        _ = therapy("ciclosporin").cover


def test_an_unknown_therapy_names_the_known_ones():
    """The error lists every id."""
    with pytest.raises(DosingError, match=re.escape("anti_il31_antibody, ciclosporin")):
        therapy("antihistamine")


def test_every_therapy_says_how_long_it_covers_and_from_when():
    """A dose from its day, a course from its last day: what is planned ahead is a dose."""
    rules = cover_rules()
    assert set(rules) == {*THERAPY_IDS, "not known"}
    assert rules["anti_il31_antibody"] == CoverRule(49, False)  # Michels et al. 2016, day 49
    assert rules["daily_jak_inhibitor"] == CoverRule(1, True)
    # care of the skin is no cover; what immunotherapy spares one dog is not known
    assert rules["topical_care"].days == 0
    assert not rules["allergen_immunotherapy"].is_known
    # an item of no class yet may have been the injection
    assert rules["not known"] == CoverRule(49, False, is_known=False)
