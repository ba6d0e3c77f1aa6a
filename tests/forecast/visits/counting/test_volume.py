"""Volume: what a branch's days held, from visits given and from the records."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from forecast.regions import Branch
from forecast.visits import import_closures, import_visits
from forecast.visits.counting.volume import (
    daily_volume,
    days_by_year,
    new_patients,
    public_holidays,
    volume_on_record,
)
from forecast.visits.rules import VisitError

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


def test_the_closures_on_record_are_read(practice, records, write):
    """n2 opens on Monday, Wednesday and Friday; 2024-05-15, a Wednesday, was listed as closed.

    From Monday 13 to Wednesday 22 May 2024: seen on the 13th and the 22nd; listed the 15th, and the
    13th as full; nobody tells of Friday the 17th and Monday the 20th; the other five are no opening
    days of it.
    """
    seen = "visit,date,branch,dog,kind\nV1,2024-05-13,n2,D1,itch flare\nV2,2024-05-22,n2,,other\n"
    import_visits(practice, records, write("visits.csv", seen))
    listed = "branch,date,reason,full\nn2,2024-05-15,works,no\nn2,2024-05-13,,yes\n"
    import_closures(practice, records, write("closures.csv", listed))
    days = volume_on_record(practice, records)
    assert days.loc[("n2", "2024-05-15"), "day"] == "closure"
    assert days_by_year(days).to_dict("records") == [
        {
            "year": 2024,
            "branch": "n2",
            "open": 2,
            "closed on that weekday": 5,
            "public holiday": 0,
            "closure": 1,
            "no visit recorded": 2,
            "full": 1,
        }
    ]


def test_a_part_of_a_country_may_have_holidays_of_its_own():
    """Epiphany is a holiday in Bavaria and not in all of Germany; an unknown part is refused."""
    days = pd.DatetimeIndex(["2024-01-06"])
    assert pd.Timestamp("2024-01-06") in public_holidays(days, "DE-BY")
    assert pd.Timestamp("2024-01-06") not in public_holidays(days, "DE")
    with pytest.raises(VisitError, match="a subdivision of it"):
        public_holidays(days, "DE-XX")
