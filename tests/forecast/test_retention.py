"""What has been kept long enough, in a practice with issues of several ages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update

from forecast.climate import open_climate
from forecast.issue_files import draws_file
from forecast.issuing import model_snapshot_name, snapshot_name
from forecast.model_files import keep_model, model_file
from forecast.practice import Practice
from forecast.records import Records, open_records, tables
from forecast.records.dogs import add_unregistered
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plans import PlanRow, add_plans
from forecast.retention import clear, overdue

# a Saturday, long after the snapshots below are committed: their age is that of the real clock
NOW = datetime(2100, 7, 31, 9, tzinfo=UTC)


@pytest.fixture
def practice(small: Practice) -> Practice:
    return replace(small, now=NOW)


@pytest.fixture
def records(practice) -> Records:
    return open_records(practice)


@pytest.fixture
def climate(practice):
    return open_climate(practice)


@pytest.fixture
def issued(practice, records, climate, make_weather) -> Callable[[int], str]:
    """Give a function that makes an issue of a number of days ago, with weather of its own."""
    units = {"tas": "degC", "tasmin": "degC", "tasmax": "degC", "hurs": "%", "pr": "mm/day"}

    def make(days_ago: int) -> str:
        weather = make_weather(first="2020-01-01", last="2020-01-05", seed=days_ago)[list(units)]
        for name, unit in units.items():
            weather[name].attrs["units"] = unit
        snapshot = climate.append_weather(
            weather, source="s", licence="l", credit="c", retrieved_at=NOW
        )
        issue_id, moment = f"i{days_ago}", NOW - timedelta(days=days_ago)
        row = IssueRow(
            issue_id, moment, moment.date(), "issued", "m", "s", 1, f"{issue_id}.nc", "f",
            snapshot, None,
        )  # fmt: skip
        add_issue(records, row, settings_text="", summaries={})
        climate.tag(snapshot_name(issue_id), snapshot)
        path = draws_file(practice.issued_folder / row.file)
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(bytes(1000))
        return snapshot

    return make


def cite(records: Records, issue_id: str) -> None:
    with records.writing() as connection:
        dog = add_unregistered(connection, ["D1"])["D1"]
    plan = PlanRow("p", dog, issue_id, "ciclosporin", "proposed", None, NOW, (), (), ())
    add_plans(records, [plan])


def drawn(practice: Practice) -> set[str]:
    return {path.stem for path in (practice.issued_folder / "draws").iterdir()}


def test_in_a_young_practice_nothing_is_overdue(practice, records, climate, issued):
    """No issue, or issues of this month."""
    assert not overdue(practice, records, climate)
    for days_ago in (29, 2):
        issued(days_ago)
    young = replace(practice, now=datetime.now(UTC))
    assert not overdue(young, records, climate)


def test_draws_go_after_30_days_and_names_after_90_but_for_one_a_week(
    practice, records, climate, issued
):
    """22 and 23 April 2100 are a Thursday and a Friday, 100 and 99 days ago."""
    assert [(NOW - timedelta(days)).isoweekday() for days in (100, 99)] == [4, 5]
    snapshots = {days_ago: issued(days_ago) for days_ago in (100, 99, 31, 29)}
    due = overdue(practice, records, climate)
    assert due.names == {"issue-i100"}
    assert {path.stem for path in due.draws} == {"i100", "i99", "i31"}
    assert "draws of issues 3, names 1, snapshots 1, models 0, outbox folders 0; " in clear(
        climate, due
    )
    assert drawn(practice) == {"i29"}
    assert {days: climate.holds(snapshot) for days, snapshot in snapshots.items()} == {
        100: False, 99: True, 31: True, 29: True,
    }  # fmt: skip
    assert not overdue(practice, records, climate)


def test_what_a_plan_cites_is_kept(practice, records, climate, issued):
    """Its weather and its draws, whatever the age, for as long as the plan is there."""
    snapshots = {days_ago: issued(days_ago) for days_ago in (100, 99, 31, 29)}
    cite(records, "i100")
    clear(climate, overdue(practice, records, climate))
    assert drawn(practice) == {"i100", "i29"}
    assert climate.holds(snapshots[100])
    assert not overdue(practice, records, climate)


def test_the_draws_of_the_latest_issue_stay_until_there_is_a_later_one(
    practice, records, climate, issued
):
    """A practice that has not issued for months can still plan from what it has."""
    for days_ago in (200, 120):
        issued(days_ago)
    clear(climate, overdue(practice, records, climate))
    assert drawn(practice) == {"i120"}


def test_a_name_thinned_before_is_not_the_newest_of_its_week_any_more(
    practice, records, climate, issued
):
    """Only names that are there are weighed: else the one that stayed would go next."""
    for days_ago in (101, 100, 99):
        issued(days_ago)
    climate.clean_up(names=["issue-i99"], replaced_before=datetime(2000, 1, 1, tzinfo=UTC))
    assert overdue(practice, records, climate).names == {"issue-i101"}


def test_snapshots_without_a_name_go_a_week_after_a_newer_one_came(
    practice, records, climate, issued
):
    """Deliveries between two issues are counted by the clock of their commit."""
    issued(3)
    unnamed = climate.head()
    climate.clean_up(names=["issue-i3"], replaced_before=datetime(2000, 1, 1, tzinfo=UTC))
    issued(2)
    committed = climate.provenance()[0].committed_at
    for days, n_replaced in ((6, 0), (8, 1)):
        then = replace(practice, now=committed + timedelta(days=days))
        assert overdue(then, records, climate).n_replaced == n_replaced
    clear(climate, overdue(practice, records, climate))
    assert not climate.holds(unnamed)


# ------------------------------------------------------------------------------ trained models
@pytest.fixture
def learnt(practice, records, climate, model, issued) -> Callable[[int], str]:
    """Give a function that learns a model so many days ago and makes an issue that rests on it."""

    def make(days_ago: int) -> str:
        then = replace(practice, now=NOW - timedelta(days=days_ago))
        own = replace(model, hash=f"{days_ago:064d}"[::-1])
        keep_model(then, own).rename(model_file(practice, own.hash))
        snapshot = issued(days_ago)
        with records.writing() as connection:
            change = update(tables.issue).where(tables.issue.c.id == f"i{days_ago}")
            connection.execute(change.values(model_hash=own.hash))
        climate.tag(model_snapshot_name(own.hash), snapshot)
        return own.hash

    return make


def test_a_model_goes_with_the_last_issue_that_can_be_made_again_from_it(
    practice, records, climate, learnt
):
    """Of a Thursday and a Friday 100 and 99 days ago only the Friday's issue can be.

    Its model stays, and the weather that the model was learnt from; the other's go.
    """
    hashes = {days_ago: learnt(days_ago) for days_ago in (100, 99, 20)}
    due = overdue(practice, records, climate)
    assert due.models == (model_file(practice, hashes[100]),)
    assert due.names == {"issue-i100", model_snapshot_name(hashes[100])}
    assert "models 1" in clear(climate, due)
    held = {path.name for path in practice.trained_folder.glob("*.nc")}
    assert held == {model_file(practice, hashes[days]).name for days in (99, 20)}
    assert not overdue(practice, records, climate)


def test_a_model_that_no_issue_rests_on_is_kept_for_a_month(practice, records, climate, model):
    """It may still be forecast from; then it is of no use to anybody."""
    for days_ago, n_old in ((30, 0), (32, 1)):
        keep_model(replace(practice, now=NOW - timedelta(days=days_ago)), model)
        assert len(overdue(practice, records, climate).models) == n_old


def test_the_weather_of_a_model_whose_file_is_lost_stays(practice, records, climate, learnt):
    """From it the model can be learnt again."""
    name = learnt(99)
    model_file(practice, name).unlink()
    assert overdue(practice, records, climate).names == frozenset()
