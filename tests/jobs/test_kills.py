"""Killed at any moment: the practice opens in the old state or the new, the next start completes.

Five kills unless FOREPAW_LONG is set to ``whole``; then a hundred of the clock's jobs, and fifty of
the import of a big export.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from disk_that_fills import NoFileGrows
from local_server import LocalServer
from month_world import DAY, Month, Plan, at
from sqlalchemy import func, select

from forecast.backup import backups
from forecast.backup.archive import check_archive
from forecast.issuing import read_issue
from forecast.practice import create_practice, open_practice, template
from forecast.records import open_records, visits
from forecast.records.imports import imported_files
from forecast.records.issues import issues
from forecast.records.runs import JobRun, runs
from forecast.records.tables import metadata
from forecast.training import read_model
from forecast.visits import take_back
from jobs.clock import tick
from jobs.drop import look
from jobs.imports import import_file
from jobs.opening import open_all
from jobs.registry import find_job

IS_WHOLE = os.environ.get("FOREPAW_LONG") == "whole"
KILLS, CLOCK_KILLS = (50, 100) if IS_WHOLE else (5, 5)
FIRST_GUESS = 6.0  # seconds a worker takes; measured anew after each
FIRST_GUESSES = {"pull weather": 1, "take visits": 1, "learn": 1, "issue": 4, "back-up": 1}


# ------------------------------------------------------------------------------ the clock's jobs
# One look of the clock at a moment, for one job alone; it says when it begins.
LOOK = """
import sys, time
from datetime import datetime
import forecast.backup, forecast.dosing.desk, jobs.drop, jobs.outputs, jobs.pull, jobs.tidy
from jobs.clock import tick
from jobs.registry import find_job
from jobs.sources.limits import Clock
now = datetime.fromisoformat(sys.argv[2])
clock = Clock(now=lambda: now, monotonic=time.monotonic, sleep=lambda seconds: None)
print("working", flush=True)
tick(sys.argv[1], now, jobs=[find_job(sys.argv[3])], source_clock=clock)
"""
# When each is killed on a Sunday, in the order of the day [h].
TIMES = {"pull weather": 3.5, "take visits": 4.2, "learn": 4.5, "issue": 5.0, "back-up": 23.5}
ENDED_WELL = {"done", "completed"}
STATES = {*ENDED_WELL, "failed", "swept", "cut short"}
BEGIN = date(2026, 3, 1)  # a Sunday


@dataclass(frozen=True)
class State:
    """What a practice holds, all of it found whole."""

    n_visits: int
    n_issues: int
    newest_backup: str
    newest_weather: pd.Timestamp
    newest_model: date


def state_of(folder: Path, now: datetime) -> State:
    """Open the practice as the next command would, and count what it holds; all must be whole."""
    practice = open_practice(folder, now=now)
    records, store = open_all(practice)
    rows = issues(records)
    assert {row.file for row in rows} == {one.name for one in practice.issued_folder.glob("*.nc")}
    for row in rows:
        assert read_issue(practice.issued_folder / row.file).hash == row.file_sha256
    for kept in (practice.issued_folder, practice.trained_folder):
        assert not list(kept.rglob(".*.part"))
    models = [read_model(file) for file in practice.trained_folder.glob("*.nc")]
    assert {run.state for run in runs(records)} <= STATES
    with records.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA quick_check").all() == [("ok",)]
    made = sorted(backups(practice.backups_folder))
    for file in made[-2:]:
        check_archive(file, tell=lambda n_bytes: None)
    tas = store.weather(sources=["nasa_power"])["tas"]
    newest = tas.dropna("time", how="any")["time"].to_index()
    assert len(newest) == (newest[-1] - newest[0]).days + 1, "days are missing in the midst"
    found = State(
        len(visits.visits(records)),
        len(rows),
        made[-1].name,
        newest[-1],
        max(model.cut.origin for model in models),
    )
    records.close()
    return found


def runs_since(folder: Path, job: str, now: datetime) -> list[JobRun]:
    """Return the runs of a job that began at or after a moment."""
    records = open_records(open_practice(folder, now=now))
    found = runs(records, job=job, since=now)
    records.close()
    return found


@pytest.fixture
def kept_running(tmp_path: Path) -> Iterator[Month]:
    """Give a practice whose clock has looked once: it has pulled, learnt, issued and backed up."""
    never = (at(BEGIN, 0), at(BEGIN, 0))
    plan = Plan(BEGIN, 0, off=never, filling=never[0], full=never, down=never, every=DAY)
    with LocalServer() as services, LocalServer() as person:
        world = Month(plan, NoFileGrows(tmp_path), services, person)
        world.begin()
        services.heal()
        world.look(plan.begin)
        assert world.refused == []
        yield world


def kill_a_look(folder: Path, now: datetime, job: str, after: float) -> bool:
    """Let another process look, and kill it after some seconds; say whether it was at work."""
    words = [sys.executable, "-c", LOOK, str(folder), now.isoformat(), job]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as worker:
        assert worker.stdout is not None
        assert worker.stdout.readline() == b"working\n", worker.communicate()
        try:
            worker.wait(after)
        except subprocess.TimeoutExpired:
            worker.send_signal(signal.SIGKILL)
        _, errors = worker.communicate()
        assert worker.returncode in (0, -signal.SIGKILL), errors
        return worker.returncode != 0


def look_again(world: Month, job: str, now: datetime) -> None:
    """Let the next clock look, for that job alone."""
    world.clock.moment = now
    tick(world.folder, now, jobs=[find_job(job)], source_clock=world.clock.clock)


@pytest.mark.long
def test_the_clock_killed_at_any_moment_leaves_the_old_state_or_the_new(kept_running, capsys):
    """Sunday after Sunday each of its jobs is killed; the look twenty minutes later completes it.

    Visits are all there or not there; rows and files agree; no file that has its name is broken;
    nothing that was there before is gone; and the job has one success for its date in the end.
    """
    world, rng = kept_running, random.Random(7)
    folder, spent = world.folder, dict[str, float](FIRST_GUESSES)
    seen: Counter[tuple[str, str]] = Counter()
    began = time.monotonic()
    for kill in range(CLOCK_KILLS):
        job, sunday = list(TIMES)[kill % len(TIMES)], BEGIN + (7 + 7 * (kill // len(TIMES))) * DAY
        now = at(sunday, TIMES[job]) + timedelta(minutes=1)
        world.power.today, n_visits = sunday, 0
        if job == "take visits":
            n_visits = world.export(sunday)
            look(open_practice(folder, now=now), now - timedelta(minutes=5))
        before = state_of(folder, now)
        was_at_work = kill_a_look(folder, now, job, spent[job] * rng.random())
        left = [run.state for run in runs_since(folder, job, now)]
        after = state_of(folder, now)
        found = [run.state for run in runs_since(folder, job, now)]
        assert left in ([], ["running"], found)
        seen[job, found[0] if found and was_at_work else "over" if found else "not begun"] += 1
        new = State(
            before.n_visits + n_visits,
            before.n_issues + (job == "issue"),
            f"forepaw-{now:%Y%m%d}" if job == "back-up" else before.newest_backup,
            pd.Timestamp(sunday - 3 * DAY) if job == "pull weather" else before.newest_weather,
            sunday if job == "learn" else before.newest_model,
        )
        is_old_or_new(before, after, new)
        start = time.monotonic()
        look_again(world, job, now + timedelta(minutes=20))
        if not set(found) & ENDED_WELL:
            spent[job] = time.monotonic() - start
        done = state_of(folder, now + timedelta(minutes=30))
        is_old_or_new(new, done, replace(new, n_issues=done.n_issues))
        # killed after it had issued, while it drew charts: it is issued again
        assert done.n_issues - new.n_issues in (0, 1 if after.n_issues == new.n_issues else 0)
        if job != "take visits":
            well = [run for run in runs_since(folder, job, now) if run.state in ENDED_WELL]
            assert [run.local_date for run in well] == [sunday]
    assert any(state in ("swept", "completed", "cut short") for _, state in seen)
    with capsys.disabled():
        print(f"\n{CLOCK_KILLS} kills in {time.monotonic() - began:.0f} s; the runs were found")
        print(pd.Series(seen).unstack(fill_value=0).to_string())


def is_old_or_new(old: State, found: State, new: State) -> None:
    """Check that each thing is as it was, or as it is to be."""
    for name, value in vars(found).items():
        was, is_to_be = getattr(old, name), getattr(new, name)
        begins = name == "newest_backup" and value.startswith(is_to_be)
        assert value in (was, is_to_be) or begins, (name, was, value, is_to_be)


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


def _run(work: str, folder: Path, file: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", work, str(folder), str(file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


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
