from __future__ import annotations

from datetime import date, timedelta

from forecast.dosing.flare_pattern import flare_pattern
from models.culprits.flare_calendar import PERENNIAL, SEASONAL

WHOLE = [(date(2019, 1, 1), date(2023, 12, 31))]


def each_year(*days: tuple[int, int]) -> list[date]:
    """Give the days, month and day, of 2019 to 2022."""
    return [date(year, month, day) for year in range(2019, 2023) for month, day in days]


def test_summer_flares_are_seasonal():
    """Twice each June and July."""
    told = flare_pattern(each_year((6, 1), (7, 20)), WHOLE, flare_free_days=28)
    assert (told.verdict, told.flares) == (SEASONAL, 8)


def test_a_flare_every_other_month_is_perennial():
    """A reason to look again at food, mites and fleas."""
    months = [(month, 10) for month in range(1, 13, 2)]
    told = flare_pattern(each_year(*months), WHOLE, flare_free_days=28)
    assert told.verdict == PERENNIAL
    assert told.reason


def test_rechecks_are_no_flares_of_their_own():
    """Three visits within an episode are one flare."""
    first = each_year((6, 1), (7, 20))
    more = [day + timedelta(days=off) for day in first for off in (0, 7, 14)]
    assert flare_pattern(more, WHOLE, flare_free_days=28).flares == 8


def test_flares_count_on_days_at_risk_alone():
    """Seen for two of the four years."""
    seen = [(date(2019, 1, 1), date(2019, 12, 31)), (date(2021, 1, 1), date(2021, 12, 31))]
    assert flare_pattern(each_year((6, 1), (7, 20)), seen, flare_free_days=28).flares == 4


def test_a_dog_never_seen_has_no_pattern():
    """No visit, and no day at risk."""
    told = flare_pattern([], [], flare_free_days=28)
    assert (told.flares, told.share_of_year) == (0, 0.0)
