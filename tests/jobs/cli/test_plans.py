"""The command plan: for whom, within which days, as what."""

from __future__ import annotations

import json

import pytest

from forecast.dosing.plan_list import PLAN_COLUMNS
from jobs.cli.plans import AskingError, read_span


@pytest.mark.parametrize(("text", "days"), [("21d", 21), ("3w", 21), ("7", 7), (" 2W ", 14)])
def test_a_span_is_days_or_weeks(text, days):
    """With a letter or without."""
    assert read_span(text) == days


@pytest.mark.parametrize("text", ["soon", "-3d", "3m", "1.5w", ""])
def test_what_is_no_span_is_refused(text):
    """The sentence says how one is written."""
    with pytest.raises(AskingError, match="write days or weeks, such as 21d or 3w"):
        read_span(text)


def test_plans_are_asked_for_by_patient_for_all_and_by_what_is_due(practice_folder, forepaw):
    """D05 itches now: it alone is due; as JSON and CSV it is the same dog, and no name is told."""
    file = practice_folder.parent / "scores.csv"
    file.write_text("dog,date,pvas\nD05,2022-06-26,8.5\n")
    forepaw("import", "scores", file, "--practice", practice_folder)
    at = ("--practice", practice_folder)
    due = forepaw("plan", *at, "--all", "--due-within", "21d")
    assert due.code == 0
    assert "Proposals for 1 dog, seen now or dosed within 21 days" in due.out
    assert "Snortlewick5, D05" in due.out
    told = forepaw("plan", *at, "--due-within", "3w", "--json")
    (plan,) = json.loads(told.out)
    assert (plan["dog"], plan["proposal"], plan["doses"]) == ("D05", "see the dog now", [])
    assert any("8.5" in reason["sentence"] for reason in plan["reasons"])
    table = forepaw("plan", *at, "--due-within", "21", "--csv").out
    assert table.startswith(f"{','.join(PLAN_COLUMNS)} D05,anti_il31_antibody,see the dog now,")
    assert "Snortlewick" not in told.out + table
    one = forepaw("plan", *at, "--patient", "D03")
    assert "Snortlewick3, D03 " in one.out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--all", "--patient", "D03"], "some dogs and every dog; leave one out"),
        (["--json", "--csv"], "printed as one of them"),
        (["--due-within", "soon"], "write days or weeks"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_a_sentence(forepaw, tmp_path, words, says):
    """Before the practice is opened."""
    done = forepaw("plan", "--practice", tmp_path, *words)
    assert done.code == 2
    assert says in " ".join(done.told)
