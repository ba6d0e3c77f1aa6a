"""What stands on the screen fits it, at 80 columns and at 120, and says what runs already."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from forecast.dosing.desk import propose_plans
from forecast.issuing import Issue, latest_issue
from forecast.practice import Practice, open_practice
from forecast.records import open_records
from forecast.records.engine import Records
from forecast.risk import SeasonWindow
from jobs import console as console_module
from jobs import console_plans
from jobs.console import show_files, show_issue, side_by_side
from jobs.console_plans import SHOWN, show_plans

TODAY = date(2022, 6, 27)


@pytest.fixture(params=[80, 120])
def screen(request, monkeypatch) -> Callable[[], list[str]]:
    """Give a function that returns the lines printed so far on a screen of some columns."""
    paper = io.StringIO()
    fake = Console(file=paper, width=request.param, highlight=False)
    monkeypatch.setattr(console_module, "console", fake)
    monkeypatch.setattr(console_plans, "console", fake)

    def printed() -> list[str]:
        lines = paper.getvalue().splitlines()
        assert max(len(line.rstrip()) for line in lines) <= request.param
        return lines

    return printed


@pytest.fixture(scope="module")
def made(filled) -> tuple[Practice, Records, Issue]:
    practice = open_practice(filled[0])
    records = open_records(practice)
    return practice, records, latest_issue(practice, records)


def rows_of(lines: list[str], heading: str) -> list[str]:
    """Return the lines under a heading, down to the next empty one."""
    at = next(n for n, line in enumerate(lines) if line.startswith(heading)) + 1
    end = next(n for n in range(at, len(lines) + 1) if n == len(lines) or not lines[n].strip())
    return lines[at:end]


def test_headings_and_tables_of_a_forecast_are_not_broken(made, screen):
    """A heading is one line; a region has two lines in the table of seasons, odds and all."""
    show_issue(made[0], made[2])
    lines = screen()
    rows = rows_of(lines, "Flare season: weeks above the region's threshold")
    assert len(rows) == 1 + 2 * 2
    assert rows[0].split() == ["region,", "odds", "start", "peak", "end", "visits", "in", "it"]
    assert any(line.rstrip().endswith("no pollen was measured.") for line in lines)
    strips = rows_of(lines, "Odds of a high week")
    assert [len(line.strip()) for line in strips[1:]] == [len("Northton  ") + 26] * 2


def test_more_weeks_than_fit_are_shown_below_each_other(made, screen):
    """104 weeks on a screen of 80: each line keeps its region's name and its months."""
    issue = made[2]
    weeks = issue.forecast["week"].values
    longer = issue.forecast[["odds_high", "climatology_odds"]].reindex(
        week=weeks[0] + np.arange(104) * np.timedelta64(7, "D"), fill_value=0.5
    )
    names = {"north": "Northton", "south": "Southby"}
    console_module._odds_strips(longer, names)
    lines = screen()
    own = [line for line in lines if line.startswith("  Northton")]
    assert sum(len(line) - len("  Northton  ") for line in own) == 104
    assert len(own) == len([line for line in lines if line.startswith("  Southby")])


def test_a_season_that_runs_is_not_said_to_start(made, screen):
    """At the end of June grass is on, and birch is to come: no start in the past is announced."""
    show_issue(made[0], made[2])
    rows = rows_of(screen(), "Exposure seasons")
    grass = next(n for n, line in enumerate(rows) if "Grass pollen" in line)
    assert "on since" in rows[grass] or "likely on now" in rows[grass]
    assert "start" not in rows[grass + 1]
    assert "ends" in rows[grass + 1]
    birch = next(n for n, line in enumerate(rows) if "Birch pollen" in line)
    assert "start" in rows[birch + 1]


@pytest.mark.parametrize(
    ("starts", "said"),
    [((0, 0, 0), "already on"), ((0, 0, 9), "likely on now"), ((7, 14, 21), "11 Jul\n4-18 Jul")],
)
def test_a_flare_season_of_the_first_week_may_be_older_than_it(starts, said):
    """What began before the first week of the forecast cannot be seen in it."""
    first = date(2022, 6, 27)
    span = tuple(date.fromordinal(first.toordinal() + n) for n in starts)
    window = SeasonWindow("north", "flare", None, span, span, span, 1.0)
    assert str(console_module._flare_start(window, first)) == said


def test_columns_are_packed_by_their_width():
    """Widths of 3, 5 and 4 with gaps of two: in 12 columns the first two, then the third."""
    columns = [["abc", "x"], ["y", "ab\nabcde"], ["abcd"]]
    assert side_by_side(columns, 12) == [columns[:2], columns[2:]]
    assert side_by_side(columns, 1) == [[column] for column in columns]


def test_many_dogs_of_one_proposal_are_counted_and_the_first_named(made, screen):
    """52 are to be examined: no name, a row a check, and a page in all; the file is named."""
    practice, records, issue = made
    found = propose_plans(
        practice, records, issue, dogs=None, therapy_id="anti_il31_antibody", today=TODAY
    )
    show_plans(records, issue, found, in_full=False, file=Path("out/plans.csv"))
    lines = screen()
    assert len(lines) < 60
    rows = rows_of(lines, "examination first, no dose: 52 dogs")
    counts = {line[:40].strip(): line.split() for line in rows}
    assert "Snortlewick" not in " ".join(rows)
    assert "therapy" not in counts["weight"][-1]
    assert "  out/plans.csv" in lines


def test_see_now_dogs_beyond_the_first_are_counted(made, screen):
    """Fifteen that itch now: twelve named with two reasons each, three counted."""
    practice, records, issue = made
    found = propose_plans(
        practice, records, issue, dogs=None, therapy_id="anti_il31_antibody", today=TODAY
    )
    urgent = [replace(one, proposal=type(one.proposal).SEE_NOW) for one in found[: SHOWN + 3]]
    show_plans(records, issue, urgent, in_full=False, file=Path("out/plans.csv"))
    rows = rows_of(screen(), f"see the dog now: {SHOWN + 3} dogs")
    assert sum("Snortlewick" in line for line in rows) == SHOWN
    assert rows[-1].strip() == "and 3 more, all in plans.csv"


def test_what_was_written_is_told_once(screen, tmp_path):
    """The folder, and each figure by its name, whatever its forms; a long path is not broken."""
    folder = tmp_path / ("a" * 100)
    names = ("forecast.txt", "forecast.csv", "visits-north.svg", "visits-north.png")
    show_files([folder / name for name in names])
    rows = [line.strip() for line in console_module.console.file.getvalue().splitlines()]
    assert rows[-2:] == [str(folder), "forecast.txt, forecast.csv, visits-north"]
