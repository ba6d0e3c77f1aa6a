from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecast.visits.counting.delay import least_share, reported_share, reporting_delay

MONDAY = pd.Timestamp("2024-06-03")


def stamped(delays: list[int], *, stamps: int | None = None) -> pd.DataFrame:
    """Visits of one day, entered so many days later; the first `stamps` of them carry a stamp."""
    seen = pd.Series(MONDAY, index=range(len(delays)))
    entered = seen + pd.to_timedelta(delays, unit="D") + pd.Timedelta(hours=19)
    if stamps is not None:
        entered.iloc[stamps:] = pd.NaT
    return pd.DataFrame({"date": seen, "entered": entered})


def test_the_delay_is_the_share_entered_by_each_age():
    """Half on the day, a quarter a day later, a quarter after three days."""
    delay = reporting_delay(stamped([0] * 100 + [1] * 50 + [3] * 50))
    assert delay is not None
    np.testing.assert_allclose(delay.share, [0.5, 0.75, 0.75, 1.0])
    np.testing.assert_allclose(delay.complete(np.array([0, 2, 3, 400])), [0.5, 0.75, 1.0, 1.0])
    assert "50% are entered the same day and 90% within 3 d" in delay.sentence


def test_without_stamps_no_delay_is_claimed():
    """A first bulk import came on one day, which says nothing of how visits usually come."""
    visits = stamped([0] * 300, stamps=0).assign(first_import=pd.NaT)
    assert reporting_delay(visits) is None


def test_a_few_stamps_are_not_taken_for_all():
    """A third of the visits stamped, perhaps just the late ones: not known."""
    assert reporting_delay(stamped([5] * 300, stamps=100)) is None
    assert reporting_delay(stamped([5] * 300, stamps=200)) is not None
    assert reporting_delay(stamped([5] * 90)) is None


def test_later_imports_stand_in_for_stamps():
    """Visits of Monday that came with Thursday's import were three days on their way at most."""
    visits = stamped([0] * 200, stamps=0)
    visits["first_import"] = MONDAY + pd.Timedelta(days=3)
    delay = reporting_delay(visits)
    assert delay is not None
    assert delay.learnt_from == "later imports"
    np.testing.assert_allclose(delay.share, [0, 0, 0, 1])


def test_corrections_and_slips_are_no_delay():
    """Entered before it happened, or a year later: left out of the delay."""
    delay = reporting_delay(stamped([0] * 200 + [-1] * 50 + [365] * 50))
    assert delay is not None
    assert delay.n_visits == 200
    np.testing.assert_allclose(delay.share, [1.0])


@pytest.mark.parametrize(("known_on", "whole"), [(10, False), (11, False), (12, False), (13, True)])
def test_a_week_counts_when_nine_tenths_of_it_have_come(known_on, whole):
    """All visits take three days. Known before the 10th: days up to the 6th, four of seven.

    On the 12th six of seven days are in (86 %), on the 13th all are.
    """
    delay = reporting_delay(stamped([3] * 200))
    week = pd.DatetimeIndex([MONDAY])
    found = reported_share(week, known_on=date(2024, 6, known_on), delay=delay)
    assert (found >= least_share()).tolist() == [whole]


@pytest.mark.parametrize(("known_on", "share"), [(10, 4 / 7), (12, 6 / 7), (13, 1.0)])
def test_the_share_of_a_week_is_the_mean_over_its_days(known_on, share):
    """As above: all visits take three days, so days are in or not."""
    week = pd.DatetimeIndex([MONDAY])
    delay = reporting_delay(stamped([3] * 200))
    found = reported_share(week, known_on=date(2024, 6, known_on), delay=delay)
    np.testing.assert_allclose(found, [share])


def test_without_a_known_delay_a_week_that_ended_counts():
    """Nothing is held back for a delay that nobody measured."""
    weeks = pd.date_range(MONDAY, periods=3, freq="7D")
    assert reported_share(weeks, known_on=date(2024, 6, 24), delay=None).tolist() == [1.0] * 3
