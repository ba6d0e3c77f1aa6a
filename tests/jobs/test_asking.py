"""What people ask of the clock beyond its own jobs: arguments checked, outcomes kept in full."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from forecast.outcomes import Outcome, forget_outcomes, keep_outcome, outcome_of
from forecast.practice import Practice, create_practice, template
from forecast.records import Records, open_records
from forecast.records.notices import notices
from forecast.records.requests import ask, request
from forecast.records.runs import runs
from forecast.uploads import keep_upload, uploads
from jobs import plan as plan_job
from jobs.asking import ASKED_FOR
from jobs.clock import tick
from jobs.job import UnknownJobError
from jobs.registry import JOBS, find_job

NOW = datetime(2023, 3, 1, 8, 0, tzinfo=UTC)
BRANCHES = b"id,name,region,open_days\nmain,Main,seoul,mon tue\nother,Other,nowhere,mon\n"


@pytest.fixture
def practice(tmp_path) -> Practice:
    return create_practice(tmp_path / "practice", template(), now=NOW)


@pytest.fixture
def records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    yield opened
    opened.close()


def asked(practice, records, kind, arguments, *, minute=0):
    """Ask, let the clock look, and return what became of it."""
    now = NOW + timedelta(minutes=minute)
    made = ask(records, kind, arguments, asked_by="a1", asked_at=now)
    tick(practice.folder, now, jobs=())
    return request(records, made.id)


def test_none_of_them_is_due_or_run_by_its_name():
    """They need a file or a number; `forepaw import` has them for a hand."""
    assert not {job.name for job in JOBS} & {job.name for job in ASKED_FOR}
    for job in ASKED_FOR:
        with pytest.raises(UnknownJobError):
            find_job(job.name)


def test_a_register_is_taken_in_and_what_came_of_it_kept_in_full(practice, records):
    """The ledger has numbers, the practice folder the sentence; the file goes."""
    file = io.BytesIO(BRANCHES)
    kept = keep_upload(practice, file, name="b.csv", kind="branches", brought_by="a1")
    done = asked(practice, records, "import branches", {"upload": kept.id})
    assert (done.state, done.result) == ("done", "1 findings")
    assert [(run.job, run.state, run.started_by) for run in runs(records)] == [
        ("import branches", "done", "request")
    ]
    outcome = outcome_of(practice, done.run_id)
    assert outcome.sentence.startswith("b.csv: 1 branches of 2 rows imported; 1 rows left out")
    assert outcome.import_id == 1
    assert len(outcome.remarks) == 1
    assert uploads(practice) == []


@pytest.mark.parametrize(
    ("kind", "arguments", "words"),
    [
        ("import branches", {}, "a request must say which upload"),
        ("import branches", {"upload": "../practice.toml"}, "no such file waits"),
        ("accept import", {"import": "1; DROP TABLE"}, "must name an import by its number"),
        ("accept import", {"import": 7}, "there is no such import"),
        ("undo import", {"import": 7}, "there is no such import"),
        ("import again", {"import": 7, "accept": True}, "there is no such import"),
        ("plan dog", {}, "a request must say which dog"),
        ("plan dog", {"dog": "x"}, "no forecast from"),
    ],
)
def test_what_cannot_be_is_refused_and_nobody_is_mailed_for_it(
    kind, arguments, words, practice, records
):
    """Whoever asked is told; the ledger says that it failed."""
    done = asked(practice, records, kind, arguments)
    assert done.state == "failed"
    assert words in outcome_of(practice, done.run_id).sentence
    assert notices(records) == []


def test_one_dog_planned_on_request_is_no_plan_of_the_day(practice, records, monkeypatch):
    """It alone is planned, and the plans of all dogs stay due."""
    made, dogs = SimpleNamespace(id="i1", has_visits=True), []
    monkeypatch.setattr("forecast.issuing.latest_issue", lambda *_, **__: made)

    def propose(*_, **told):
        dogs.append(told["dogs"])
        return ()

    monkeypatch.setattr(plan_job, "propose_plans", propose)
    monkeypatch.setattr(plan_job, "keep_plans", lambda *_, **__: None)
    done = asked(practice, records, "plan dog", {"dog": "rex"})
    assert (done.state, dogs) == ("done", [["rex"]])
    assert [run.job for run in runs(records)] == ["plan dog"]
    said = {"therapy_id": "anti_il31_antibody", "today": practice.today, "say": lambda _: None}
    plan_job.plan(practice, records, made, dogs=None, **said)
    assert len(runs(records, job="plan")) == 1


@pytest.mark.parametrize(
    ("kind", "arguments", "words"),
    [
        ("accept import", {"import": 1, "as_of": "2023-01-01"}, "as of the present day alone"),
        ("import branches", {"file": "/etc/passwd"}, "all it can be told is as_of, upload"),
        ("erase owner", {}, "there is none"),
    ],
)
def test_what_no_job_can_be_told_is_refused_without_a_run(
    kind, arguments, words, practice, records
):
    """Nothing is run."""
    done = asked(practice, records, kind, arguments)
    assert done.state == "refused"
    assert words in done.result
    assert runs(records) == []


def test_outcomes_go_after_three_months(practice):
    """By when they were written; nothing is told of what there is not."""
    keep_outcome(practice, "ab" * 8, Outcome("it came"))
    assert outcome_of(practice, "ab" * 8) == Outcome("it came", None, [])
    for nothing in (None, "cd" * 8, "../practice"):
        assert outcome_of(practice, nothing) is None
    real = replace(practice, now=datetime.now(UTC))
    assert forget_outcomes(replace(real, now=real.now + timedelta(days=89))) == []
    told = forget_outcomes(replace(real, now=real.now + timedelta(days=91)))
    assert told == ["answers to requests deleted 1"]
    assert outcome_of(practice, "ab" * 8) is None
