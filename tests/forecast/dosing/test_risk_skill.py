"""A dog's own rate beside the dog-blind one: foretold from earlier years, scored, decided."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from forecast.dosing.dog_risk import DogHistory
from forecast.dosing.risk_skill import HeldOut, held_out, reliability, score
from models.weeks import week_range

WEEKS = week_range(date(2020, 1, 6), 4 * 52).values.astype(
    "datetime64[D]"
)  # ISO years 2020 to 2023
PRESSURE = 0.02


def history(*flares: date) -> DogHistory:
    last = WEEKS[-1].item() + timedelta(days=6)
    return DogHistory(flares, ((WEEKS[0].item(), last),))


def drawn(rates: np.ndarray, seed: int) -> list[DogHistory]:
    """Draw flares of dogs with a rate a week each."""
    rng = np.random.default_rng(seed)
    came = rng.random((rates.size, WEEKS.size)) < rates[:, None]
    return [history(*(week.item() for week in WEEKS[own])) for own in came]


def test_a_week_is_foretold_from_the_years_before_alone():
    """One flare in week 20 of 2020: worked by hand for week 20 of 2021, and 2021 does not count.

    E = 7 weeks of 0.02 and nu = 1: own 1 - (1.14 / 1.16)^2, of the region 1 - exp(-0.02).
    """
    flare = date(2020, 5, 13)
    alone = held_out([history(flare)], np.full(WEEKS.size, PRESSURE), WEEKS)
    later = held_out([history(flare, date(2021, 3, 3))], np.full(WEEKS.size, PRESSURE), WEEKS)
    first_year = alone.season == 2021
    same_week = np.flatnonzero(first_year)[19]
    assert alone.own[same_week] == pytest.approx(1 - (1.14 / 1.16) ** 2)
    np.testing.assert_allclose(alone.blind, 1 - np.exp(-PRESSURE))
    np.testing.assert_array_equal(later.own[first_year], alone.own[first_year])
    assert alone.came[first_year].sum() == 0
    assert later.came[first_year].sum() == 1
    assert not np.array_equal(later.own, alone.own), "it counts for the years after"
    assert set(alone.season) == {2021, 2022, 2023}, "the first year has none before it"


def test_weeks_under_cover_are_neither_foretold_nor_learnt_from():
    """Covered but for the first year and the last ten weeks: ten weeks are scored."""
    spans = (
        (WEEKS[0].item(), WEEKS[51].item()),
        (WEEKS[-10].item(), WEEKS[-1].item() + timedelta(6)),
    )
    cases = held_out([DogHistory((), spans)], np.full(WEEKS.size, PRESSURE), WEEKS)
    assert (cases.came.size, set(cases.season)) == (10, {2023})


def test_the_scores_and_the_interval_are_those_worked_by_hand():
    """Squares 0.25, 0.25, 0.04 beside 0.81, 0.01, 0.01; dogs of two weeks and of one.

    Differences add up to -0.32 and 0.03: mean -0.29 / 3, both residuals 0.38 / 3 in size.
    """
    cases = HeldOut(
        np.array([0, 0, 1]),
        np.array([2021, 2022, 2021]),
        np.array([0.5, 0.5, 0.2]),
        np.array([0.1, 0.1, 0.1]),
        np.array([1.0, 0.0, 0.0]),
    )
    told = score(cases)
    assert (told.n_dogs, told.n_seasons, told.n_weeks) == (2, 3, 3)
    assert told.own == pytest.approx(0.54 / 3)
    assert told.blind == pytest.approx(0.83 / 3)
    assert told.difference == pytest.approx(-0.29 / 3)
    half = 1.959964 * np.sqrt(2) * (0.38 / 3) / 3
    assert told.high - told.difference == pytest.approx(half)
    # at 0.5 one of two came, at 0.2 none: only the latter is off, by 0.2 in one week of three
    assert told.own_reliability == pytest.approx(0.04 / 3)
    assert not told.is_known
    assert told.uses_own
    assert "not known yet (2 dogs" in told.reason.sentence
    table = reliability(cases)
    assert table.loc[5, ["cases", "events"]].tolist() == [2, 1]


def test_dogs_that_differ_are_told_apart_and_dogs_alike_are_not():
    """Half with ten times the rate of the others: own flares win; all alike: the region is used."""
    pressure = np.full(WEEKS.size, 0.055)
    unlike = score(held_out(drawn(np.repeat([0.1, 0.01], 30), 1), pressure, WEEKS))
    assert unlike.is_known
    assert unlike.high < 0
    assert unlike.uses_own
    assert "they foretell more than the region alone" in unlike.reason.sentence
    alike = score(held_out(drawn(np.full(60, 0.055), 2), pressure, WEEKS))
    assert alike.difference > 0
    assert not alike.uses_own
    assert "dogs' own flares did not foretell more" in alike.reason.sentence


def test_without_a_season_held_out_nothing_is_told():
    """No dog at all, and a dog of one year."""
    none = score(held_out([], np.full(WEEKS.size, PRESSURE), WEEKS))
    one = score(held_out([history()], np.full(30, PRESSURE), WEEKS[:30]))
    unknown = score(held_out([history()], np.zeros(0), WEEKS[:0]))
    for told in (none, one, unknown):
        assert told.n_weeks == 0
        assert not told.is_known
        assert told.uses_own
