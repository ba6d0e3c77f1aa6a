"""The review of a year: what it looks at, and how long it stands."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import xarray as xr

from models.flare import yearly_review
from models.flare.exposure_decision import NOT_YET_KNOWN
from models.flare.forecaster import NOT_FOUND, StateSets, VisitForecaster
from models.flare.yearly_review import YearlyReview, recalibrate, review, review_day
from models.weeks import week_range

DRIVERS = ("humidity", "trees")
ORIGIN = date(2024, 5, 15)


def make_weekly(*, years: int, seed: int = 1):
    """Invent counts of two regions that end in mid-May 2024."""
    rng = np.random.default_rng(seed)
    weeks = (
        week_range(date(2024, 5, 6), 1)[0] - np.timedelta64(7, "D") * np.arange(52 * years)[::-1]
    )
    dims, coords = ("region", "week"), {"region": ["a", "b"], "week": weeks}
    volume = rng.poisson(200, (2, len(weeks))).astype(float)
    weekly = xr.Dataset(
        {
            "flare_visits": (dims, rng.poisson(0.1 * volume).astype(float)),
            "consultations": (dims, volume),
            "covered_share": (dims, np.zeros(volume.shape)),
        },
        coords=coords,
    )
    anomalies = xr.DataArray(
        rng.normal(size=(2, *volume.shape)),
        dims=("driver", *dims),
        coords={"driver": list(DRIVERS), **coords},
    )
    return weekly, anomalies


@pytest.fixture(scope="module")
def reviewed() -> YearlyReview:
    return review(*make_weekly(years=5), origin=ORIGIN)


def test_weeks_from_the_review_day_on_are_not_looked_at(reviewed):
    """Spoilt from New Year on, counts and drivers give the same review."""
    weekly, anomalies = make_weekly(years=5)
    late = weekly["week"] + np.timedelta64(7, "D") > np.datetime64("2024-01-01")
    spoilt = weekly.assign(flare_visits=weekly["flare_visits"].where(~late, 999.0))
    again = review(spoilt, anomalies.where(~late, 9.0), origin=ORIGIN)
    assert again.to_dict() == reviewed.to_dict()
    assert reviewed.reviewed == review_day(ORIGIN) == date(2024, 1, 1)


def test_a_review_stands_until_the_year_is_over(reviewed):
    """Not on its own day, where it is made anew, nor with other drivers, nor next year."""
    assert reviewed.decided_at == ORIGIN
    assert reviewed.stands_at(date(2024, 5, 16), DRIVERS)
    assert reviewed.stands_at(date(2024, 12, 31), DRIVERS)
    assert not reviewed.stands_at(date(2025, 1, 1), DRIVERS)
    assert not reviewed.stands_at(ORIGIN, DRIVERS)
    assert not reviewed.stands_at(date(2024, 5, 16), ("humidity", "grasses"))
    assert reviewed.exposure is not None
    open_question = replace(reviewed.exposure, verdict=NOT_YET_KNOWN)
    assert not replace(reviewed, exposure=open_question).stands_at(date(2024, 5, 16), DRIVERS)


def test_a_review_written_down_reads_the_same(reviewed):
    """By way of JSON."""
    assert YearlyReview.from_dict(json.loads(json.dumps(reviewed.to_dict()))) == reviewed


def test_a_review_of_before_there_were_sets_is_read(reviewed):
    """An issue of an earlier version holds one; it is read without any."""
    stored = reviewed.to_dict()
    del stored["state_sets"]
    assert YearlyReview.from_dict(stored) == replace(reviewed, state_sets=NOT_FOUND)


def test_with_too_few_seasons_forecasts_stay_as_drawn():
    """Four years: two are needed to learn from, and two foretold are not three."""
    weekly, anomalies = make_weekly(years=4)
    found = recalibrate(weekly, anomalies, drivers=("humidity",))
    assert (found.pressure, found.consultations, found.seasons) == (1.0, 1.0, 2)


@pytest.mark.long
def test_seasons_like_those_before_leave_the_bands_about_as_they_were():
    """Counts of one rate throughout: six seasons foretold, no factor far from one."""
    weekly, anomalies = make_weekly(years=8, seed=5)
    found = recalibrate(weekly, anomalies, drivers=("humidity",))
    assert found.seasons == 6
    assert 0.85 < found.pressure < 1.15
    assert 0.85 < found.consultations < 1.15


@pytest.mark.parametrize(("n_weeks", "least_weeks"), [(181, None), (182, 0.0)])
def test_looks_back_are_made_by_the_members_that_are_asked_today(monkeypatch, n_weeks, least_weeks):
    """Of a long past all members, also where the weeks before a look are few; else as few."""
    asked = []

    def look(engine, weekly, anomalies, start):
        asked.append(engine.least_weeks)
        nothing = np.full((2, 2, 26), np.nan), np.full((2, 26), np.nan)
        return yearly_review._Look(nothing, nothing, NOT_FOUND)

    monkeypatch.setattr(yearly_review, "_look_back", look)
    monkeypatch.setattr(yearly_review, "seasons_needed", lambda: 1)
    past, anomalies = make_weekly(years=4)
    found = yearly_review.recalibrate(past.isel(week=slice(n_weeks)), anomalies, drivers=())
    assert asked
    assert set(asked) == {least_weeks}
    assert found.pressure == 1.0  # nothing that came was known


def test_a_years_forecasts_follow_counts_with_what_was_learnt_before_it(reviewed):
    """The review holds sets of both engines, and a model of the year takes them as they are."""
    weekly, anomalies = make_weekly(years=5)
    given = VisitForecaster(reviewed.entering, state_sets=reviewed.state_sets)
    found = VisitForecaster(reviewed.entering)
    assert None not in reviewed.state_sets
    assert given.fit(weekly, anomalies).state_sets_ == reviewed.state_sets
    assert found.fit(weekly, anomalies).state_sets_ != reviewed.state_sets


def test_the_second_half_of_a_year_is_foretold_with_the_sets_of_the_first(monkeypatch):
    """As in use: the sets are found once a year, from the weeks before it."""
    given = []
    look = yearly_review._look_back

    def watched(engine, *rest):
        given.append(engine.state_sets)
        return look(engine, *rest)

    monkeypatch.setattr(yearly_review, "_look_back", watched)
    weekly, anomalies = make_weekly(years=5)
    recalibrate(weekly, anomalies, drivers=())
    assert [sets == NOT_FOUND for sets in given] == [True, False] * 3
    assert given[1] != given[3]


def test_a_short_past_has_no_sets():
    """The regression alone is its forecast: there is nothing to follow counts with."""
    weekly, anomalies = make_weekly(years=3)
    assert review(weekly, anomalies, origin=ORIGIN).state_sets == StateSets(None, None)
