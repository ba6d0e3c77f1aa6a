"""What is made of a plan: kept text, sentences, workbook, calendar, figure."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from icalendar import Calendar
from python_calamine import CalamineWorkbook

from forecast.charts.load import load_chart
from forecast.charts.theme import ChartError
from forecast.regions import Branch, Hours
from forecast.staffing.calendar import shifts_calendar
from forecast.staffing.inputs import BranchHours
from forecast.staffing.kept_plan import as_text, plan_of, what_if_of
from forecast.staffing.overflow import LoadWeek
from forecast.staffing.what_if import BranchClosed, Campaign, OneMore, OtherHours, WhatIf
from forecast.staffing.words import branch_answer, overflow_answer
from forecast.staffing.workbook import staffing_workbook

NAMES = {"at-north": "North", "at-south": "South"}
PEOPLE = {"a1": "Ada", "b2": "=1+1"}
MADE = datetime(2023, 3, 1, 9, tzinfo=UTC)
NORTH = Branch("at-north", "North", "n", ("mon",), (Hours("mon", time(8), time(18)),))


def test_a_kept_plan_reads_back_the_same(make_plan):
    """Numbers of numpy's own become plain ones; days, tuples and nothing-known come back."""
    plan = make_plan()
    assert plan_of(as_text(plan)) == plan
    odd = LoadWeek("x", date(2023, 3, 6), "vet", *np.full(3, 1.5), 2, np.float64(0.5), 1.0, 0.9)
    from dataclasses import replace

    assert plan_of(as_text(replace(plan, load=(odd,)))).load[0].low == 1.5


@pytest.mark.parametrize(
    "change",
    [
        OtherHours("at-north", hours_more=1.0),
        BranchClosed("at-north", date(2023, 3, 6), date(2023, 3, 19), "at-south"),
        Campaign(0.1, 3),
    ],
    ids=["hours", "closed", "campaign"],
)
def test_a_change_that_was_tried_reads_back_the_same(change, make_plan):
    tried = WhatIf(change, "one hour more", (10.0, 9.0), (4.0, 3.0), (1.0, 0.5), 0.8)
    assert what_if_of(as_text(tried)) == tried
    one = OneMore(make_plan().roster.staff[0])
    assert what_if_of(as_text(WhatIf(one, "", (0, 0), (0, 0), (0, 0), 0))).change == one


def test_the_answer_names_weeks_branch_and_chance(make_plan):
    """0.75 is 3 in 4 and 0.66 is 2 in 3; the weeks are the second and the third."""
    assert overflow_answer(make_plan(), NAMES) == (
        "Two weeks will probably overflow at North: the weeks of 13 Mar and 20 Mar, chances from "
        "2 in 3 to 3 in 4."
    )
    both = make_plan(odds={"at-north": (0.75,), "at-south": (0.5,)})
    assert overflow_answer(both, NAMES) == (
        "Weeks will probably overflow at two branches: North, one week, most likely that of 6 Mar "
        "(3 in 4); South, one week, most likely that of 6 Mar (1 in 2)."
    )
    assert branch_answer(make_plan(), "at-south", "South") == (
        "No week of the next 4 is likely to overflow; the highest chance is 1 in 5, at South in "
        "the week of 20 Mar."
    )


def test_even_odds_are_not_called_unlikely(make_plan):
    """0.49 is said as 1 in 2, so that it cannot go with "no week is likely"."""
    plan = make_plan(odds={"at-north": (0.49, 0.1)})
    assert branch_answer(plan, "at-north", "North") == (
        "No week of the next 2 is likelier to overflow than not; the highest chance is 1 in 2, at "
        "North in the week of 6 Mar."
    )


def test_what_is_shown_of_some_branches_tells_nothing_of_others(make_plan):
    """Costs are those of all branches, so they go too."""
    south = make_plan().of_branches({"at-south"})
    assert "at-north" not in as_text(south).replace('"home_branch":"at-north"', "")
    assert south.money.lines == ()


def workbook_of(make_plan, **names):
    content = staffing_workbook(
        make_plan(),
        names=NAMES | names,
        people=PEOPLE,
        notes=["Invented practice"],
        agreed=(),
    )
    return content, CalamineWorkbook.from_filelike(io.BytesIO(content))


def test_the_workbook_has_a_sheet_a_branch_and_runs_nothing(make_plan):
    """A person called =1+1 stands there as text; no cell of any sheet is a formula."""
    content, book = workbook_of(make_plan)
    assert book.sheet_names == ["summary", "North", "South", "load", "orders", "people"]
    north = book.get_sheet_by_name("North").to_python()
    cells = [cell for row in north for cell in row]
    assert "Ada" in cells
    assert "=1+1 (extra)" in cells
    assert "locum to be found" in cells
    assert "30 h (20 to 42) of 36 h; hold 42 h" in cells
    assert datetime(2023, 3, 6).date() in cells
    load = book.get_sheet_by_name("load").to_python()
    assert len(load) == 1 + 2 * 4 * 3
    assert load[1] == ["North", date(2023, 3, 6), "vet", 20, 30, 42, 36, 0.1, 41.5, 0.9]
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        sheets = [packed.read(n).decode() for n in packed.namelist() if "worksheets/sheet" in n]
    assert not any("<f>" in text for text in sheets)
    assert all('orientation="landscape"' in text and "fitToPage" in text for text in sheets)
    assert all("<pane" in text for text in sheets[1:])


def test_sheets_have_names_that_a_workbook_allows(make_plan):
    """A name too long, with a colon, or that of another sheet is mended, and none is lost."""
    long = "A branch: with a [very] long name, longer than allowed"
    _, book = workbook_of(make_plan, **{"at-north": long, "at-south": "Load"})
    assert book.sheet_names[1:3] == ["A branch  with a  very  long na", "Load 2"]


def calendar_of(plan, *, agreed=False, hours=True, branch=None):
    if branch is None:
        branch = NORTH if hours else Branch("at-north", "North", "n", ("mon",))
    content = shifts_calendar(
        plan.shifts_at("at-north"),
        hours={"at-north": BranchHours(branch)},
        people=PEOPLE,
        zone_of=lambda _: "Asia/Seoul",
        changed_at=MADE,
        agreed=plan.weeks if agreed else (),
        name="North",
    )
    return [one for one in Calendar.from_ical(content).walk("VEVENT")]


def test_a_name_with_a_line_break_writes_no_line_of_a_calendar(make_plan):
    """Of a person, of a branch, and of the calendar; whatever a program takes for a break."""
    evil = "Eve\r\nATTACH:http://x.example\rURL:y\nA\u2028B\x0bC\x00D"
    branch = Branch("at-north", evil, "n", ("mon",))
    content = shifts_calendar(
        make_plan().shifts_at("at-north"),
        hours={"at-north": BranchHours(branch)},
        people=dict.fromkeys(PEOPLE, evil),
        zone_of=lambda _: "Asia/Seoul",
        changed_at=MADE,
        agreed=(),
        name=evil,
    )
    unfolded = content.decode().replace("\r\n ", "")
    lines = [line.partition(":")[0].partition(";")[0] for line in unfolded.splitlines()]
    assert not {"ATTACH", "URL"} & set(lines)
    assert all(line.replace("-", "").isupper() for line in lines)
    assert "X-WR-CALNAME:Eve ATTACH:http://x.example URL:y A B C D" in unfolded


def test_shifts_are_calendar_entries_in_the_branchs_own_time(make_plan):
    """Eight hours from when the branch opens; a proposal is tentative; uids stay the same."""
    events = calendar_of(make_plan())
    first = next(one for one in events if "Ada" in one["summary"])
    begins = first["dtstart"].dt
    assert begins == datetime(2023, 3, 6, 8, tzinfo=ZoneInfo("Asia/Seoul"))
    assert (first["dtend"].dt - begins).total_seconds() == 8 * 3600
    assert {str(one["status"]) for one in events} == {"TENTATIVE"}
    again = calendar_of(make_plan(), agreed=True)
    assert {str(one["uid"]) for one in again} == {str(one["uid"]) for one in events}
    assert len({str(one["uid"]) for one in events}) == 3
    assert {str(one["status"]) for one in again} == {"CONFIRMED"}
    assert "Ada: vet, North" in {str(one["summary"]) for one in events}


def test_a_shift_ends_when_its_opening_hours_are_over_or_the_branch_closes(make_plan):
    """Eight hours with two hours closed at noon end at six; on a short day it ends at twelve."""
    split = (Hours("mon", time(8), time(12)), Hours("mon", time(14), time(19)))
    for spans, ends in ((split, 18), ((Hours("mon", time(9), time(12)),), 12)):
        branch = Branch("at-north", "North", "n", ("mon", "tue"), spans)
        first = calendar_of(make_plan(), branch=branch)[0]
        assert first["dtend"].dt == datetime(2023, 3, 6, ends, tzinfo=ZoneInfo("Asia/Seoul"))


def test_a_locum_keeps_its_uid_when_others_are_rostered_before(make_plan):
    """The first locum of a day, branch and role is the same entry in each plan."""
    plan = make_plan()
    fewer = replace(plan, roster=replace(plan.roster, shifts=plan.roster.shifts[2:]))
    every, alone = ({str(one["uid"]) for one in calendar_of(each)} for each in (plan, fewer))
    assert len(alone) == 1
    assert alone < every


def test_where_hours_are_not_known_a_shift_is_a_day(make_plan):
    assert calendar_of(make_plan(), hours=False)[0]["dtstart"].dt == date(2023, 3, 6)


def load_frame() -> pd.DataFrame:
    weeks = pd.date_range("2023-03-06", periods=3, freq="7D")
    return pd.DataFrame(
        {
            "week": weeks,
            "low": [20.0, 25, 18],
            "middle": [30.0, 36, 27],
            "high": [41.0, 50, 38],
            "capacity": [36.0] * 3,
            "hold": [40.0, 48, 37],
            "odds": [0.2, 0.6, 0.1],
            "likely": [False, True, False],
        }
    )


def test_the_figure_says_in_words_what_it_shows():
    """The text alternative names the heaviest week and the weeks that overflow."""
    chart = load_chart(load_frame(), title="Vet at North", source="s", note=None, hover=True)
    text = chart.to_dict()["description"]
    assert "Most in the week of 13 Mar 2023: median 36, eight in ten 25 to 50, beside 36" in text
    assert "Likely to overflow: 13 Mar 2023." in text
    with pytest.raises(ChartError, match="capacity"):
        load_chart(load_frame().drop(columns="capacity"), title="t", source="s")
