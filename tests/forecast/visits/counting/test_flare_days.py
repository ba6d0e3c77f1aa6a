from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from forecast.visits import import_therapies, import_visits
from forecast.visits.counting.cover import CoverRule
from forecast.visits.counting.episodes import with_roles
from forecast.visits.counting.flare_days import episodes, flare_days, open_days_by_region
from forecast.visits.rules import VisitError

KNOWN_ON = date(2024, 5, 31)
RULES = {"anti_il31_antibody": CoverRule(49, is_course=False)}
VISITS = """visit,date,branch,dog,kind
V1,2024-01-08,n1,D1,other
V2,2024-01-10,n1,D1,itch flare
V3,2024-03-04,n1,D1,itch flare
V4,2024-03-15,n1,D1,itch flare
V5,2024-05-06,n1,D1,itch flare
V6,2024-03-05,s1,D2,itch flare
V7,2024-01-09,s1,D2,other
"""
THERAPIES = """dog,therapy,date,status,until,reason,responded
D2,anti_il31_antibody,2024-02-20,given,,itch,
"""


def test_flare_visits_stand_beside_the_days_on_which_there_could_be_none(practice, records, write):
    """The flare of January is within the record's first weeks; that of 15 March is a recheck."""
    import_visits(practice, records, write("visits.csv", VISITS))
    known = ["anti_il31_antibody"]
    import_therapies(practice, records, write("therapies.csv", THERAPIES), therapies=known)
    days = flare_days(practice, records, cover_rules=RULES, known_on=KNOWN_ON)
    found = days.flares.sort_values("date")
    assert found["region"].tolist() == ["north", "south", "north"]
    assert found["date"].dt.strftime("%m-%d").tolist() == ["03-04", "03-05", "05-06"]
    spans = days.not_at_risk.sort_values(["dog", "first"])
    told = set(
        zip(spans["first"].dt.strftime("%m-%d"), spans["end"].dt.strftime("%m-%d"), strict=True)
    )
    assert told == {
        ("01-10", "02-08"),  # 28 flare-free days after the 10th
        ("03-04", "04-13"),  # after the recheck of the 15th
        ("05-06", "06-04"),
        ("02-20", "04-09"),  # the dose covers 49 days
        ("03-05", "04-03"),
    }
    assert set(days.of_dog(found["dog"].iloc[0])["date"].dt.month) == {3, 5}


def test_flares_that_came_later_are_not_known_yet(practice, records, write):
    """Of the morning of 6 May, neither that day's visit nor its episode."""
    import_visits(practice, records, write("visits.csv", VISITS))
    days = flare_days(practice, records, cover_rules=RULES, known_on=date(2024, 5, 6))
    assert days.flares["date"].max() == pd.Timestamp("2024-03-05")
    assert days.not_at_risk["first"].max() == pd.Timestamp("2024-03-05")


def test_without_visits_it_says_so(practice, records):
    """Nothing to lay side by side."""
    with pytest.raises(VisitError, match="no visits are on record"):
        flare_days(practice, records, cover_rules=RULES, known_on=KNOWN_ON)


def test_an_episode_lasts_until_its_flare_free_days_are_over():
    """Each visit for itch puts the end off; dogs are told apart."""
    days = ["2024-03-01", "2024-03-20", "2024-05-01", "2024-03-02"]
    seen = pd.DataFrame(
        {"dog": ["a", "a", "a", "b"], "date": pd.to_datetime(days), "kind": "itch flare"}
    )
    found = episodes(with_roles(seen, flare_free_days=28), 28)
    assert found["dog"].tolist() == ["a", "a", "b"]
    assert found["end"].dt.strftime("%m-%d").tolist() == ["04-18", "05-30", "03-31"]


def test_a_region_is_open_on_the_days_it_saw_anybody():
    """From the practice's first day on record to its last."""
    seen = pd.DataFrame(
        {
            "region": ["north", "south", None],
            "date": pd.to_datetime(["2024-01-01", "2024-01-03", "2024-01-04"]),
        }
    )
    opened = open_days_by_region(seen, ["north", "south"])
    assert opened.values.tolist() == [[True, False, False, False], [False, False, True, False]]
