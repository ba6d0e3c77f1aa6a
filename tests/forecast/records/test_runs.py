"""The run ledger's own questions: who started a run, how far it is, which was last."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from forecast.records.runs import (
    finish_run,
    last_runs,
    note_cut,
    report_run_progress,
    running_runs,
    runs,
    start_run,
)

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)

DAY = date(2024, 5, 31)


def ran(records, job, minutes, state="done"):
    at = NOW + timedelta(minutes=minutes)
    run = start_run(records, job, local_date=DAY, started_at=at, started_by="clock")
    if state != "running":
        finish_run(records, run.id, state=state, n_rows=1, seconds=2.0, result="said")
    return run


def test_a_run_tells_who_started_it_how_far_it_is_and_its_cut(records):
    """What is told after it has ended changes nothing."""
    hand = start_run(records, "learn", local_date=DAY, started_at=NOW)
    clock = start_run(records, "issue", local_date=DAY, started_at=NOW, started_by="clock")
    report_run_progress(records, clock.id, 0.5)
    note_cut(records, clock.id, {"origin": "2024-05-31"})
    found = {run.id: run for run in runs(records)}
    assert (found[hand.id].started_by, found[hand.id].progress) == ("hand", None)
    assert (found[clock.id].started_by, found[clock.id].progress) == ("clock", 0.5)
    assert found[clock.id].cut == {"origin": "2024-05-31"}
    finish_run(records, clock.id, state="done", n_rows=None, seconds=1.0, result="")
    report_run_progress(records, clock.id, 0.9)
    assert {run.id: run.progress for run in runs(records)}[clock.id] == 0.5
    assert [run.id for run in running_runs(records)] == [hand.id]


def test_the_last_run_of_each_job_and_the_last_that_ended_well(records):
    """Of each job one, whatever others did meanwhile."""
    ran(records, "issue", 0)
    done, failed = ran(records, "issue", 1), ran(records, "issue", 2, "failed")
    learnt = ran(records, "learn", -60)
    assert {job: run.id for job, run in last_runs(records).items()} == {
        "issue": failed.id,
        "learn": learnt.id,
    }
    assert last_runs(records, states=("done",))["issue"].id == done.id
    assert last_runs(records, states=("swept",)) == {}


def test_runs_since_a_moment(records):
    """That moment is among them."""
    ran(records, "issue", 0)
    later = [ran(records, "issue", 1), ran(records, "learn", 2)]
    since = NOW + timedelta(minutes=1)
    assert [run.id for run in runs(records, since=since)] == [run.id for run in later]
    assert [run.id for run in runs(records, job="learn", since=since)] == [later[1].id]
