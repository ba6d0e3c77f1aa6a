from __future__ import annotations

import numpy as np
import pytest

from models.culprits.year_blocks import YearBlocks, start_of_years, whole_years

N_DAYS = 7 * 600


@pytest.fixture(scope="module")
def blocks():
    """Give 200 orders of a record of 600 weeks for visits of its newest 150."""
    at = np.arange(N_DAYS - 7 * 150, N_DAYS)
    return at, YearBlocks.cut(at, first=50, n_days=N_DAYS, n_orders=200, seed=3)


def test_years_are_counted_back_from_the_newest_day(blocks):
    """592 known weeks and six days over 52.1775 are 11 years; 150 weeks lie in 3 of them."""
    _, found = blocks
    assert (found.n_years, found.n_met) == (11, 3)
    assert found.possible == 11 * 10 * 9
    assert whole_years(50, N_DAYS) == 11
    # eleven years are 573.95 weeks
    assert start_of_years(50, N_DAYS) == N_DAYS - 7 * 574


def test_the_first_order_is_the_true_one(blocks):
    """The p value counts it."""
    at, found = blocks
    assert (found.day[0] == at).all()


def test_a_day_moves_by_whole_weeks_and_about_whole_years(blocks):
    """So weekday and season stay: no day of the year moves by more than a week."""
    at, found = blocks
    moved = found.day[1:] - at
    assert (moved % 7 == 0).all()
    years = np.round(moved / 365.2425)
    assert np.abs(moved - years * 365.2425).max() <= 7 + 3.5
    assert found.day.min() >= 50
    assert found.day.max() < N_DAYS


def test_no_year_is_laid_beside_two(blocks):
    """An order is one without replacement: the days of a year of the visits stay together."""
    at, found = blocks
    for order in found.day[1:50]:
        assert np.unique(order).size >= at.size - 7 * 3


def test_a_short_record_has_no_whole_year():
    """Nothing to exchange."""
    assert whole_years(50, 300) == 0
    assert start_of_years(50, 300) == 300
