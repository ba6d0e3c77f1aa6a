"""The clock's commands: be it, see what is due, run one job."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest

from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.notices import raise_notice
from forecast.records.requests import ask, requests
from forecast.records.runs import finish_run, runs, start_run
from jobs.by_hand import run_by_hand
from jobs.clock_lock import one_clock, running_clock
from jobs.console_clock import show_jobs

NOW = datetime(2022, 6, 28, 20, 10, tzinfo=UTC)  # 05:10 on Wednesday the 29th in Seoul
FOREPAW = [sys.executable, "-c", "from jobs.cli import program; program()"]


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@contextmanager
def clock(practice):
    """Let a process be the clock, and hand it out once it is."""
    words = [*FOREPAW, "clock", "--practice", str(practice.folder)]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
        try:
            until = time.monotonic() + 60
            while running_clock(practice) is None:
                assert process.poll() is None, process.stderr.read()
                assert time.monotonic() < until
                time.sleep(0.05)
            yield process
        finally:
            process.kill()


def test_a_job_run_by_hand_says_what_came_of_it(practice, forepaw):
    """Where no clock runs it runs here, as a hand's; its failure is exit code 1, in full."""
    done = forepaw("run", "Housekeeping", "--practice", practice.folder)
    assert (done.code, done.out) == (0, "housekeeping: done. nothing was kept too long")
    failed = forepaw("run", "learn", "--practice", practice.folder)
    assert failed.code == 1
    assert failed.out.startswith("learn: failed. the climate store holds no weather yet; fetch it")
    records = open_records(practice)
    found = [(run.job, run.state, run.started_by) for run in runs(records)]
    assert found == [("housekeeping", "done", "hand"), ("learn", "failed", "hand")]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("lern",), "did you mean 'learn'"),
        (("send", "--as-of", "2022-06-01"), "it runs as of the present day alone"),
        (("issue", "--as-of", "June"), "write it as YYYY-MM-DD"),
    ],
)
def test_a_job_that_cannot_be_meant_is_refused(practice, forepaw, words, told):
    """Nothing is run."""
    refused = forepaw("run", *words, "--practice", practice.folder)
    assert refused.code == 2
    assert told in refused.err
    assert runs(open_records(practice)) == []


def test_while_the_clock_runs_a_job_is_asked_of_it(practice):
    """Whoever asks waits for its end; here the clock ends first, and the request stays."""
    records, said = open_records(practice), []
    with one_clock(practice, records):
        asked = ask(records, "issue", {}, asked_by="command line", asked_at=NOW)
        holder = iter([asked])

        def end_it(seconds: float) -> None:
            from forecast.records.requests import claim, finish_request

            claim(records, now=NOW)
            finish_request(records, next(holder).id, state="done", result="issue 1", now=NOW)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("jobs.by_hand.time.sleep", end_it)
            ran = run_by_hand(practice, "issue", as_of=None, say=said.append)
    assert (ran.state, ran.sentence, ran.is_well) == ("done", "issue 1", True)
    assert said == ["the clock of this practice runs: it is asked, and its next look takes it up"]
    assert len(requests(records)) == 1


def test_jobs_shows_what_ran_what_is_due_and_what_goes_on(practice, monkeypatch, capsys):
    """On 80 columns: every job, its last run, when it runs next, requests and troubles."""
    records = open_records(practice)
    at = NOW - timedelta(minutes=5)
    for job, state, said in (("learn", "done", "model 1"), ("issue", "failed", "no weather")):
        run = start_run(records, job, local_date=practice.today, started_at=at, started_by="clock")
        finish_run(records, run.id, state=state, n_rows=None, seconds=75.0, result=said)
    start_run(records, "plan", local_date=practice.today, started_at=NOW, started_by="clock")
    ask(records, "back-up", {}, asked_by="command line", asked_at=NOW)
    raise_notice(records, "issue", "no weather", now=NOW)
    monkeypatch.setattr("jobs.console.console._width", 80)
    show_jobs(practice, records)
    out = capsys.readouterr().out
    lines = [line.rstrip() for line in out.splitlines()]
    assert max(map(len, lines)) <= 80
    assert "  No clock runs: start it with `forepaw clock`, or as a service." in lines
    assert "Jobs (times of Asia/Seoul)" in lines
    row = {line.split("  ")[1]: line for line in lines if line.startswith("  ")}
    # it began at 05:05 and ended after 75 s; by the table it is tried again 15 min after that
    assert "Wed 29 Jun 05:05" in row["issue"]
    assert "failed, 1 min" in row["issue"]
    assert "Wed 29 Jun 05:21" in row["issue"]
    assert "Sun 03 Jul 04:30" in row["learn"]
    assert "runs now" in row["plan"]
    assert "never" in row["verify"]
    assert "  back-up: waiting since Wed 29 Jun 05:10" in lines
    assert "  issue, since Wed 29 Jun 05:10: no weather" in lines


@pytest.mark.long
def test_the_clock_runs_what_is_due_alone_and_ends_when_told(practice):
    """A process: it settles to work, refuses a second, takes up a request, ends with 0."""
    with clock(practice) as process:
        second = subprocess.run(
            [*FOREPAW, "clock", "--practice", str(practice.folder)],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert second.returncode == 2
        assert f"runs already: process {process.pid} on" in second.stderr
        until = time.monotonic() + 60
        records = open_records(practice)
        while not any(run.state == "failed" for run in runs(records)):  # there are no data
            assert time.monotonic() < until
            time.sleep(0.1)
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=30)
        assert process.returncode == 0, said
        assert "The clock of Made up runs; its times are those of Asia/Seoul." in " ".join(
            said.split()
        )
    assert {run.started_by for run in runs(records)} == {"clock"}
    assert running_clock(open_practice(practice.folder)) is None
