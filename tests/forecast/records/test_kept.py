"""What else the records keep: care of a dog, counts, issues, plans, runs."""

from __future__ import annotations

import dataclasses
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import insert

from forecast.records import RecordsError, tables
from forecast.records.care import (
    facts,
    facts_of,
    scores,
    scores_of,
    therapies,
    therapies_of,
)
from forecast.records.dogs import add_unregistered
from forecast.records.issues import (
    IssueRow,
    add_issue,
    issue,
    issue_summaries,
    issues,
    settings_of,
)
from forecast.records.plan_decisions import NewDecision, PlanState, add_decision
from forecast.records.plans import PlanRow, add_plans, cited_issues, plans
from forecast.records.runs import finish_run, runs, start_run
from forecast.records.vintages import add_vintage, vintage, vintage_counts, vintages

AT = datetime(2024, 6, 1, 8, 30, tzinfo=UTC)
DAY = date(2024, 6, 1)
WEEK = date(2024, 5, 20)


@pytest.fixture
def rex(records) -> str:
    with records.writing() as connection:
        return add_unregistered(connection, ["D1"])["D1"]


def issue_row(issue_id: str = "i1", kind: str = "issued", origin: date = DAY) -> IssueRow:
    return IssueRow(
        issue_id, AT, origin, kind, "model", "sha", 2**40, "2024-06-01-i1.nc", "file", "SNAP", None
    )


# ------------------------------------------------------------------------------ care of a dog
def test_the_latest_fact_of_each_kind_counts_and_an_absent_one_is_not_known(records, rex):
    """A newer entry replaces an older one; what was never recorded is not in the mapping."""
    entries = [
        ("weight_kg", None, 9.5, date(2024, 1, 1)),
        ("weight_kg", None, 10.5, date(2024, 3, 1)),
        ("demodicosis", "no", None, date(2024, 2, 1)),
    ]
    with records.writing() as connection:
        for kind, word, number, day in entries:
            connection.execute(
                insert(tables.dog_fact).values(
                    dog_id=rex, kind=kind, word=word, number=number, date=day
                )
            )
    assert facts_of(records, rex)["weight_kg"].number == 10.5
    assert facts_of(records, rex, until=date(2024, 2, 15))["weight_kg"].number == 9.5
    assert "neoplasia" not in facts_of(records, rex)
    assert len(facts(records)) == 3


def test_therapies_and_scores_come_back_as_they_were_entered(records, rex):
    """Unknown end and unknown response stay unknown; a corrected row of one day counts once."""
    event = {"dog_id": rex, "therapy": "anti_il31_antibody", "date": DAY, "reason": "itch"}
    score = {"dog_id": rex, "date": DAY, "scorer": "owner", "scale": "PVAS"}
    with records.writing() as connection:
        connection.execute(insert(tables.therapy_event).values(event | {"status": "declined"}))
        connection.execute(insert(tables.therapy_event).values(event | {"status": "given"}))
        connection.execute(insert(tables.pruritus_score).values(score | {"pvas": 4.5}))
        connection.execute(insert(tables.pruritus_score).values(score | {"pvas": 5.4}))
    (found,) = therapies_of(records, rex)
    assert (found.status, found.until, found.responded) == ("given", None, None)
    assert therapies(records)["status"].tolist() == ["given"]
    assert [s.pvas for s in scores_of(records, rex)] == [5.4]
    assert scores(records)["pvas"].tolist() == [5.4]


# ------------------------------------------------------------------------------ counts
def vintage_rows(flares: float | None) -> list[dict]:
    return [
        {
            "region_id": "seoul",
            "week": WEEK,
            "flare_visits": flares,
            "consultations": 40.0,
            "covered_share": None,
        }
    ]


def test_a_vintage_is_never_changed_by_a_later_one(records):
    """What was known when can be read again."""
    options = {"made_at": AT, "case_definition": "v1", "kind": "as known then"}
    first = add_vintage(records, vintage_rows(3.0), known_on=date(2024, 5, 27), **options)
    second = add_vintage(records, vintage_rows(4.0), known_on=date(2024, 6, 3), **options)
    assert vintages(records) == [first, second]
    assert vintage(records, first.id) == first
    assert vintage_counts(records, first.id)["flare_visits"].tolist() == [3.0]
    assert vintage_counts(records, second.id)["flare_visits"].tolist() == [4.0]
    with pytest.raises(RecordsError, match="no such id"):
        vintage(records, "other")


def test_a_count_that_is_not_known_comes_back_as_not_known(records):
    """None goes in, NaN comes out, never zero."""
    kept = add_vintage(
        records, vintage_rows(None), known_on=DAY, made_at=AT, case_definition="v1",
        kind="as finally known",
    )  # fmt: skip
    found = vintage_counts(records, kept.id)
    assert np.isnan(found["flare_visits"][0])
    assert np.isnan(found["covered_share"][0])
    assert found["consultations"][0] == 40.0


def test_counts_come_back_in_one_order_whatever_the_database_sorts_by(records):
    """By code a hyphen sorts before a low line; by a dictionary's rules it does not."""
    rows = [vintage_rows(1.0)[0] | {"region_id": region} for region in ("a_b", "a-c")]
    kept = add_vintage(
        records, rows, known_on=DAY, made_at=AT, case_definition="v1", kind="as finally known"
    )
    assert vintage_counts(records, kept.id)["region_id"].tolist() == ["a-c", "a_b"]


# ------------------------------------------------------------------------------ issues
def test_an_issue_is_recorded_once_with_its_settings_and_summaries(records):
    """Recording the same issue again changes nothing, so a repeated run is harmless."""
    for _ in range(2):
        add_issue(
            records, issue_row(), settings_text="[practice]", summaries={"seoul": {"peak": 3}}
        )
    assert issues(records) == [issue_row()]
    assert issue(records, "i1").seed == 2**40
    assert issue_summaries(records, "i1") == {"seoul": {"peak": 3}}
    assert settings_of(records, "i1") == "[practice]"
    with pytest.raises(RecordsError, match="no such id"):
        issue(records, "i2")


def test_hindcasts_are_kept_apart_from_issued_forecasts(records):
    """Both are kept, each can be asked for alone."""
    early = date(2023, 6, 1)
    for row in (issue_row(), issue_row("h1", "hindcast", early)):
        add_issue(records, row, settings_text="[practice]", summaries={})
    assert [i.id for i in issues(records, kind="issued")] == ["i1"]
    assert [i.id for i in issues(records, kind="hindcast")] == ["h1"]
    assert [i.id for i in issues(records)] == ["h1", "i1"]


def test_a_moment_without_offset_is_refused(records):
    """SQLite would keep it without saying of which time zone it is."""
    wrong = dataclasses.replace(issue_row(), issued_at=datetime(2024, 6, 1))
    with pytest.raises(Exception, match="no offset from UTC"):
        add_issue(records, wrong, settings_text="", summaries={})
    add_issue(records, issue_row(), settings_text="", summaries={})
    assert issue(records, "i1").issued_at == AT


# ------------------------------------------------------------------------------ plans
def signature(plan_id: str) -> NewDecision:
    after = frozenset({PlanState.PROPOSED})
    return NewDecision(plan_id, PlanState.ACCEPTED, after, decided_on=DAY, at=AT, signed_by="vet 3")


def test_a_plan_comes_back_whole_and_is_signed(records, rex):
    """Doses in order, weeks and reasons as they were; the vet's decision is kept."""
    add_issue(records, issue_row(), settings_text="", summaries={})
    plan = PlanRow(
        "p1", rex, "i1", "anti_il31_antibody", "proposed", None, AT, (WEEK,),
        ({"code": "ready", "known": True},), (date(2024, 6, 3), date(2024, 7, 8)),
    )  # fmt: skip
    other = dataclasses.replace(plan, id="p2", doses=(), uncovered_weeks=(), reasons=())
    add_plans(records, [plan, other])
    assert plans(records, dog_id=rex) == [plan, other]
    add_decision(records, signature("p1"))
    assert plans(records, issue_id="i1")[0].signed_by == "vet 3"
    with pytest.raises(RecordsError, match="no such plan"):
        add_decision(records, signature("p9"))


def test_an_issue_is_cited_by_signed_plans_and_by_the_newest_proposal(records, rex):
    """Proposals made anew with each issue do not keep all of them; a signature does."""
    named = ("i1", "i2", "i3")
    for number, name in enumerate(named):
        row = issue_row(name, "issued", DAY + timedelta(days=7 * number))
        add_issue(records, row, settings_text="", summaries={})
        made_at = AT + timedelta(days=7 * number)
        add_plans(
            records,
            [
                PlanRow(
                    f"p{name}",
                    rex,
                    name,
                    "anti_il31_antibody",
                    "proposed",
                    None,
                    made_at,
                    (),
                    (),
                    (),
                )
            ],
        )
    assert cited_issues(records) == {"i3"}
    add_decision(records, signature("pi1"))
    assert cited_issues(records) == {"i1", "i3"}


# ------------------------------------------------------------------------------ runs
def test_a_run_is_written_down_at_its_start_and_ends_once(records):
    """What was running when the power went is still there as running."""
    run = start_run(records, "issue", local_date=DAY, started_at=AT, cut={"origin": "2024-06-01"})
    assert runs(records, job="issue") == [run]
    finish_run(records, run.id, state="done", n_rows=8, seconds=1.5, result="i1")
    (ended,) = runs(records)
    assert (ended.state, ended.n_rows, ended.result) == ("done", 8, "i1")
    with pytest.raises(RecordsError, match="no such run is under way"):
        finish_run(records, run.id, state="failed", n_rows=0, seconds=2.0, result="again")
