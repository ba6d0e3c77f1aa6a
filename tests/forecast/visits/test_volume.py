from datetime import date

import pandas as pd
import pytest

from forecast.regions import Branch
from forecast.visits.rules import VisitError
from forecast.visits.volume import daily_volume, new_patients

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri")
BRANCHES = {"north": Branch("north", "North", "seoul", WEEKDAYS)}


def visits(*days: str, kind: str = "other") -> pd.DataFrame:
    return pd.DataFrame({"date": pd.to_datetime(list(days)), "branch": "north", "kind": kind})


def test_a_day_without_visits_is_closed_or_not_recorded():
    """From Monday 4 March to Monday 11 March 2024: a weekend, and a Wednesday nobody explains."""
    seen = visits("2024-03-04", "2024-03-05", "2024-03-07", "2024-03-08", "2024-03-11")
    days = daily_volume(seen, BRANCHES).loc["north"]
    assert days.loc["2024-03-09", "day"] == "closed on that weekday"
    assert days.loc["2024-03-06", "day"] == "no visit recorded"
    assert days.loc["2024-03-05", "day"] == "open"
    assert days["visits"].sum() == 5


def test_public_holidays_are_known_by_country():
    """1 March is a public holiday in Korea (a Friday in 2024), and a plain day elsewhere."""
    seen = visits("2024-02-29", "2024-03-04")
    assert daily_volume(seen, BRANCHES, country="KR").loc[("north", "2024-03-01"), "day"] == (
        "public holiday"
    )
    assert daily_volume(seen, BRANCHES).loc[("north", "2024-03-01"), "day"] == "no visit recorded"


def test_an_emergency_on_a_holiday_makes_it_an_open_day():
    """What was seen beats the calendar."""
    seen = visits("2024-02-29", "2024-03-01", "2024-03-04")
    assert daily_volume(seen, BRANCHES, country="KR").loc[("north", "2024-03-01"), "day"] == "open"


def test_closures_and_full_diaries_come_from_the_list():
    """A day listed as closed is a closure; a full one is open and marked."""
    listed = pd.DataFrame(
        {
            "branch": "north",
            "date": pd.to_datetime(["2024-03-06", "2024-03-05"]),
            "reason": ["moving", "no slot left"],
            "full": [False, True],
        }
    )
    seen = visits("2024-03-04", "2024-03-05", "2024-03-07")
    days = daily_volume(seen, BRANCHES, closures=listed).loc["north"]
    assert days.loc["2024-03-06", "day"] == "closure"
    assert days.loc["2024-03-05", ["day", "full"]].tolist() == ["open", True]


def test_each_kind_has_its_column():
    """Flares and others are counted apart, and add up."""
    seen = pd.concat([visits("2024-03-04", "2024-03-04"), visits("2024-03-04", kind="itch flare")])
    day = daily_volume(seen, BRANCHES).loc[("north", "2024-03-04")]
    assert day["itch flare"] == 1
    assert day["other"] == 2
    assert day["visits"] == 3


def test_an_unknown_country_is_refused():
    """The sentence says what may stand there."""
    with pytest.raises(VisitError, match=r"'XX'.*ISO 3166-1"):
        daily_volume(visits("2024-03-04"), BRANCHES, country="XX")


def test_new_patients_are_those_first_seen_in_a_year():
    """Of three dogs of 2022 one is new; 2021 begins the record and 2023 is not over."""
    rows = [
        ("2021-05-01", "a"),
        ("2021-06-01", "b"),
        ("2022-05-01", "a"),
        ("2022-05-02", "b"),
        ("2022-07-01", "c"),
        ("2022-08-01", "c"),
        ("2022-09-01", None),
        ("2023-01-02", "d"),
    ]
    seen = pd.DataFrame(
        {"date": pd.to_datetime([day for day, _ in rows]), "dog": [d for _, d in rows]}
    )
    found = new_patients(seen, known_on=date(2023, 6, 1))
    assert found.to_dict() == {2022: pytest.approx(1 / 3)}
