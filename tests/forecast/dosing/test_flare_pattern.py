from __future__ import annotations

from datetime import date

import numpy as np

from forecast.dosing.flare_pattern import flare_pattern
from models.culprits.flare_calendar import PERENNIAL, SEASONAL

WHOLE = [(date(2019, 1, 1), date(2023, 12, 31))]


def each_year(*days: tuple[int, int]) -> np.ndarray:
    """Give the days, month and day, of 2019 to 2022."""
    found = [date(year, month, day) for year in range(2019, 2023) for month, day in days]
    return np.array(found, dtype="datetime64[D]")


def test_summer_flares_are_seasonal():
    """Twice each June and July."""
    told = flare_pattern(each_year((6, 1), (7, 20)), WHOLE)
    assert (told.verdict, told.flares) == (SEASONAL, 8)


def test_a_flare_every_other_month_is_perennial():
    """A reason to look again at food, mites and fleas."""
    told = flare_pattern(each_year(*[(month, 10) for month in range(1, 13, 2)]), WHOLE)
    assert told.verdict == PERENNIAL
    assert told.reason


def test_flares_count_on_days_at_risk_alone():
    """Seen for two of the four years."""
    seen = [(date(2019, 1, 1), date(2019, 12, 31)), (date(2021, 1, 1), date(2021, 12, 31))]
    assert flare_pattern(each_year((6, 1), (7, 20)), seen).flares == 4


def test_a_day_in_two_spans_is_one_day_at_risk():
    """So that a summer told twice is no summer twice as long."""
    twice = flare_pattern(each_year((6, 1), (7, 20)), [*WHOLE, *WHOLE])
    assert twice == flare_pattern(each_year((6, 1), (7, 20)), WHOLE)


def test_a_dog_never_seen_has_no_pattern():
    """No visit, and no day at risk."""
    told = flare_pattern(each_year(), [])
    assert (told.flares, told.share_of_year) == (0, 0.0)
