"""Imports at the command line: an export, what is held, accepting, taking back, closures."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from pathlib import Path

import pandas as pd
import pytest

from forecast.practice import create_practice, open_practice, template
from forecast.records import open_records
from forecast.records.imports import imported_files
from forecast.records.visits import visits
from jobs import console
from jobs.cli.visits import definition
from jobs.imports import import_file

LAYOUT = """
day_order = "year month day"
[columns]
visit = "Invoice"
date = "Date"
patient = "Patient no"
note = "Notes"
"""
ITCHY = "itchy, allergic flare"


@pytest.fixture
def folder(tmp_path) -> Path:
    practice = create_practice(tmp_path / "practice", template().replace('"grass"', '"grasses"'))
    path = tmp_path / "branches.csv"
    path.write_text("id,name,region,open_days\nmain,Main,seoul,mon tue wed thu fri\n")
    import_file(practice, "branches", path)
    (practice.layouts_folder / "desk.toml").write_text(LAYOUT)
    return practice.folder


@pytest.fixture
def export(tmp_path):
    """Give a function that writes an export of ten visits a week, so many of them of itch."""

    def write(name: str, first: str, n_weeks: int, flares: int) -> Path:
        lines = ["Invoice;Date;Patient no;Notes"]
        for n in range(10 * n_weeks):
            day = pd.Timestamp(first) + pd.Timedelta(days=n // 10 * 7 + n % 5)
            note = ITCHY if n % 10 < flares else ""
            lines.append(f"{name}{n};{day:%Y-%m-%d};{name}{n};{note}")
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join(lines) + "\n")
        return path

    return write


def n_visits(folder: Path) -> int:
    records = open_records(open_practice(folder))
    try:
        return len(visits(records))
    finally:
        records.close()


def test_what_is_held_is_listed_and_waits_for_an_answer(folder, export, forepaw):
    """Two commands: take it as it is, or take it back."""
    forepaw("import", "visits", export("past", "2022-01-03", 52, 2), "--practice", folder)
    held = forepaw("import", "visits", export("odd", "2023-01-02", 20, 7), "--practice", folder)
    assert held.code == 0
    assert "200 visits of 200 rows held as import 3, as flares are 70.0% of the visits" in held.out
    assert n_visits(folder) == 520
    listed = forepaw("import", "list", "--practice", folder).out
    assert "Import 3 is held, and nothing is learnt from it until you answer:" in listed
    assert "`forepaw import accept 3` takes it as it is" in listed
    accepted = forepaw("import", "accept", 3, "--practice", folder)
    assert "import 3 counts from now on" in accepted.out
    assert n_visits(folder) == 720
    again = forepaw("import", "accept", 3, "--practice", folder)
    assert (again.code, len(again.told)) == (2, 1)
    assert "it is live, and only one that is held can be" in again.told[0]
    undone = forepaw("import", "undo", 3, "--practice", folder)
    assert "import 3 was taken back, 200 rows" in undone.out
    assert n_visits(folder) == 520
    assert "is held" not in forepaw("import", "list", "--practice", folder).out


def test_an_import_that_is_none_is_refused(folder, forepaw):
    """By its number."""
    for command in ("accept", "undo"):
        done = forepaw("import", command, 99, "--practice", folder)
        assert done.code == 2
        assert done.told == ["forepaw: import 99 was asked for; there is no such import"]
    assert "cannot be undone" in forepaw("import", "undo", 1, "--practice", folder).told[0]


def test_closures_come_in_and_bad_rows_are_told(folder, forepaw, tmp_path):
    """Days ahead too; a word that is neither yes nor no is left out."""
    path = tmp_path / "closures.csv"
    path.write_text(
        "branch,date,reason,full\nmain,2023-01-02,stock-taking,no\nmain,2099-01-05,,yes\n"
        "main,2023-01-03,storm,maybe\n"
    )
    done = forepaw("import", "closures", path, "--practice", folder)
    assert "2 closures of 3 rows imported; 1 rows left out" in done.out
    assert "allowed: yes, no" in done.out
    records = open_records(open_practice(folder))
    assert [f.subject for f in imported_files(records)] == ["branches", "closures"]
    records.close()


def test_a_definition_is_put_in_force_and_printed(folder, export, forepaw, tmp_path):
    """The one in force can be edited and put in force again; what changes is told."""
    forepaw("import", "visits", export("past", "2022-01-03", 10, 2), "--practice", folder)
    out = io.StringIO()
    with redirect_stdout(out):
        definition(folder)
    text = out.getvalue().replace('value = "shipped 1"', 'value = "clinic"')
    text = text.replace('"itch + allergy", ', "").replace('"flare"]', '"flare + not itch"]')
    text = text.replace('probable = { value = ["itch", ', "probable = { value = [")
    own = tmp_path / "own.toml"
    own.write_text(text)
    done = forepaw("visits", "define", own, "--practice", folder)
    assert done.code == 0
    assert "Case definition in force: clinic " in done.out
    assert "100 visits were judged" in done.out
    assert "itch flare other 20" in done.out
    counted = forepaw("visits", "counts", "--practice", folder).out
    assert "clinic" in counted
    back = forepaw("visits", "define", "--practice", folder).out
    assert "Case definition in force: shipped 1" in back


def test_a_bar_is_shown_to_a_person_and_to_nothing_else(monkeypatch):
    """A log or a pipe gets no bar, and nobody is told the share."""
    with console.bar("reading") as progress:
        assert progress is None
    monkeypatch.setattr(console.progress, "_force_terminal", True)
    with console.bar("reading") as progress:
        assert progress is not None
        progress(0.5)


def test_imports_are_read_again_by_number(folder, export, forepaw):
    """Each is told; the run is written down; what is none is refused in one sentence."""
    forepaw("import", "visits", export("past", "2022-01-03", 52, 2), "--practice", folder)
    done = forepaw("import", "again", 2, "--practice", folder)
    assert done.code == 0
    assert "import 2 was read again: past.csv: 520 visits of 520 rows imported" in done.out
    assert "undone" in forepaw("import", "list", "--practice", folder).out
    assert n_visits(folder) == 520
    refused = forepaw("import", "again", 2, "--practice", folder)
    assert (refused.code, len(refused.told)) == (2, 1)
    assert "only one that counts or is held can be" in refused.told[0]
