"""The job that drafts alerts, and the commands of the desk."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest
import xarray as xr

from forecast.alerts.rules import Stated, set_rule, switch
from forecast.cut import DataCut
from forecast.issuing import Issue
from forecast.practice import Practice, create_practice, open_practice
from forecast.records import alerts as held
from forecast.records import open_records
from forecast.records.issues import IssueRow, add_issue
from forecast.records.notices import notices
from forecast.records.runs import last_runs
from jobs.alerts import draft_alerts
from jobs.cli import app
from models.errors import ForepawError

NOW = datetime(2023, 3, 8, 1, 0, tzinfo=UTC)  # ten in the morning in Seoul


@pytest.fixture
def small(tmp_path, small_settings) -> Practice:
    return create_practice(tmp_path / "small", small_settings, now=NOW)


@pytest.fixture
def issue(small) -> Issue:
    """Give an issue whose row is kept; the weeks of 20 and 27 March have odds of 0.6 there."""
    origin = date(2023, 3, 8)
    row = IssueRow("i1", NOW, origin, "issued", "m", "s", 1, "f.nc", "f", "s", None)
    records = open_records(small)
    add_issue(records, row, settings_text="", summaries={})
    records.close()
    cut = DataCut(origin, "s", None, "1", "issued")
    dims = ("region", "week")
    forecast = xr.Dataset(
        {"odds_high": (dims, [[0, 0, 0.6, 0.6, 0]]), "climatology_odds": (dims, [[0.1] * 5])},
        coords={"region": ["north"], "week": pd.date_range("2023-03-06", periods=5, freq="7D")},
    )
    return Issue("i1", NOW, cut, cut, "m", "s", 1, (), small.folder, "f", forecast)


def test_the_job_drafts_once_says_so_and_tells_people_that_a_draft_waits(small, issue):
    records = open_records(small)
    said: list[str] = []
    assert draft_alerts(small, records, issue, say=said.append).alerts == ()
    assert last_runs(records)["draft alerts"].result == (
        "no region has an alert rule that is switched on"
    )
    set_rule(small, records, "north", Stated(3, 10), by=None, now=small.now)
    switch(records, "north", on=True, by=None, now=small.now)
    later = replace(small, now=NOW + timedelta(minutes=1))  # runs are told apart by when they began
    assert len(draft_alerts(later, records, issue, say=said.append).alerts) == 1
    assert last_runs(records)["draft alerts"].result == "regions looked at 1, alerts drafted 1"
    told = notices(records, open_only=True)
    assert [one.about for one in told] == ["alert drafts"]
    assert "1 alert draft waits for a decision" in told[0].sentence
    assert draft_alerts(small, records, issue, say=said.append).alerts == ()
    assert len(held.alerts(records)) == 1
    assert held.alerts(records, states=("sending", "sent")) == []
    records.close()


def run(folder, *words) -> None:
    """Run a command in this process; a refusal is what it raises."""
    app([*words, "--practice", str(folder)], standalone_mode=False)


def test_a_rule_is_stated_shown_and_switched_on_by_commands(small, capsys):
    folder = small.folder
    run(folder, "alert", "rule", "north", "--right", "3")
    told = " ".join(capsys.readouterr().out.split())
    assert "switched off" in told
    assert "about 2.3 of such alerts are false for one that is right" in told
    assert "no forecasts from past origins to simulate on" in told
    run(folder, "alert", "rule", "north", "--on")
    run(folder, "alert", "show")
    told = " ".join(capsys.readouterr().out.split())
    assert "Alert rule of north, switched on" in told
    assert "south: no alert rule yet" in told
    run(folder, "alert", "record")
    assert "No alert and no high week is on record yet" in capsys.readouterr().out


def test_an_alert_is_shown_and_approved_by_the_command_line_as_one_person(
    small, issue, capsys, monkeypatch
):
    """Four eyes: the clock's draft needs a second person, whom the command line is not."""
    records = open_records(small)
    set_rule(small, records, "north", Stated(3, 10, without_skill="send"), by=None, now=small.now)
    switch(records, "north", on=True, by=None, now=small.now)
    made = draft_alerts(small, records, issue, say=lambda _: None).alerts[0]
    records.close()
    monkeypatch.setattr(
        "forecast.practice.open_practice", lambda folder: open_practice(folder, now=small.now)
    )
    with pytest.raises(ForepawError, match="no vet has approved the fixed blocks"):
        run(small.folder, "alert", "approve", made.id)
    run(small.folder, "alert", "approve", "en", "--blocks")
    assert "A swollen face or trouble breathing" in capsys.readouterr().out
    run(small.folder, "alert", "approve", made.id)
    told = " ".join(capsys.readouterr().out.split())
    assert "What you can do yourself, without a prescription" in told
    assert "another person has to approve" in told
    assert "Caution: Forecasts here are not known to be better than past years alone" in told
    with pytest.raises(ForepawError, match="you did so already"):
        run(small.folder, "alert", "approve", made.id)


def test_slips_at_the_command_line_are_told_in_a_sentence(small):
    for words, said in (
        (("rule", "north"), "give --cost and --loss, or --right"),
        (("rule", "north", "--on"), "there is none yet"),
        (("rule", "west", "--right", "3"), "practice.toml has north, south"),
        (("show", "x"), "there is none of that id"),
        (("draft",), "no forecast has been issued yet"),
    ):
        with pytest.raises(ForepawError, match=said):
            run(small.folder, "alert", *words)
