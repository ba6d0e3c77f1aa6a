"""From what the clock meets to a person's mail: jobs that fail, and what only a look finds."""

from __future__ import annotations

from collections import namedtuple
from datetime import UTC, datetime, timedelta

import pytest
from mail_server import mail_server

from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.notices import notices
from forecast.records.runs import runs
from jobs.clock import tick
from jobs.doctor import machine
from jobs.job import Job
from jobs.notices import raise_for
from jobs.registry import find_job
from jobs.watch import WATCHED, watch, watch_is_due
from models.errors import ForepawError

NIGHT = datetime(2026, 11, 25, 18, 30, tzinfo=UTC)  # 03:30 in Seoul
HOUR = timedelta(hours=1)
GB = 10**9
MAIL = """
[notices.mail]
to = ["office@practice.example"]
from = "forepaw@practice.example"
host = "127.0.0.1"
port = {port}
security = "none"
"""


@pytest.fixture
def make(tmp_path, small_settings):
    return lambda more="": create_practice(tmp_path / "practice", small_settings + more, now=NIGHT)


def free(monkeypatch, gigabytes: float) -> None:
    usage = namedtuple("Usage", "total used free")(100 * GB, 0, int(gigabytes * GB))
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda path: usage)


def open_about(records) -> set[str]:
    return {one.about for one in notices(records, open_only=True)}


def test_what_is_watched_exists():
    """Each name is one of the doctor's."""
    from jobs.doctor.examining import EXAMINATIONS

    assert set(WATCHED) <= {name for name, _ in EXAMINATIONS}


def test_a_disk_that_fills_is_told_before_it_is_full(make, monkeypatch):
    """As trouble while below the limit, with what to do; over when there is room again."""
    practice = make()
    records = open_records(practice)
    free(monkeypatch, 3)
    assert "disk space" in watch(practice, records, now=NIGHT)
    (held,) = [one for one in notices(records) if one.about == "disk space"]
    assert held.sentence.startswith("3.0 GB are free (make room")
    free(monkeypatch, 50)
    assert "disk space" not in watch(practice, records, now=NIGHT + HOUR)
    assert "disk space" not in open_about(records)


def test_what_is_not_known_changes_nothing(make):
    """A trouble is over where it was seen to be over: not where settings cannot be read."""
    practice = make()
    records = open_records(practice)
    raise_for(records, "sources", "nasa_power is stale", now=NIGHT)
    text = practice.settings_file.read_text()
    practice.settings_file.write_text("[practice\n")
    watch(practice, records, now=NIGHT + HOUR)
    assert "sources" in open_about(records)
    practice.settings_file.write_text(text)
    watch(practice, records, now=NIGHT + 2 * HOUR)
    assert "sources" not in open_about(records)


def test_it_looks_every_three_hours(make):
    """By the ledger, so that a clock that starts anew does not look again at once."""
    practice = make()
    records = open_records(practice)
    jobs = [find_job("watch")]
    for half_hour in range(13):  # a little more than half hours: a look takes time itself
        tick(practice.folder, NIGHT + half_hour * timedelta(minutes=30, seconds=20), jobs=jobs)
    assert [run.job for run in runs(records)] == ["watch"] * 3
    assert not watch_is_due(open_practice(practice.folder, now=NIGHT + 7 * HOUR), records)


def test_a_job_that_fails_for_a_day_is_two_mails(make):
    """The clock looks each half hour for a day and a half: it began, it is over."""
    fails = {"it": True}

    def work(task) -> None:
        if fails["it"]:
            raise ForepawError("Ada Quillfeather's file is in the way")

    with mail_server() as (taken, port):
        practice = make(MAIL.format(port=port))
        jobs = [Job("plan", "is a test's", work), find_job("send")]
        for half_hour in range(72):
            fails["it"] = half_hour < 40
            tick(practice.folder, NIGHT + half_hour * HOUR / 2, jobs=jobs)
        records = open_records(practice)
        states = [run.state for run in runs(records, job="plan")]
        assert states.count("failed") > 4
        assert states[-1] == "done"
        assert [mail["Subject"] for mail in taken.mails] == [
            "Made up: plan wants attention",
            "Made up: plan is in order again",
        ]
        assert "Quillfeather" not in "".join(mail.get_content() for mail in taken.mails)
