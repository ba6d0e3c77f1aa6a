"""What was known on a day: stamps, later imports, and weeks that have not come in yet."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from forecast.records.dated import HOMES, Said, keep_said
from forecast.records.dogs import dog_ids
from forecast.visits import import_visits, make_vintage
from forecast.visits.counting.arrivals import known_visits, shown_by_later_imports
from forecast.visits.counting.counts import counts_as_known

HEADER = "visit,date,branch,dog,kind\n"


def came(*rows: tuple) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["import_id", "day", "branch", "reference", "date"])
    return frame.assign(day=pd.to_datetime(frame["day"]), date=pd.to_datetime(frame["date"]))


def shown(*rows: tuple) -> list[tuple[str, str]]:
    found = shown_by_later_imports(came(*rows)).sort_values(["date", "first_import"])
    return [(f"{d:%m-%d}", f"{c:%m-%d}") for d, c in found.itertuples(index=False)]


def test_a_single_import_shows_nothing_of_the_delay():
    """All of it came on one day."""
    one = (1, "2024-05-10", "n1")
    assert shown((*one, "a", "2024-05-06"), (*one, "b", "2024-05-08")) == []


def test_imports_that_follow_each_other_without_overlap_show_nothing():
    """No day was looked at twice."""
    assert shown(
        (1, "2024-05-06", "n1", "a", "2024-05-03"), (2, "2024-05-13", "n1", "b", "2024-05-08")
    ) == []  # fmt: skip


def test_a_day_looked_at_twice_shows_what_had_been_lacking():
    """Of the 3rd one visit of three came a week late; of the 1st none; the 8th was seen once."""
    assert shown(
        (1, "2024-05-06", "n1", "a", "2024-05-01"),
        (1, "2024-05-06", "n1", "b", "2024-05-03"),
        (1, "2024-05-06", "n1", "c", "2024-05-03"),
        (2, "2024-05-13", "n1", "a", "2024-05-01"),
        (2, "2024-05-13", "n1", "b", "2024-05-03"),
        (2, "2024-05-13", "n1", "late", "2024-05-03"),
        (2, "2024-05-13", "n1", "d", "2024-05-08"),
    ) == [("05-01", "05-01"), ("05-03", "05-03"), ("05-03", "05-03"), ("05-03", "05-13")]


def test_what_was_old_when_it_was_first_seen_shows_nothing():
    """A bulk import of last year, and the same once more: its visits had long come in."""
    old = [(n, day, "n1", "a", "2023-01-03") for n, day in ((1, "2024-05-06"), (2, "2024-05-13"))]
    assert shown(*old, (2, "2024-05-13", "n1", "new", "2023-01-03")) == []


def test_each_branch_is_looked_at_by_itself():
    """The south came for the first time with the second import."""
    assert shown(
        (1, "2024-05-06", "n1", "a", "2024-05-03"),
        (2, "2024-05-13", "n1", "a", "2024-05-03"),
        (2, "2024-05-13", "s1", "b", "2024-05-03"),
    ) == [("05-03", "05-03")]


# ------------------------------------------------------------------------------ with records
def steady(n_weeks: int, first: date = date(2024, 1, 1)) -> str:
    rows = [f"v{n},{first + timedelta(days=7 * n + 2)},n1,,other\n" for n in range(n_weeks)]
    return HEADER + "".join(rows)


def known_weeks(practice, records, known_on: date | None = None) -> list[str]:
    made = make_vintage(practice, records, cover_rules={}, known_on=known_on)
    counted = counts_as_known(records, known_on or practice.today, made)["flare_visits"]
    row = counted.sel(region="north")
    return [f"{week:%m-%d}" for week in pd.DatetimeIndex(row["week"].values[row.notnull().values])]


def test_a_week_that_the_last_import_did_not_reach_the_end_of_is_not_known(
    practice, records, write
):
    """Brought in on Friday: when the next week has ended, that Friday's week is still half."""
    text = steady(22)  # the last visit is of Wednesday 29 May; the import of Friday 31 May
    import_visits(practice, records, write("v.csv", text))
    later = replace(practice, now=practice.now + timedelta(days=5))
    assert known_weeks(later, records)[-1] == "05-20"
    again = replace(practice, now=practice.now + timedelta(days=3))  # Monday 3 June
    import_visits(again, records, write("w.csv", text + "x,2024-06-01,n1,,other\n"))
    assert known_weeks(later, records)[-1] == "05-27"


@pytest.fixture
def late_entries(practice, records, exporting):
    """Import 22 weeks of visits, half of them entered nine days late."""
    lines = []
    for n in range(220):
        day = pd.Timestamp("2024-01-01") + pd.Timedelta(days=n // 10 * 7 + n % 5)
        entered = day + pd.Timedelta(days=9 * (n % 2))
        if entered <= pd.Timestamp("2024-05-31"):
            stamps = {"day": f"{day:%Y-%m-%d}", "entered": f"{entered:%Y-%m-%d}"}
            lines.append({"invoice": f"R{n}", "patient": f"P{n}"} | stamps)
    import_visits(practice, records, exporting(*lines))
    return practice


def test_weeks_that_have_half_come_in_are_not_counted(late_entries, records):
    """Half is entered nine days late: a week is whole when its Sunday is nine days ago."""
    found = known_visits(late_entries, records, known_on=late_entries.today)
    assert found.is_stamped
    assert found.delay.share[0] == pytest.approx(0.5, abs=0.05)
    assert known_weeks(late_entries, records)[-1] == "05-13"


def test_with_stamps_a_past_day_sees_what_had_been_entered_by_then(late_entries, records):
    """As of Monday 4 March, of the week before only what was entered at once."""
    then = known_visits(late_entries, records, known_on=date(2024, 3, 4)).visits
    last_week = then[then["date"] >= pd.Timestamp("2024-02-26")]
    assert len(last_week) == 5
    now = known_visits(late_entries, records, known_on=late_entries.today).visits
    assert now["date"].between("2024-02-26", "2024-03-03").sum() == 10
    made = make_vintage(late_entries, records, cover_rules={}, known_on=date(2024, 3, 4))
    assert made.kind == "as known then"


def test_of_a_week_still_coming_in_what_has_come_stands_apart(late_entries, records):
    """Five of the ten visits, half of the week; of the whole weeks before nothing stands apart."""
    made = make_vintage(late_entries, records, cover_rules={}, known_on=date(2024, 3, 4))
    counted = counts_as_known(records, date(2024, 3, 4), made).sel(region="north")
    newest, earlier = counted.sel(week="2024-02-26"), counted.sel(week="2024-02-12")
    assert np.isnan(newest["consultations"])
    assert np.isnan(newest["flare_visits"])
    assert float(newest["consultations_so_far"] + newest["flare_visits_so_far"]) == 5
    assert float(newest["reported_share"]) == pytest.approx(0.5, abs=0.05)
    assert np.isfinite(earlier["consultations"])
    assert np.isnan(earlier["consultations_so_far"])
    assert float(earlier["reported_share"]) >= 0.9


def test_counts_of_a_region_are_of_those_who_lived_there(practice, records, write):
    """The flare of a dog from far off is a consultation of the branch, no flare of the region."""
    text = steady(12) + "f,2024-03-05,n1,D7,itch flare\ng,2024-03-06,n1,D8,itch flare\n"
    import_visits(practice, records, write("v.csv", text))
    ids = dog_ids(records)
    with records.writing() as connection:
        keep_said(connection, HOMES, {ids["D8"]: Said(("distant", None))}, today=practice.today)
    made = make_vintage(practice, records, cover_rules={})
    counted = counts_as_known(records, practice.today, made).sel(week=np.datetime64("2024-03-04"))
    assert float(counted["flare_visits"].sel(region="north")) == 1
    assert float(counted["consultations"].sel(region="north")) == 1 + 1
