"""The run ledger: a run is there before it starts, and how it ended is there after."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from forecast.practice import create_practice
from forecast.records import RecordsError, open_records
from forecast.records.runs import runs
from jobs.ledger import RunStoppedError, Starter, recorded_run, started_by

NOW = datetime(2022, 6, 28, 23, tzinfo=UTC)
DAY = date(2022, 6, 29)


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


def test_a_run_is_written_down_before_it_does_anything(practice):
    """With its job, its local day and its cut; a process killed here leaves that behind."""
    records = open_records(practice)
    cut = {"origin": "2022-06-29"}
    with recorded_run(practice, records, "issue", local_date=DAY, cut=cut) as result:
        (run,) = runs(records)
        assert (run.id, run.job, run.state) == (result.run_id, "issue", "running")
        assert (run.local_date, run.cut, run.started_at) == (DAY, cut, NOW)
        assert (run.n_rows, run.seconds, run.result) == (None, None, None)


def test_a_run_that_ends_well_says_what_it_did(practice):
    """Rows, seconds and a sentence."""
    records = open_records(practice)
    with recorded_run(practice, records, "plan", local_date=DAY, cut=None) as result:
        result.rows, result.sentence = 3, "3 plans"
    (run,) = runs(records)
    assert (run.state, run.n_rows, run.result, run.cut) == ("done", 3, "3 plans", None)
    assert 0 <= run.seconds < 60


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_a_run_that_is_stopped_says_by_what_kind_of_error_and_no_more(practice, error):
    """The error goes on; its text, which may hold a name, is not kept, nor what was said before."""
    records = open_records(practice)

    def stopped() -> None:
        with recorded_run(practice, records, "import dogs", local_date=DAY, cut=None) as result:
            result.sentence = "Quillfeather was read"
            raise error("Ada Quillfeather lives here")

    with pytest.raises(error, match="Quillfeather"):
        stopped()
    (run,) = runs(records)
    assert (run.state, run.result) == ("failed", f"stopped by {error.__name__}")


def test_runs_stand_beside_each_other(practice):
    """A run within a run: each has its own id and its own end."""
    records = open_records(practice)
    with recorded_run(practice, records, "learn", local_date=DAY, cut=None) as outer:
        with recorded_run(practice, records, "issue", local_date=DAY, cut=None) as inner:
            inner.sentence = "inner"
        outer.sentence = "outer"
    found = {run.job: (run.id, run.state, run.result) for run in runs(records)}
    assert found["learn"] == (outer.run_id, "done", "outer")
    assert found["issue"] == (inner.run_id, "done", "inner")
    assert outer.run_id != inner.run_id


def test_a_run_of_the_same_job_inside_is_the_same_run(practice):
    """Whoever runs a job writes it down; the job's own writing down adds its cut, and no row."""
    records = open_records(practice)
    with recorded_run(practice, records, "issue", local_date=DAY, cut=None) as outer:
        with recorded_run(practice, records, "issue", local_date=DAY, cut={"origin": "x"}) as inner:
            inner.rows, inner.sentence = 2, "issue 1"
        outer.sentence += "; figures drawn"
    (run,) = runs(records)
    assert inner.run_id == outer.run_id == run.id
    assert (run.cut, run.n_rows, run.result) == ({"origin": "x"}, 2, "issue 1; figures drawn")


def test_runs_are_written_down_as_whoever_starts_them(practice):
    """A hand, unless it is said otherwise; a run inside is the same starter's."""
    records = open_records(practice)
    with recorded_run(practice, records, "one", local_date=DAY, cut=None):
        pass
    with (
        started_by(Starter("clock")),
        recorded_run(practice, records, "two", local_date=DAY, cut=None),
        recorded_run(practice, records, "three", local_date=DAY, cut=None),
    ):
        pass
    with recorded_run(practice, records, "four", local_date=DAY, cut=None):
        pass
    starters = {run.job: run.started_by for run in runs(records)}
    assert starters == {"one": "hand", "two": "clock", "three": "clock", "four": "hand"}


def test_progress_is_written_down_at_most_once_a_second(practice, monkeypatch):
    """Told 0.1 and 0.2 at once, then 0.7 after a second and 1.4 after two: 0.1, 0.7 and 1."""
    records, seconds, heard = open_records(practice), [100.0], []
    monkeypatch.setattr("jobs.ledger.time.monotonic", lambda: seconds[0])

    def stands() -> float | None:
        return runs(records)[0].progress

    with (
        started_by(Starter("request", hears_progress=heard.append)),
        recorded_run(practice, records, "issue", local_date=DAY, cut=None) as result,
    ):
        assert stands() is None
        result.tell(0.1)
        result.tell(0.2)
        assert stands() == 0.1
        seconds[0] += 1.0
        result.tell(0.7)
        assert stands() == 0.7
        seconds[0] += 1.0
        result.tell(1.4)
        assert stands() == 1.0
    assert heard == [0.1, 0.7, 1.4]


def test_news_that_cannot_be_written_down_stop_no_run(practice, monkeypatch):
    """It is tried once."""
    records, tries = open_records(practice), []

    def refuse(*_: object) -> None:
        tries.append(1)
        raise RecordsError("the records were busy")

    monkeypatch.setattr("jobs.ledger.report_run_progress", refuse)
    monkeypatch.setattr("jobs.ledger.PROGRESS_EVERY_SECONDS", 0.0)
    with recorded_run(practice, records, "issue", local_date=DAY, cut=None) as result:
        result.tell(0.1)
        result.tell(0.2)
    assert runs(records)[0].state == "done"
    assert tries == [1]


def test_a_run_that_must_stop_leaves_off_where_it_tells_of_itself(practice):
    """It is written down as stopped, which is no failure; nothing in the job catches it."""
    records, reached = open_records(practice), []

    def leave_off() -> None:
        with (
            started_by(Starter("clock", must_stop=lambda: bool(reached))),
            recorded_run(practice, records, "issue", local_date=DAY, cut=None) as result,
        ):
            result.tell(0.1)
            reached.append("first")
            try:
                result.tell(0.2)
            except Exception:
                reached.append("caught")
            reached.append("second")

    with pytest.raises(RunStoppedError):
        leave_off()
    assert reached == ["first"]
    (run,) = runs(records)
    assert (run.state, run.progress) == ("stopped", 0.1)
