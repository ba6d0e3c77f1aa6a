"""Killed at any moment: the practice opens in the old state or the new, the next run completes.

Five kills unless FOREPAW_LONG is set to ``whole``; then fifty. Each kills one process that imports
visits, learns and issues.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import func, select

import sample_climate
from forecast.issuing import read_issue
from forecast.practice import create_practice, open_practice, template
from forecast.records import open_records, visits
from forecast.records.dogs import dog_ids
from forecast.records.imports import imported_files
from forecast.records.issues import issues
from forecast.records.runs import runs
from forecast.records.tables import metadata
from forecast.records.vintages import vintages
from forecast.visits import take_back
from jobs.imports import import_file
from jobs.opening import open_all

FIRST_GUESS = 6.0  # seconds a worker takes; measured anew after each
KILLS = 50 if os.environ.get("FOREPAW_LONG") == "whole" else 5
WORK = """
import sys
from datetime import date
from pathlib import Path
from forecast.practice import open_practice
from jobs.imports import import_file
from jobs.issue import issue
from jobs.learn import learn
from jobs.opening import open_all
folder, file = Path(sys.argv[1]), Path(sys.argv[2])
practice = open_practice(folder)
print("working", flush=True)
import_file(practice, "visits", file)
records, climate = open_all(practice)
say = lambda text: None
model, known = learn(practice, records, climate, origin=date(2023, 3, 1), say=say)
issue(practice, records, climate, model=model, known=known, say=say)
"""


def _visit_rows(first: str, last: str, start: int) -> pd.DataFrame:
    """Invent three itch visits and twenty others a week, numbered from `start`."""
    rng = random.Random(start)
    rows = []
    for day in pd.date_range(first, last, freq="D"):
        if day.day_of_week == 6:
            continue
        for _ in range(4):
            rows.append((day, "", "other"))
        if rng.random() < 0.5:
            rows.append((day, f"D{rng.randrange(40):02d}", "itch flare"))
    frame = pd.DataFrame(rows, columns=["date", "dog", "kind"])
    frame["visit"] = [f"V{start + n}" for n in range(len(frame))]
    return frame.assign(branch="main")[["visit", "date", "branch", "dog", "kind"]]


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """Make a practice of one region with three years of visits, issued once."""
    text = template().replace("draws = 500", "draws = 60").replace('"grass"', '"grasses"')
    practice = create_practice(tmp_path / "practice", text)
    import_file(practice, "weather", sample_climate.FOLDER / sample_climate.WEATHER_FILE)
    files = {"branches": "id,name,region,open_days\nmain,Main,seoul,mon tue wed thu fri sat\n"}
    for name, content in files.items():
        path = tmp_path / f"{name}.csv"
        path.write_text(content)
        import_file(practice, name, path)
    path = tmp_path / "first.csv"
    _visit_rows("2020-01-06", "2022-12-31", 0).to_csv(path, index=False)
    import_file(practice, "visits", path)
    return practice.folder


def _start(folder: Path, file: Path) -> subprocess.Popen[str]:
    return _run(WORK, folder, file)


def _run(work: str, folder: Path, file: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", work, str(folder), str(file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _state(folder: Path) -> tuple[int, int, int]:
    """Open the practice as the next command would, and count what it holds; all must be whole."""
    practice = open_practice(folder)
    records, _ = open_all(practice)
    rows = issues(records)
    files = {path.name for path in practice.issued_folder.glob("*.nc")}
    assert {row.file for row in rows} == files
    for row in rows:
        assert read_issue(practice.issued_folder / row.file).hash == row.file_sha256
    assert not list(practice.issued_folder.glob(".*.part"))
    assert {run.state for run in runs(records)} <= {"done", "failed", "completed", "swept"}
    counted = len(visits.visits(records)), len(rows), len(vintages(records))
    assert len(dog_ids(records)) <= 40
    records.close()
    return counted


@pytest.mark.long
def test_a_kill_at_any_moment_leaves_a_practice_that_opens_and_completes(small, tmp_path, capsys):
    """Visits are all there or not there; issue rows and files agree; the next run ends well."""
    rng = random.Random(7)
    began = time.monotonic()
    spent, table = FIRST_GUESS, []
    for kill in range(KILLS):
        file = tmp_path / f"more{kill}.csv"
        # weeks of its own each time: the same ones again would be held, as twice what was usual
        last = pd.Timestamp("2020-01-05") - pd.Timedelta(weeks=8 * kill)
        first = last - pd.Timedelta(days=8 * 7 - 1)
        added = _visit_rows(f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}", 10_000 * (kill + 1))
        added.to_csv(file, index=False)
        before = _state(small)
        worker = _start(small, file)
        assert worker.stdout is not None
        assert worker.stdout.readline() == "working\n"
        time.sleep(spent * rng.random() ** 2)  # more of them early, while the import runs
        worker.send_signal(signal.SIGKILL)
        worker.communicate()
        after = _state(small)
        assert after[0] in (before[0], before[0] + len(added)), "half an import is visible"
        assert after[1] in (before[1], before[1] + 1)
        start = time.monotonic()
        again = _start(small, file)
        _, errors = again.communicate(timeout=120)
        assert again.returncode == 0, errors
        spent = time.monotonic() - start
        done = _state(small)
        assert done[0] == before[0] + len(added)
        table.append((kill, after[0] > before[0], after[1] > before[1], after[2] > before[2]))
    with capsys.disabled():
        shares = pd.DataFrame(table, columns=["kill", "imported", "issued", "counted"])
        print(f"\n{KILLS} kills in {time.monotonic() - began:.0f} s; new state after the kill:")
        print(shares[["imported", "counted", "issued"]].mean().to_string())


# ------------------------------------------------------------------------------ exports
N_LINES, N_PATIENTS = 40_000, 4_000
LAYOUT = """
day_order = "year month day"
[columns]
visit = "Invoice"
date = "Date"
patient = "Patient no"
client = "Client no"
item = "Item"
note = "Notes"
postcode = "Postcode"
"""
IMPORT = """
import sys
from pathlib import Path
from forecast.practice import open_practice
from jobs.imports import import_file
print("working", flush=True)
import_file(open_practice(Path(sys.argv[1])), "visits", Path(sys.argv[2]))
"""
EMPTIED = ("visit", "visit_case", "home", "dog", "dog_identity", "owner")


def _export(path: Path) -> Path:
    """Write an export of four lines a visit, with notes, clients and postcodes."""
    lines = ["Invoice;Date;Patient no;Client no;Item;Notes;Postcode"]
    for n in range(N_LINES):
        visit = n // 4
        patient = visit % N_PATIENTS
        day = pd.Timestamp("2020-01-06") + pd.Timedelta(days=visit % 999)
        note = f"itchy, note {visit}" if n % 4 == 0 else ""
        code = "10" if patient % 2 else "99"
        lines.append(
            f"R{visit};{day:%Y-%m-%d};P{patient};K{patient // 2};ITEM {n % 40};{note};{code}"
        )
    path.write_text("\n".join(lines) + "\n")
    return path


def _rows(folder: Path) -> dict[str, int]:
    """Open the practice as the next command would, and count the rows of its tables."""
    records, _ = open_all(open_practice(folder))
    with records.reading() as connection:
        counted = {
            name: connection.scalar(select(func.count()).select_from(metadata.tables[name]))
            for name in EMPTIED
        }
    counted["seen"] = len(visits.visits(records))
    records.close()
    return counted


def _n_visits_kept(folder: Path) -> int:
    """Count the rows of visits before anything settles what was left."""
    records = open_records(open_practice(folder))
    with records.reading() as connection:
        n_rows = connection.scalar(select(func.count()).select_from(metadata.tables["visit"]))
    records.close()
    return int(n_rows or 0)


@pytest.mark.long
def test_an_export_that_is_killed_leaves_nothing_half_in(tmp_path, capsys):
    """Killed anywhere: all of it is there at the next start, or not a row of any table."""
    text = template().replace('"grass"', '"grasses"')
    text = text.replace('id = "seoul"', 'id = "seoul"\npostcodes = ["10"]')
    practice = create_practice(tmp_path / "practice", text)
    branches = tmp_path / "branches.csv"
    branches.write_text("id,name,region,open_days\nmain,Main,seoul,mon tue wed thu fri sat\n")
    import_file(practice, "branches", branches)
    (practice.layouts_folder / "desk.toml").write_text(LAYOUT)
    export = _export(tmp_path / "export.csv")
    rng, spent, seen = random.Random(11), FIRST_GUESS / 2, []
    half_way = 0
    nothing = dict.fromkeys([*EMPTIED, "seen"], 0)
    for _ in range(KILLS):
        worker = _run(IMPORT, practice.folder, export)
        assert worker.stdout is not None
        assert worker.stdout.readline() == "working\n"
        time.sleep(spent * rng.random())
        worker.send_signal(signal.SIGKILL)
        worker.communicate()
        half_way += _n_visits_kept(practice.folder) not in (0, N_LINES // 4)
        left = _rows(practice.folder)
        seen.append(left["seen"])
        assert left == nothing or left["seen"] == N_LINES // 4
        if left["seen"]:
            records, _ = open_all(practice)
            take_back(records, imported_files(records)[-1].id)
            records.close()
            assert _rows(practice.folder) == nothing
        again = _run(IMPORT, practice.folder, export)
        assert again.stdout is not None
        assert again.stdout.readline() == "working\n"
        start = time.monotonic()
        _, errors = again.communicate(timeout=120)
        assert again.returncode == 0, errors
        spent = time.monotonic() - start
        whole = _rows(practice.folder)
        assert whole["seen"] == whole["visit"] == whole["visit_case"] == N_LINES // 4
        assert (whole["dog"], whole["owner"]) == (N_PATIENTS, N_PATIENTS // 2)
        records, _ = open_all(practice)
        take_back(records, imported_files(records)[-1].id)
        records.close()
        assert _rows(practice.folder) == nothing
    with capsys.disabled():
        print(
            f"\n{KILLS} kills of an export: {sum(map(bool, seen))} were in by then, {half_way} had "
            "left rows that nothing saw and the next start took away"
        )
