"""Bad input at the command line: one clear sentence, exit code 2, nothing lost."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

import sample_climate
from forecast.climate import open_climate
from forecast.practice import open_practice
from forecast.records import open_records
from forecast.records.branches import branches
from forecast.records.visits import visits
from jobs.cli import main

WEATHER = sample_climate.FOLDER / sample_climate.WEATHER_FILE
VISITS = "visit,date,branch,dog,kind\nV1,2023-01-02,main,D1,itch flare\n"


def state(folder: Path) -> tuple[int, int, str, str]:
    """Return what must be the same before and after a refusal."""
    practice = open_practice(folder)
    records = open_records(practice)
    held = len(visits(records)), len(branches(records))
    records.close()
    return (*held, open_climate(practice).head(), practice.settings_text)


def refusal(monkeypatch, capsys, *words: str) -> str:
    """Run a command that must be refused; return its one line on standard error."""
    monkeypatch.setattr(sys, "argv", ["forepaw", *words])
    with pytest.raises(SystemExit) as stopped:
        main()
    assert stopped.value.code == 2
    said = capsys.readouterr().err
    assert "Traceback" not in said
    # before it, only lines of progress: seconds, then what is being done
    told = [line for line in said.splitlines() if not re.match(r" *\d+\.\d s  ", line)]
    assert len(told) == 1, told
    assert told[0].startswith("forepaw: ")
    return told[0]


@pytest.mark.parametrize(
    ("kind", "text", "says"),
    [
        ("visits", "visit,date,branch,dog\nV2,2023-01-03,main,D1\n", "kind"),
        ("visits", "", "empty"),
        ("branches", "id,name\nx,X\n", "region"),
    ],
)
def test_a_file_without_its_columns_is_refused_whole(
    clinic, tmp_path, monkeypatch, capsys, kind, text, says
):
    """The sentence names what is missing, and nothing is imported."""
    file = tmp_path / "export.csv"
    file.write_text(text)
    before = state(clinic)
    sentence = refusal(monkeypatch, capsys, "import", kind, str(file), "--practice", str(clinic))
    assert says in sentence
    assert "export.csv" in sentence
    assert state(clinic) == before


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("V3,2023-13-45,main,D1,other", "2023-13-45"),
        ("V3,02/01/2023,main,D1,other", "02/01/2023"),
        ("V3,2999-01-01,main,D1,other", "2999-01-01"),
        ("V3,2023-01-03,nowhere,D1,other", "nowhere"),
        ("V3,2023-01-03,main,D1,tea party", "tea party"),
    ],
)
def test_a_bad_row_is_reported_and_the_rest_is_kept(
    clinic, tmp_path, monkeypatch, capsys, row, says
):
    """Row, column, value and what is allowed are said; the good row goes in, once."""
    file = tmp_path / "export.csv"
    file.write_text(f"{VISITS}{row}\n")
    monkeypatch.setattr(
        sys, "argv", ["forepaw", "import", "visits", str(file), "--practice", str(clinic)]
    )
    with pytest.raises(SystemExit) as stopped:
        main()
    said = capsys.readouterr()
    assert stopped.value.code in (0, None)
    assert says in said.out
    assert "row 3" in said.out
    assert state(clinic)[0] == 1  # V1 again, newest counts; the bad row stays out


def test_an_unknown_region_is_named_with_those_there_are(clinic, tmp_path, monkeypatch, capsys):
    """A branch in a region that practice.toml does not have stays out."""
    file = tmp_path / "branches.csv"
    file.write_text("id,name,region,open_days\nx,X,atlantis,mon\n")
    monkeypatch.setattr(
        sys, "argv", ["forepaw", "import", "branches", str(file), "--practice", str(clinic)]
    )
    with pytest.raises(SystemExit):
        main()
    said = capsys.readouterr()
    assert "atlantis" in said.out + said.err
    assert "seoul" in said.out + said.err
    assert state(clinic)[1] == 1


def test_a_climate_file_cut_in_half_changes_nothing(clinic, tmp_path, monkeypatch, capsys):
    """The store keeps its last snapshot."""
    half = tmp_path / "half.nc"
    half.write_bytes(WEATHER.read_bytes()[: WEATHER.stat().st_size // 2])
    before = state(clinic)
    sentence = refusal(
        monkeypatch, capsys, "import", "weather", str(half), "--practice", str(clinic)
    )
    assert "half.nc" in sentence
    assert state(clinic) == before


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("draws = 500", "drwas = 500", "did you mean 'draws'"),
        ("latitude = 37.57", "latitude = 137.57", "137.57"),
        ("[forecast]", "[forecast", "line"),
        ('"ragweed"', '"ragwed"', "ragweed"),
    ],
)
def test_a_broken_practice_toml_is_one_sentence(clinic, monkeypatch, capsys, old, new, says):
    """The line and what is wrong there; mended, the practice is as it was."""
    settings = clinic / "practice.toml"
    good = settings.read_text()
    assert old in good
    settings.write_text(good.replace(old, new))
    try:
        sentence = refusal(monkeypatch, capsys, "issue", "--practice", str(clinic))
    finally:
        settings.write_text(good)
    assert says in sentence
    assert state(clinic)[0] == 1


def test_a_folder_that_is_no_practice_and_one_that_is_no_demo(tmp_path, monkeypatch, capsys):
    """Each says what to do instead, and touches nothing."""
    (tmp_path / "letter.txt").write_text("dear diary")
    assert "forepaw init" in refusal(monkeypatch, capsys, "issue", "--practice", str(tmp_path))
    assert "--dir" in refusal(monkeypatch, capsys, "demo", "--dir", str(tmp_path))
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]


def test_old_weather_is_refused_with_the_day_that_would_do(clinic, monkeypatch, capsys):
    """A forecast of today from weather that ended years ago is none."""
    sentence = refusal(monkeypatch, capsys, "issue", "--practice", str(clinic))
    assert "--as-of" in sentence
