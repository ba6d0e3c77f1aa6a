from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import vonmises

from models.culprits.flare_calendar import (
    NOT_TOLD,
    PERENNIAL,
    SEASONAL,
    flare_calendar,
    rayleigh_p,
    shorter_p,
)


def on_days(*days_of_year: float, years: int = 1) -> np.ndarray:
    """Give flares on days of the year, in 2021 and the years after."""
    starts = [pd.Timestamp(2021 + year, 1, 1) for year in range(years)]
    days = [start + pd.Timedelta(days=int(day) - 1) for start in starts for day in days_of_year]
    return np.array(days, dtype="datetime64[ns]")


def test_flares_of_one_season_are_seasonal():
    """Eight flares in June and July."""
    told = flare_calendar(on_days(150, 160, 175, 190, years=2))
    assert (told.verdict, told.flares, told.reason) == (SEASONAL, 8, "")
    assert told.length[0] > 0.9


def test_flares_all_year_round_are_perennial():
    """Twelve a year, a month apart, for two years: a reason to look again."""
    told = flare_calendar(on_days(*range(10, 366, 30), years=2))
    assert told.verdict == PERENNIAL
    assert "food, mites and fleas" in told.reason


def test_two_seasons_half_a_year_apart_are_no_perennial_pattern():
    """Grass in May and mites in November cancel each other out, for one season a year."""
    told = flare_calendar(on_days(130, 140, 312, 322, years=3))
    assert told.length[0] < 0.1
    assert told.verdict == SEASONAL


def test_few_flares_tell_nothing():
    """Five episodes."""
    told = flare_calendar(on_days(10, 80, 160, 240, 310))
    assert told.verdict == NOT_TOLD
    assert np.isnan(told.p_perennial)


def test_six_flares_spread_evenly_tell_little():
    """By hand: evenly spread directions add up to nothing; for n = 6 that is rare if seasonal."""
    told = flare_calendar(on_days(30, 91, 152, 213, 274, 335))
    assert told.length[0] == pytest.approx(0.0, abs=0.01)
    assert told.p_seasonal == pytest.approx(1.0, abs=0.05)


def test_a_dog_covered_every_summer_is_not_taken_for_perennial():
    """Four months of the year nobody could see a flare."""
    at_risk = np.ones(366)
    at_risk[120:245] = 0
    told = flare_calendar(on_days(10, 40, 70, 100, 280, 310, 340, years=2), at_risk=at_risk)
    assert told.verdict == NOT_TOLD
    assert told.share_of_year == pytest.approx(241 / 366)


def test_time_at_risk_counts():
    """Flares in winter of a dog mostly seen in winter are no season."""
    at_risk = np.full(366, 1.0)
    at_risk[:60] = at_risk[-60:] = 9.0
    winter = on_days(5, 20, 35, 50, 310, 325, 340, 355, 180, years=2)
    assert flare_calendar(winter).verdict == SEASONAL
    assert flare_calendar(winter, at_risk=at_risk).verdict != SEASONAL


def test_a_date_has_the_same_place_in_every_year():
    """1 March is the 61st place in a leap year as in others."""
    leap, plain = pd.Timestamp(2024, 3, 1), pd.Timestamp(2023, 3, 1)
    told = [flare_calendar(np.array([day] * 6, dtype="datetime64[ns]")) for day in (leap, plain)]
    assert told[0] == told[1]


def test_rayleighs_p_value_is_that_of_chance():
    """Against 40,000 sets of ten uniform directions."""
    angle = np.random.default_rng(1).random((40_000, 10)) * 2 * np.pi
    length = np.abs(np.exp(1j * angle).mean(axis=1))
    for seen in (0.3, 0.54, 0.65):
        assert rayleigh_p(seen, 10) == pytest.approx((length >= seen).mean(), abs=0.01)


def test_the_chance_of_so_short_a_length_is_that_of_chance():
    """Against 20,000 sets of eight von Mises directions whose mean length is 0.6."""
    angle = vonmises.rvs(1.5157, size=(20_000, 8), random_state=2)
    assert np.cos(angle).mean() == pytest.approx(0.6, abs=0.005)
    length = np.abs(np.exp(1j * angle).mean(axis=1))
    for seen in (0.2, 0.3, 0.45):
        expected = (length <= seen).mean()
        assert shorter_p(seen, 8, length=0.6) == pytest.approx(expected, abs=0.02)


@pytest.mark.long
def test_seasonal_dogs_are_rarely_called_perennial():
    """Of 1,000 dogs with eight flares of a five-month season, one in twenty at most, by 3 sd."""
    rng = np.random.default_rng(3)
    wrong = 0
    for _ in range(1000):
        angle = vonmises.rvs(1.5157, size=8, random_state=rng)
        wrong += (
            flare_calendar(on_days(*((angle / (2 * np.pi) % 1) * 365 + 1))).verdict == PERENNIAL
        )
    print(f"called perennial: {wrong / 1000:.1%}")
    assert wrong / 1000 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1000)
