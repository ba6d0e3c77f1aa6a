"""The clock's process: it leaves off in the middle of a job, tells of a slip in the settings."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime

import pytest

from forecast.practice import create_practice, open_practice
from forecast.records import RecordsError, open_records
from forecast.records.notices import notices
from forecast.records.requests import ask
from forecast.records.runs import runs
from jobs.clock_lock import running_clock
from jobs.clock_process import Look
from jobs.job import Job
from jobs.opening import open_all

NOW = datetime(2022, 6, 28, 20, 10, tzinfo=UTC)
WORK = """
import sys, time
from jobs.clock_process import run_clock
from jobs.job import Job
def work(task):
    print("begun", flush=True)
    for _ in range(1200):
        time.sleep(0.05)
        if sys.argv[2] == "tells":
            task.result.tell(0.5)
sys.exit(run_clock(sys.argv[1], ready=lambda practice: None, jobs=[Job("issue", "works", work)]))
"""


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@pytest.mark.long
def test_a_second_clock_on_the_same_database_is_refused(tmp_path, small_settings, postgresql):
    """Two processes, each with a folder of its own, as on two machines; one sentence, code 2."""
    with postgresql.emptied() as url:
        text = f'{small_settings}\n[records]\nurl = "{url}"\n'
        here, there = (create_practice(tmp_path / name, text, now=NOW) for name in ("a", "b"))
        run = "from jobs.cli import program; program()"
        words = [sys.executable, "-c", run, "clock", "--practice"]
        with subprocess.Popen([*words, str(here.folder)], stderr=subprocess.PIPE) as first:
            while running_clock(here) is None:
                assert first.poll() is None, first.communicate()
                time.sleep(0.05)
            second = subprocess.run(
                [*words, str(there.folder)], capture_output=True, text=True, timeout=120
            )
            assert second.returncode == 2
            (sentence,) = second.stderr.strip().splitlines()
            assert "a clock runs already on these records" in sentence
            first.send_signal(signal.SIGTERM)
            _, said = first.communicate(timeout=60)
            assert first.returncode == 0, said


@pytest.mark.parametrize(
    ("how", "state"),
    [("tells", "stopped"), pytest.param("is deaf", "swept", marks=pytest.mark.long)],
)
def test_told_to_end_it_leaves_off_in_the_middle_of_a_job(practice, how, state):
    """Exit code 0 either way; a job that does not listen is settled at the next opening."""
    words = [sys.executable, "-c", WORK, str(practice.folder), how]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"begun\n"
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=60)
        assert process.returncode == 0, said
    records, _ = open_all(open_practice(practice.folder))
    assert [(run.job, run.state) for run in runs(records)] == [("issue", state)]


def look_of(practice, jobs=(), **options) -> Look:
    """Make the clock's look, without a process."""
    given = {"look_at_lock": lambda: None} | options
    return Look(practice, jobs, stop=threading.Event(), idle=threading.Event(), failed=[], **given)


def test_a_slip_in_practice_toml_is_told_and_nothing_runs_until_it_is_mended(practice):
    """By the settings of before, once; and it is over when the text is in order again."""
    ran: list[str] = []
    jobs = [Job("issue", "works", lambda task: ran.append("issue"))]
    look = look_of(practice, jobs)
    text = practice.settings_file.read_text()
    practice.settings_file.write_text(text + "\n[clock]\nisue = 5\n")
    look()
    look()
    records = open_records(practice)
    (told,) = notices(records)
    assert (told.about, told.over_at) == ("practice.toml", None)
    assert "nothing runs until it is mended" in told.sentence
    assert ran == []
    practice.settings_file.write_text(text)
    look()
    (told,) = notices(records)
    assert told.over_at is not None
    assert ran == ["issue"]


def test_records_that_are_away_are_waited_for(practice, monkeypatch, caplog):
    """It is logged once and not every minute, and once more when they are back."""
    look = look_of(practice)

    def away(*_: object, **__: object) -> None:
        raise RecordsError("the records could not be used")

    with caplog.at_level("INFO", logger="forepaw.clock"):
        monkeypatch.setattr("jobs.clock_process.tick", away)
        look()
        look()
        monkeypatch.undo()
        look()
    assert [record.msg for record in caplog.records] == [
        "could not look what is due",
        "looks what is due again",
    ]
    assert look.idle.is_set()


def test_a_clock_that_lost_its_lock_ends(practice):
    """With what the lock says; nothing is run any more."""

    def lost() -> None:
        raise RecordsError("another process holds it")

    look = look_of(practice, look_at_lock=lost)
    look()
    assert look.stop.is_set()
    assert [str(error) for error in look.failed] == ["another process holds it"]
    assert runs(open_records(practice)) == []


def test_a_request_is_taken_up_without_waiting_for_the_minute(practice):
    """Only where one waits, and not in the middle of another look."""
    ran: list[str] = []
    jobs = [
        Job("plan", "works", lambda task: ran.append("plan"), has_work=lambda *_: False),
        Job("send", "works", lambda task: ran.append("send"), has_work=lambda *_: True),
    ]
    look, records = look_of(practice, jobs), open_records(practice)
    look.if_asked(records)
    assert ran == []
    ask(records, "plan", {}, asked_by="a1", asked_at=datetime.now(UTC))
    with look.one_at_a_time:
        look.if_asked(records)
    assert ran == []
    look.if_asked(records)
    assert ran == ["plan", "send"], "it is a look like any other"
    look.if_asked(records)
    assert ran == ["plan", "send"]
    records.close()
