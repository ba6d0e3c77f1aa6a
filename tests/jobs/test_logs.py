"""Logs: a closing line for each run, and never a name, whoever speaks."""

from __future__ import annotations

import io
import json
import logging
import warnings
from datetime import UTC, date, datetime

import pytest

from forecast.practice import create_practice
from forecast.records import open_records
from forecast.records.runs import JobRun, runs
from jobs.imports import import_file
from jobs.ledger import recorded_run
from jobs.logs import logger, logs, run_ended, tell

NAMES = ("Quillfeather", "Snortlewick", "Wobbleton")
RUN = JobRun(
    "abc", "issue", date(2026, 11, 26), None, "done", 2, 1.5, "issue x", datetime.now(UTC), "clock"
)


@pytest.fixture
def log():
    """Give a stream that logs go to, and what stands in it."""
    stream = io.StringIO()
    with logs(stream=stream, as_json=True):
        yield lambda: [json.loads(line) for line in stream.getvalue().splitlines()]


def test_a_run_is_told_in_one_line(log):
    """Job, local date, state, seconds, rows and the run's id; its sentence stays in the ledger."""
    run_ended(RUN)
    (line,) = log()
    assert datetime.fromisoformat(line.pop("time")).tzinfo is not None
    assert line == {
        "level": "info",
        "logger": "forepaw.runs",
        "message": "run ended",
        "job": "issue",
        "local_date": "2026-11-26",
        "state": "done",
        "seconds": 1.5,
        "rows": 2,
        "run": "abc",
        "started_by": "clock",
    }


def test_the_ledger_closes_each_run_with_a_line(log, tmp_path, small_settings):
    """Also one that is stopped by an error: the error's words are not told."""
    practice = create_practice(tmp_path / "practice", small_settings)
    records = open_records(practice)
    with recorded_run(practice, records, "plan", local_date=date(2026, 11, 26), cut=None):
        pass

    def stopped() -> None:
        with recorded_run(practice, records, "learn", local_date=date(2026, 11, 26), cut=None):
            raise ValueError("Ada Quillfeather lives here")

    with pytest.raises(ValueError, match="Quillfeather"):
        stopped()
    lines = log()
    assert [(one["job"], one["state"], one["level"]) for one in lines] == [
        ("plan", "done", "info"),
        ("learn", "failed", "error"),
    ]
    assert {one["run"] for one in lines} == {one.id for one in runs(records)}


def test_planted_names_never_reach_the_log(log, tmp_path, small_settings, capfd):
    """Of an import of owners and dogs, its bad rows and its file's name; at the finest level."""
    practice = create_practice(tmp_path / "practice", small_settings)
    file = tmp_path / "Wobbleton.csv"
    file.write_text(
        "dog,name,owner,species\nD1,Snortlewick,Ada Quillfeather,dog\n"
        "D2,Snortlewick,Ada Quillfeather,Quillfeather\n,Snortlewick,Quillfeather,dog\n"
    )
    stream = io.StringIO()
    with logs(level="debug", stream=stream, as_json=True):
        import_file(practice, "dogs", file)
    assert '"job": "import dogs"' in stream.getvalue()
    out, err = capfd.readouterr()
    told = stream.getvalue() + out + err + str(log())
    assert not [name for name in NAMES if name in told]


def test_an_error_is_told_by_its_kind_and_place(log):
    """Not by its words."""
    try:
        raise KeyError("Quillfeather")
    except KeyError:
        logger("clock").exception("could not look")
    (line,) = log()
    assert line["error"] == "KeyError"
    assert line["at"][-1].startswith("test_logs.py:")
    assert "Quillfeather" not in str(line)


def test_of_libraries_the_template_is_told_and_nothing_filled_in(log):
    """And of a text that was put together beforehand only that there was one."""
    other = logging.getLogger("some.library")
    other.warning("cannot read %s", "Quillfeather.csv")
    other.warning(f"cannot read {NAMES[0]}.csv")
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        warnings.warn("Ada Quillfeather", stacklevel=1)
    first, second, third = log()
    assert (first["message"], first["level"]) == ("cannot read %s", "warning")
    assert second["message"] == "said something"
    assert second["where"].startswith("test_logs:")
    assert third["logger"] == "py.warnings"
    assert "Quillfeather" not in str(log())


@pytest.mark.parametrize(
    ("name", "level", "told"),
    [
        ("alembic.runtime.migration", "info", False),
        ("alembic.runtime.migration", "warning", False),
        ("icechunk", "warning", False),
        ("apscheduler.scheduler", "error", True),
        ("some.library", "info", False),
        ("some.library", "warning", True),
        ("forepaw.clock", "info", True),
        ("forepaw.clock", "debug", False),
        ("forepawother", "info", False),
    ],
)
def test_who_is_heard(log, name, level, told):
    """Chatter is not; this service from the set level on, others from warnings on."""
    getattr(logging.getLogger(name), level)("x %s", 1)
    assert bool(log()) == told


def test_on_a_terminal_a_line_is_made_to_be_read():
    """Without id of a logger; what is empty is left out."""
    stream = io.StringIO()
    with logs(stream=stream, as_json=False):
        tell(logger("serve"), "started", child="clock", process=7, nothing=None, words="a b")
    assert stream.getvalue()[8:] == '  info     started child=clock process=7 words="a b"\n'


def test_after_the_block_nothing_is_logged():
    """Neither to the stream nor twice."""
    stream = io.StringIO()
    for _ in range(2):
        with logs(stream=stream, as_json=True):
            run_ended(RUN)
    run_ended(RUN)
    assert len(stream.getvalue().splitlines()) == 2
