"""Whether a plan moved: by the tolerance, against what is signed, and why."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from forecast.dosing.moves import Basis, SignedDates, moved

TODAY = date(2024, 4, 2)
FIRST, SECOND = date(2024, 4, 30), date(2024, 5, 28)
BEFORE = Basis("dated doses", (FIRST, SECOND), date(2024, 5, 6), date(2023, 5, 20), 0.1)
SIGNED = SignedDates("p1", "accepted", "vet 3", date(2024, 3, 20), (FIRST, SECOND))


def at(*doses: date, **changes) -> Basis:
    return replace(BEFORE, doses=doses, **changes)


@pytest.mark.parametrize("signed", [None, SIGNED], ids=["proposed", "signed"])
def test_a_plan_within_the_tolerance_has_not_moved(signed):
    """Seven days are tolerated, eight are not."""
    week = at(date(2024, 5, 7), SECOND)
    assert moved(BEFORE, week, tolerance=7, today=TODAY, signed=signed) is None
    found = moved(BEFORE, at(date(2024, 5, 8), SECOND), tolerance=7, today=TODAY, signed=signed)
    assert found.days == 8
    assert "the dose now on 2024-05-08 lies 8 days later" in found.sentence


def test_signed_dates_are_what_counts_and_stay():
    """The proposal in between is not compared with; the sentence says that they stay."""
    between = at(date(2024, 5, 14), date(2024, 6, 11))
    found = moved(between, between, tolerance=7, today=TODAY, signed=SIGNED)
    assert found.from_signed
    assert found.days == 14
    assert "against the plan signed on 2024-03-20" in found.sentence
    assert found.sentence.endswith("the signed dates stay until a vet changes them")
    assert SIGNED.dates == (FIRST, SECOND)


def test_why_it_moved_is_said():
    """An earlier season, a dose since, another price: each as it is; nothing else: the odds."""
    now = at(
        date(2024, 4, 16),
        SECOND,
        season_start=date(2024, 4, 22),
        last_dose=date(2024, 3, 25),
        price=0.2,
    )
    said = moved(BEFORE, now, tolerance=7, today=TODAY, signed=None).sentence
    assert "14 days earlier" in said
    assert "its season is expected from 2024-04-22, 14 days earlier" in said
    assert "a dose was given on 2024-03-25" in said
    assert "a dose must spare 0.2 flare-weeks, before it was 0.1" in said
    alone = moved(BEFORE, at(date(2024, 4, 16), SECOND), tolerance=7, today=TODAY, signed=None)
    assert "the odds of its weeks are other ones" in alone.sentence


def test_a_dose_that_was_taken_back_is_said_to_be_gone():
    """Not that the one before it was given."""
    for held in (None, date(2023, 5, 2)):
        now = at(date(2024, 4, 16), SECOND, last_dose=held)
        before = replace(BEFORE, last_dose=date(2024, 3, 25))
        said = moved(before, now, tolerance=7, today=TODAY, signed=None).sentence
        assert "the dose of 2024-03-25 is on record no longer" in said
        assert "a dose was given" not in said


def test_a_dose_that_came_or_went_and_another_proposal_are_moves():
    """Their days are not known; a dose that is past by now is no longer held against it."""
    fewer = moved(BEFORE, at(FIRST), tolerance=7, today=TODAY, signed=None)
    assert (fewer.days, "one dose in place of 2 doses ahead" in fewer.sentence) == (None, True)
    later = date(2024, 5, 2)
    assert moved(BEFORE, at(SECOND), tolerance=7, today=later, signed=None) is None
    none = Basis("hold a slot, start at first itch", (), None, None, 0.1)
    seen = replace(none, proposal="see the dog now")
    found = moved(none, seen, tolerance=7, today=TODAY, signed=None)
    assert "it proposes 'see the dog now'" in found.sentence
