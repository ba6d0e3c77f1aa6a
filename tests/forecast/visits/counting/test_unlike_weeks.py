"""Full and closed days of a region's weeks, from closures and holidays."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.regions import Branch
from forecast.visits.counting.unlike_weeks import unlike_weeks

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri")
BRANCHES = {
    "a": Branch("a", "A", "seoul", WEEKDAYS),
    "b": Branch("b", "B", "busan", WEEKDAYS),
}
WEEKS = pd.date_range("2024-02-26", periods=3, freq="7D")


def visits(days: dict[str, list[str]]) -> pd.DataFrame:
    """One visit a day given, each in the region of its branch."""
    rows = [(day, name) for name, own in days.items() for day in own]
    frame = pd.DataFrame(rows, columns=["date", "branch"])
    region = frame["branch"].map({"a": "seoul", "b": "busan"})
    return frame.assign(date=pd.to_datetime(frame["date"]), kind="other", region=region)


def closures(*rows: tuple[str, str, bool]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["branch", "date", "full"])
    frame = frame.astype({"branch": object, "full": bool})
    return frame.assign(date=pd.to_datetime(frame["date"]), reason="")


def all_days(*, without: tuple[str, ...] = ()) -> list[str]:
    days = pd.bdate_range("2024-02-26", "2024-03-15").strftime("%Y-%m-%d")
    return [day for day in days if day not in without]


def found(seen, listed, *, country=None) -> dict[str, np.ndarray]:
    return unlike_weeks(seen, BRANCHES, listed, country, regions=["seoul", "busan"], weeks=WEEKS)


def test_the_full_share_is_of_the_visits_on_full_days():
    """Two of five days of the second week are full; the first week is before the first listing."""
    listed = closures(("a", "2024-03-04", True), ("a", "2024-03-05", True))
    share = found(visits({"a": all_days(), "b": all_days()}), listed)["full_share"]
    np.testing.assert_allclose(share[0], [np.nan, 0.4, 0.0])


def test_where_a_branch_lists_nothing_full_days_are_not_known():
    """Busan's branch has no list: not known, which is not the same as none."""
    listed = closures(("a", "2024-02-26", True))
    share = found(visits({"a": all_days(), "b": all_days()}), listed)["full_share"]
    assert np.isnan(share[1]).all()
    np.testing.assert_allclose(share[0], [0.2, 0.0, 0.0])


def test_the_open_share_counts_closures_and_holidays_of_the_opening_days():
    """1 March 2024 is a holiday in Korea; three days of the second week were closed for moving.

    A day without visits that nobody explains is none of them.
    """
    moving = ("2024-03-04", "2024-03-05", "2024-03-06")
    seen = visits({"a": all_days(without=("2024-03-01", *moving, "2024-03-12"))})
    listed = closures(*(("a", day, False) for day in moving))
    share = found(seen, listed, country="KR")["open_share"]
    np.testing.assert_allclose(share[0], [0.8, 0.4, 1.0])
    np.testing.assert_allclose(found(seen, listed)["open_share"][0], [1.0, 0.4, 1.0])
    assert np.isnan(share[1]).all()


def test_a_country_without_known_holidays_stops_no_count():
    """No day counts as a holiday there."""
    seen = visits({"a": all_days(without=("2024-03-01",))})
    share = found(seen, closures(), country="XX")["open_share"]
    np.testing.assert_allclose(share[0], [1.0, 1.0, 1.0])
