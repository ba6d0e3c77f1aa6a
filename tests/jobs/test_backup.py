"""Back-ups at the command line, while others write; killed at any moment; restored bit for bit.

In the long test a process imports, learns and issues all the while; five kills unless FOREPAW_LONG
is set to ``whole``, then fifty.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import text

from forecast.backup import backups
from forecast.backup.archive import check_archive
from forecast.climate import open_climate
from forecast.practice import RESTORING_FILE, PracticeError, open_practice
from forecast.records import open_records
from forecast.records.issues import issues
from forecast.records.runs import runs
from forecast.remaking import remake
from jobs.opening import open_all

KILLS = 50 if os.environ.get("FOREPAW_LONG") == "whole" else 5
FOREPAW = [sys.executable, "-c", "from jobs.cli import program; program()"]
# Says a line for each round of work that is done; goes on until it is ended.
BUSY = """
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
import numpy as np
from forecast.practice import open_practice
from jobs.imports import import_file
from jobs.issue import issue
from jobs.learn import learn
from jobs.ledger import recorded_run
from jobs.opening import open_all
folder, scratch, issuing = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3] == "issuing"
say = lambda text: None
practice = open_practice(folder)
records, climate = open_all(practice)
last = climate.weather().isel(time=[-1]).load()
for n in range(10_000):
    with recorded_run(practice, records, "busy", local_date=practice.today, cut=None) as run:
        day = last.assign_coords(time=last["time"] + np.timedelta64(n + 1, "D"))
        climate.append_weather(
            day, source="busy", licence="open", credit="made up", run_id=run.run_id,
            retrieved_at=datetime.now(UTC),
        )
    file = scratch / "busy.csv"
    rows = [f"B{n}-{m},2022-06-24,n1,D01,other" for m in range(50)]
    file.write_text("visit,date,branch,dog,kind\\n" + "\\n".join(rows) + "\\n")
    import_file(practice, "visits", file)
    if issuing:
        model, known = learn(
            practice, records, climate, origin=date(2022, 6, 28) + timedelta(days=n), say=say
        )
        issue(practice, records, climate, model=model, known=known, say=say)
    print("round", n, flush=True)
"""


@contextmanager
def busy(folder: Path, scratch: Path, *, how: str) -> Iterator[subprocess.Popen[str]]:
    """Let another process import, commit weather and, if asked, issue, until the block ends."""
    words = [sys.executable, "-c", BUSY, str(folder), str(scratch), how]
    errors = scratch / "busy.err"
    with errors.open("w") as err:
        worker = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=err, text=True)
    try:
        assert worker.stdout is not None
        assert worker.stdout.readline() == "round 0\n", errors.read_text()
        yield worker
        assert worker.poll() is None, errors.read_text()
    finally:
        worker.kill()
        worker.communicate()


def n_rounds(folder: Path) -> int:
    """Return how many of its imports a practice holds: fifty visits each, seen or held, or none."""
    records = open_records(open_practice(folder))
    with records.reading() as connection:
        theirs = text("SELECT import_id, count(*) FROM visit WHERE reference LIKE 'B%' GROUP BY 1")
        found = connection.execute(theirs).all()
    records.close()
    assert {n_visits for _, n_visits in found} <= {50}, "half an import is there"
    return len(found)


def remade(folder: Path, *, only_newest: bool) -> int:
    """Make the issues of a practice again, bit for bit; return how many there are."""
    practice = open_practice(folder)
    records, climate = open_all(practice)
    rows = issues(records)
    for row in rows[-1:] if only_newest else rows:
        again = remake(practice, records, climate, issue_id=row.id)
        assert again.same_arrays, again.sentence
        assert again.issue.has_draws
    assert {path.name for path in practice.issued_folder.glob("*.nc")} == {r.file for r in rows}
    states = {run.state for run in runs(records)}
    assert states <= {"done", "completed", "swept", "cut short"}, states
    records.close()
    return len(rows)


@pytest.mark.long
def test_what_is_restored_is_issued_again_bit_for_bit_though_others_were_writing(
    practice_folder, tmp_path, forepaw
):
    """Three back-ups while weather is committed and visits are imported, each restored."""
    with busy(practice_folder, tmp_path, how="importing"):
        for _ in range(3):
            made = forepaw("backup", "--practice", practice_folder, "--to", tmp_path / "b")
            assert made.code == 0, made.err
            time.sleep(1.1)  # a back-up has the second as its name
    found = []
    for number, file in enumerate(backups(tmp_path / "b")):
        folder = tmp_path / f"restored{number}"
        done = forepaw("restore", file, "--to", folder)
        assert done.code == 0, done.err
        found.append(n_rounds(folder))
    assert found[0] >= 1
    assert found == sorted(found)
    assert found[-1] > found[0], "nobody wrote meanwhile, so this showed nothing"
    assert remade(folder, only_newest=True) == 1


@pytest.mark.long
def test_what_the_commands_say(practice_folder, tmp_path, forepaw):
    """What was written, how big, where; what was left out; and the runs are written down."""
    (practice_folder / "secrets" / "open_meteo.key").write_text("k")
    (practice_folder / "notes.txt").write_text("mine")
    made = forepaw("backup", "--practice", practice_folder)
    (file,) = backups(tmp_path / "practice-backups")
    size = file.stat().st_size / 1e6
    assert made.code == 0
    assert f"backed up: {file} {size:.1f} MB, " in made.out
    assert "left out: secrets (keys of services; --with-secrets takes them)" in made.out
    assert "not this service's own: notes.txt" in made.out
    assert "lies on the same disk" in made.out
    done = forepaw("restore", file, "--to", tmp_path / "new")
    assert done.code == 0
    assert "all as listed; the records are in the folder" in done.out
    assert "not in the back-up: secrets" in done.out
    assert "none so far" in done.out
    records = open_records(open_practice(tmp_path / "new"))
    told = [(run.job, run.state) for run in runs(records)][-2:]
    assert told == [("back-up", "completed"), ("restore", "done")]
    records.close()
    records = open_records(open_practice(practice_folder))
    last = runs(records)[-1]
    assert (last.job, last.state) == ("back-up", "done")
    assert last.result is not None
    assert last.result.startswith(file.name)
    records.close()


def test_a_back_up_that_lacks_an_issue_says_so_and_counts_as_failed(practice_folder, forepaw):
    """With exit code 1, so that a scheduler tells somebody."""
    (issued,) = (practice_folder / "issued").glob("*.nc")
    issued.unlink()
    made = forepaw("backup", "--practice", practice_folder)
    assert made.code == 1
    assert f"LACKING: issued/{issued.name}" in made.out
    records = open_records(open_practice(practice_folder))
    assert runs(records)[-1].state == "failed"
    records.close()


def test_refusals_are_one_sentence(practice_folder, tmp_path, forepaw):
    """On standard error, with exit code 2; nothing is written."""
    (tmp_path / "file").write_text("no archive")
    for words in (
        ("restore", tmp_path / "file", "--to", tmp_path / "new"),
        ("restore", tmp_path / "nowhere", "--to", tmp_path / "new"),
        ("backup", "--practice", practice_folder, "--to", tmp_path / "file" / "x"),
        ("backup", "--practice", tmp_path / "nowhere"),
    ):
        ran = forepaw(*words)
        assert (ran.code, len(ran.told)) == (2, 1), ran
    assert not (tmp_path / "new").exists()


def test_a_start_refuses_records_of_a_newer_version(practice_folder, forepaw):
    """Whatever the command; and the records stay as they are."""
    with closing(sqlite3.connect(practice_folder / "records.sqlite")) as connection:
        connection.execute("UPDATE schema_version SET version_num = '9999'")
        connection.commit()
    for command in ("backup", "issue", "plan"):
        ran = forepaw(command, "--practice", practice_folder)
        assert ran.code == 2
        (sentence,) = ran.told
        assert "schema 9999, made by a newer version of this service" in sentence
    with closing(sqlite3.connect(practice_folder / "records.sqlite")) as connection:
        assert connection.execute("SELECT version_num FROM schema_version").fetchone() == ("9999",)


def test_an_incomplete_restore_is_refused_by_commands(practice_folder, forepaw):
    """Each opens the practice by the one door."""
    (practice_folder / "restore-incomplete.txt").write_text("x")
    for words in (("issue",), ("backup",), ("import", "list"), ("sources",), ("allergens",)):
        ran = forepaw(*words, "--practice", practice_folder)
        assert ran.code == 2
        (sentence,) = ran.told
        assert "not restored to its end" in sentence


# ------------------------------------------------------------------------------------- long
@pytest.mark.long
def test_back_ups_while_others_learn_and_issue_are_whole(practice_folder, tmp_path, forepaw):
    """Every issue in every one of them is made again bit for bit."""
    with busy(practice_folder, tmp_path, how="issuing"):
        for _ in range(4):
            made = forepaw("backup", "--practice", practice_folder, "--to", tmp_path / "b")
            assert made.code == 0, made.err
            time.sleep(3)
    found = []
    for number, file in enumerate(backups(tmp_path / "b")):
        folder = tmp_path / f"restored{number}"
        done = forepaw("restore", file, "--to", folder)
        assert done.code == 0, done.err
        found.append((n_rounds(folder), remade(folder, only_newest=False)))
        shutil.rmtree(folder)
    assert found == sorted(found)
    assert found[-1][1] > found[0][1], "nothing was issued meanwhile, so this showed nothing"


def killed(words: list[str], seconds: float) -> bool:
    """Run a command and kill it after a while; say whether it was still running."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    try:
        _, errors = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.communicate()
        return True
    assert process.returncode == 0, errors
    return False


@pytest.mark.long
def test_a_back_up_killed_at_any_moment_spoils_nothing(practice_folder, tmp_path):
    """What has a back-up's name is whole; the practice opens; the next one takes the rest away."""
    rng = random.Random(11)
    folder = tmp_path / "b"
    words = [*FOREPAW, "backup", "--practice", str(practice_folder), "--to", str(folder)]
    start = time.monotonic()
    assert not killed(words, 120)
    spent, n_killed = time.monotonic() - start, 0
    for _ in range(KILLS):
        before = set(backups(folder))
        n_killed += killed(words, 0.3 * spent + spent * rng.random())
        for file in backups(folder):
            check_archive(file, tell=lambda n_bytes: None)
        assert before & set(backups(folder)), "the last good ones are gone"
        records, _ = open_all(open_practice(practice_folder))
        records.close()
    assert n_killed, "none was killed"
    time.sleep(1.1)
    assert not killed(words, 120)
    assert not list(folder.glob("*.part"))
    assert not (practice_folder / "backup.part").exists()


@pytest.mark.long
def test_a_restore_killed_at_any_moment_is_whole_or_refused(practice_folder, tmp_path, forepaw):
    """Never something that opens and is not all of it."""
    rng = random.Random(12)
    assert forepaw("backup", "--practice", practice_folder).code == 0
    (file,) = backups(tmp_path / "practice-backups")
    folder = tmp_path / "new"
    words = [*FOREPAW, "restore", str(file), "--to", str(folder)]
    start = time.monotonic()
    assert not killed(words, 120)
    spent = time.monotonic() - start
    for _ in range(KILLS):
        shutil.rmtree(folder, ignore_errors=True)
        killed(words, 0.3 * spent + 0.7 * spent * rng.random())
        if not folder.exists() or not any(folder.iterdir()):
            continue
        if (folder / RESTORING_FILE).exists():
            with pytest.raises(PracticeError, match="not restored to its end"):
                open_practice(folder)
            continue
        practice = open_practice(folder)
        records, _ = open_all(practice)
        assert len(issues(records)) == 1
        records.close()
        assert open_climate(practice).weather().sizes["region"] == 2
    shutil.rmtree(folder, ignore_errors=True)
    assert not killed(words, 120)
    assert remade(folder, only_newest=True) == 1
