"""The run ledger: a run is there before it starts, and how it ended is there after."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from forecast.practice import create_practice
from forecast.records import open_records
from forecast.records.runs import runs
from jobs.ledger import recorded_run

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
