"""When a dog's season begins and ends, with odds; tablets and immunotherapy."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from forecast.dosing.season_dates import season_dates, when_to_begin
from forecast.dosing.therapies import therapy

FIRST = date(2024, 1, 1)


def course(start: int, length: int = 10) -> np.ndarray:
    risk = np.zeros(364)
    risk[start : start + length] = 0.1
    return risk


def test_start_and_end_are_the_days_on_which_a_twentieth_is_past_and_is_left():
    """Ten equal days: the first holds a tenth, so it is the start; the tenth is the end.

    Of eleven courses that begin on days 100 to 110 the 10th, 50th and 90th centile are days 101,
    105 and 109; one without any risk does not count.
    """
    courses = np.array([course(day) for day in range(100, 111)] + [np.zeros(364)])
    found = season_dates(FIRST, courses)
    assert (found.start.early, found.start.middle, found.start.late) == (
        date(2024, 4, 11),
        date(2024, 4, 15),
        date(2024, 4, 19),
    )
    assert found.end.middle == date(2024, 4, 24)
    assert found.start.odds == pytest.approx(0.8)
    assert found.chance_begun_after(date(2024, 4, 10)) == 1
    assert found.chance_begun_after(date(2024, 4, 20)) == pytest.approx(1 / 11)
    assert found.chance_begun_after(date(2024, 4, 21)) == 0


def test_without_any_risk_there_is_no_season():
    """Nothing is said of when it begins."""
    assert season_dates(FIRST, np.zeros((3, 364))) is None
    assert when_to_begin(therapy("daily_jak_inhibitor"), None, today=FIRST) == []


def test_tablets_start_at_the_first_itch_with_dates_and_odds():
    """And are seen to end with the season."""
    season = season_dates(FIRST, np.array([course(day) for day in range(100, 111)]))
    (reason,) = when_to_begin(therapy("daily_jak_inhibitor"), season, today=FIRST)
    assert (
        "around 2024-04-15 and with 80% odds between 2024-04-11 and 2024-04-19" in reason.sentence
    )
    assert "around 2024-04-24 (80% odds: between 2024-04-20 and 2024-04-28)" in reason.sentence


def test_immunotherapy_must_begin_three_to_twelve_months_before():
    """Season from 15 April: 90 days before is 16 January, 365 days before 16 April 2023.

    On 2 January it is still in time; on 1 February only for the season of the year after.
    """
    kind = therapy("allergen_immunotherapy")
    season = season_dates(FIRST, course(105)[None, :])
    (in_time,) = when_to_begin(kind, season, today=date(2024, 1, 2))
    assert "between 2023-04-16 and 2024-01-16" in in_time.sentence
    (late,) = when_to_begin(kind, season, today=date(2024, 2, 1))
    assert "too late for the season expected from 2024-04-15" in late.sentence
    assert "between 2024-04-15 and 2025-01-15" in late.sentence
