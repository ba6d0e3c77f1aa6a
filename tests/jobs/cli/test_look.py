"""`forepaw import look` as a newcomer meets it: an unknown export, a proposal, an answer."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from forecast.practice import create_practice, template
from jobs.cli import app
from jobs.imports import import_file

BRANCHES = "id,name,region,open_days\nhigh,High Street,seoul,mon tue\nlow,Low Road,seoul,mon\n"
CLEAR = """Takings by line;;;;;;
Invoice;Date;Site;Patient no;Item;Qty;Notes
R1;13.05.2024;High Street;P-1;Skin consultation;1,0;Wimblewort was scratching
R1;13.05.2024;High Street;P-1;Mystery;1,5;
R2;31.02.2024;High Street;P-2;Vaccination;1,0;
Total;;;;;3,5;
"""
UNCLEAR = "Invoice;Date;Site;Patient no\nR1;03.04.2024;High St;P-1\n"


@pytest.fixture
def practice(tmp_path):
    made = create_practice(tmp_path / "practice", template())
    (tmp_path / "branches.csv").write_text(BRANCHES)
    import_file(made, "branches", tmp_path / "branches.csv")
    return made


@pytest.fixture
def look(practice, tmp_path):
    def run(name: str, content: str, *more: str):
        (tmp_path / name).write_text(content, encoding="utf-8")
        words = ["import", "look", str(tmp_path / name), "--practice", str(practice.folder), *more]
        return CliRunner().invoke(app, words)

    return run


def test_a_clear_export_is_shown_and_its_layout_kept(look, practice):
    """Columns, items, what would come of it, what the checks found, and the next command."""
    result = look("takings.csv", CLEAR)
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "3 rows, UTF-8 text with semicolons; headings in row 2." in said
    assert "Columns, as proposed in layouts/takings.toml" in said
    assert "patient Patient no P-1" in said
    assert "Days are written day month year; the decimal mark is ','" in said
    assert "1 Mystery not mapped" in said
    assert "1 visits of 1 dogs from 2024-05-13 to 2024-05-13. 1 of 3 rows are left out." in said
    assert "error 1 not a day of the calendar row 5: '31.02.2024'" in said
    assert "note 1 line below the table row 6: 'Total'" in said
    assert "takings.csv" in said.split("Next forepaw import visits ")[1]
    assert "Wimblewort" not in said
    assert [path.name for path in practice.layouts_folder.iterdir()] == ["takings.toml"]
    to_copy = "forepaw import visits "  # a command does not break
    assert max(len(line) for line in result.output.splitlines() if to_copy not in line) <= 80


def test_what_must_be_answered_is_said_with_its_line_and_then_read(look, practice):
    """The first look asks, a person answers in the file, the second look reads."""
    result = look("desk.csv", UNCLEAR)
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "Before this file can be read, a person must answer:" in said
    assert "1. layouts/desk.toml line 6: column 'Date': '03.04.2024' can be read in more" in said
    assert "2. layouts/desk.toml line 22: what the branch 'High St' means is not answered" in said
    path = practice.layouts_folder / "desk.toml"
    text = path.read_text(encoding="utf-8")
    answered = text.replace('day_order = ""', 'day_order = "day month year"')
    path.write_text(answered.replace('"High St" = ""', '"High St" = "high"'), encoding="utf-8")
    said = " ".join(look("desk.csv", UNCLEAR).output.split())
    assert "Columns, as layouts/desk.toml has them" in said
    assert "1 visits of 1 dogs from 2024-04-03" in said
    # the answers are the person's: looking again wrote nothing
    assert [path.name for path in practice.layouts_folder.iterdir()] == ["desk.toml"]


def test_a_layout_can_be_asked_for_by_name(look, practice):
    """An unknown name is refused in one sentence and nothing is written."""
    look("desk.csv", UNCLEAR)
    result = look("desk.csv", UNCLEAR, "--layout", "dsk")
    assert result.exit_code == 1
    assert "did you mean 'desk'" in str(result.exception)
    assert look("desk.csv", UNCLEAR, "--layout", "desk").exit_code == 0


def test_a_file_of_our_own_format_needs_no_layout(look, practice):
    """It says so, and proposes none."""
    result = look("visits.csv", "visit,date,branch,dog,kind\nV1,2024-05-13,high,D1,recheck\n")
    assert "already classified" in result.output
    assert list(practice.layouts_folder.iterdir()) == []
