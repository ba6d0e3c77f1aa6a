from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.culprits import CulpritError, risk_sets
from models.culprits.conditional_logit import fit_conditional_logit

DAYS = pd.date_range("2024-01-01", "2024-12-31", freq="D")


def opening(*closed: str) -> xr.DataArray:
    """Open every weekday but those named."""
    is_open = (DAYS.day_of_week < 5) & ~DAYS.isin([pd.Timestamp(day) for day in closed])
    return xr.DataArray(
        is_open[None, :], dims=("region", "time"), coords={"region": ["hill"], "time": DAYS}
    )


def visits(*days: str, dog: str = "rex") -> pd.DataFrame:
    """Give flare visits of one dog."""
    return pd.DataFrame({"dog": dog, "region": "hill", "date": pd.to_datetime(list(days))})


def spans(*pairs: tuple[str, str | None], dog: str = "rex", known: bool = True) -> pd.DataFrame:
    """Give spans of one dog, first day and the day after the last."""
    rows = [(dog, pd.Timestamp(first), pd.Timestamp(end), known) for first, end in pairs]
    return pd.DataFrame(rows, columns=["dog", "first", "end", "known"])


def days_of(sets) -> list[str]:
    """Return the days of all sets."""
    return [str(day) for day in sets.day.astype("datetime64[D]")]


def test_a_visit_is_laid_beside_the_same_weekdays_of_its_month():
    """The Wednesdays of May 2024 are the 1st, 8th, 15th, 22nd and 29th."""
    sets = risk_sets(visits("2024-05-15"), opening())
    assert days_of(sets) == [f"2024-05-{d:02d}" for d in (1, 8, 15, 22, 29)]
    assert sets.visits.tolist() == [0, 0, 1, 0, 0]


def test_closed_days_are_no_days_to_compare_with():
    """Nobody comes to a closed door."""
    sets = risk_sets(visits("2024-05-15"), opening("2024-05-01"))
    assert days_of(sets) == [f"2024-05-{d:02d}" for d in (8, 15, 22, 29)]


def test_days_under_an_earlier_dose_or_in_an_earlier_episode_are_taken_out():
    """A dose of 3 May that covers to the 9th, and an episode of April until the 1st."""
    taken = spans(("2024-05-03", "2024-05-10"), ("2024-04-02", "2024-05-02"))
    sets = risk_sets(visits("2024-05-15"), opening(), not_at_risk=taken)
    assert days_of(sets) == ["2024-05-15", "2024-05-22", "2024-05-29"]


def test_what_follows_from_the_visit_takes_no_day_out():
    """The visit's own episode and the dose given at it begin on its day."""
    sets = risk_sets(
        visits("2024-05-15"), opening(), not_at_risk=spans(("2024-05-15", "2024-06-12"))
    )
    assert len(days_of(sets)) == 5


def test_another_dogs_cover_says_nothing():
    """Spans are a dog's own."""
    sets = risk_sets(
        visits("2024-05-15"), opening(), not_at_risk=spans(("2024-05-01", "2024-06-12"), dog="tom")
    )
    assert len(days_of(sets)) == 5


def test_a_visit_under_cover_is_left_out_and_counted():
    """Of a course from 20 May no end is known; given after the May visit, it says nothing of it."""
    sets = risk_sets(
        visits("2024-05-15", "2024-09-11"), opening(), not_at_risk=spans(("2024-05-20", None))
    )
    assert (sets.given, sets.covered, sets.alone, sets.used) == (2, 1, 0, 1)
    assert days_of(sets) == [f"2024-05-{d:02d}" for d in (1, 8, 15, 22, 29)]


def test_days_are_compared_with_days_of_the_same_knowledge():
    """A course from 6 May whose end is not known: before it no cover, after it who knows."""
    course = spans(("2024-05-06", None), known=False)
    unsure = risk_sets(visits("2024-05-15"), opening(), not_at_risk=course)
    assert (unsure.covered, unsure.used) == (0, 1)
    assert days_of(unsure) == [f"2024-05-{d:02d}" for d in (8, 15, 22, 29)]
    ended = spans(("2024-05-06", "2024-05-10"), known=False)
    sure = risk_sets(visits("2024-05-15"), opening(), not_at_risk=ended)
    assert days_of(sure) == [f"2024-05-{d:02d}" for d in (1, 15, 22, 29)]


def test_a_visit_without_another_day_is_left_out_and_counted():
    """All other Wednesdays of the month were closed."""
    closed = [f"2024-05-{d:02d}" for d in (1, 8, 22, 29)]
    sets = risk_sets(visits("2024-05-15"), opening(*closed))
    assert (sets.given, sets.alone, sets.used, sets.day.size) == (1, 1, 0, 0)


def test_dogs_with_the_same_days_stand_together():
    """Two dogs in one stratum are one set with two visits."""
    both = pd.concat([visits("2024-05-15"), visits("2024-05-22", dog="tom")])
    sets = risk_sets(both, opening())
    assert sets.first_row.size == 1
    assert sets.visits.tolist() == [0, 0, 1, 1, 0]


def test_a_day_with_a_flare_visit_was_open():
    """An emergency on a Sunday is compared with nothing but itself."""
    assert risk_sets(visits("2024-05-12"), opening()).alone == 1


def test_no_visits_make_no_sets():
    """A practice without flares has nothing to compare."""
    assert risk_sets(visits(), opening()).used == 0


def test_a_region_or_a_day_that_is_not_there_is_refused():
    """Without open days nothing can be compared."""
    with pytest.raises(CulpritError, match="region 'vale'"):
        risk_sets(visits("2024-05-15").assign(region="vale"), opening())
    with pytest.raises(CulpritError, match="2023-05-17"):
        risk_sets(visits("2023-05-17"), opening())


def test_days_after_the_visit_are_needed_or_any_rise_reads_as_an_effect():
    """A dog flares on every weekday of 2024 and a driver rises all year: by symmetry no effect.

    Without the days after each visit, which its own episode would take out, each visit is the last
    and highest day of its set: the odds ratio is infinite.
    """
    weekdays = DAYS[DAYS.day_of_week < 5]
    flares = pd.DataFrame(
        {"dog": [f"dog {n}" for n in range(len(weekdays))], "region": "hill", "date": weekdays}
    )
    sets = risk_sets(flares, opening())
    assert rising_effect(sets) == pytest.approx(0.0, abs=1e-8)
    rows = [
        (day, float(day == own), number)
        for number, own in enumerate(sets.day)
        for day in sets.day[sets.set_of_row == sets.set_of_row[number]]
        if day <= own
    ]
    day, seen, number = (np.array(column) for column in zip(*rows, strict=True))
    before = replace(
        sets,
        region=np.zeros(day.size, dtype=np.int64),
        day=day,
        visits=seen,
        first_row=np.flatnonzero(np.diff(number, prepend=-1)),
    )
    assert np.isnan(rising_effect(before))


def rising_effect(sets) -> float:
    """Fit a driver that rises by one a week."""
    rows = (sets.day / 7.0)[:, None, None]
    rows = rows - rows.mean()
    return float(fit_conditional_logit(sets, rows, delay=np.ones(1)).coefficients[0])
