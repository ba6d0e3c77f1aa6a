"""Tidying at the end of an issue: at most once a day, only where something is overdue."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from forecast.climate import ClimateError, ClimateStore
from forecast.issue_files import draws_file
from forecast.practice import Practice, open_practice
from forecast.records import Records
from forecast.records.issues import issues
from forecast.records.runs import runs
from forecast.retention import overdue
from jobs.issue import issue
from jobs.learn import learn
from jobs.opening import open_all
from jobs.sources.pulling import replies_of
from jobs.sources.source import Place, RawReply, Request
from jobs.tidy import JOB, tidy


class Opened:
    """A practice whose one issue was made 60 days ago, and what was said in it.

    Its weather was committed before its flowering dates, so one snapshot is overdue.
    """

    def __init__(self, folder: Path) -> None:
        now = datetime.now(UTC) + timedelta(days=60)
        self.practice: Practice = open_practice(folder, now=now)
        stores: tuple[Records, ClimateStore] = open_all(self.practice)
        self.records, self.climate = stores
        self.said: list[str] = []

    def tidy(self, **later: float) -> list[str]:
        """Tidy so much later; return how all runs ended."""
        then = replace(self.practice, now=self.practice.now + timedelta(**later))
        tidy(then, self.records, self.climate, say=self.said.append)
        return [run.state for run in runs(self.records, job=JOB)]


@pytest.fixture
def opened(practice_folder: Path) -> Iterator[Opened]:
    made = Opened(practice_folder)
    yield made
    made.records.close()


def test_where_nothing_is_overdue_nothing_is_run_or_said(opened):
    """In the first week no snapshot is old enough, and the issue is new."""
    assert opened.tidy(days=-58) == []
    assert opened.said == []


def test_it_runs_at_most_once_a_day(opened, monkeypatch):
    """Even where something is overdue again; on the next day it does."""
    monkeypatch.setattr(ClimateStore, "replaced", lambda *_: ["a snapshot"])
    assert opened.tidy() == ["done"]
    assert opened.tidy() == ["done"]
    assert opened.tidy(days=1) == ["done", "done"]


def test_what_it_did_is_written_down_and_it_does_not_run_for_nothing(opened):
    """With its sentence in the ledger; later on, where nothing is overdue, nothing is."""
    trained = opened.practice.trained_folder
    n_before = len(list(trained.glob("*.nc")))
    for hours in (0, 0.1, 48):
        assert opened.tidy(hours=hours) == ["done"]
    n_models = n_before - len(list(trained.glob("*.nc")))
    (run,) = runs(opened.records, job=JOB)
    assert run.result.startswith(
        f"taken away: draws of issues 0, names 0, snapshots 1, models {n_models}, outbox folders "
    )
    assert opened.said == ["taking away what has been kept long enough"]


def test_old_replies_go_too(opened, monkeypatch):
    """Of two replies to one wish, long ago, the first."""
    for name in ("overdue", "clear"):
        monkeypatch.setattr(f"jobs.tidy.{name}", lambda *_: "")
    archive = replies_of(opened.practice)
    place = Place("seoul", 37.57, 126.97, 86.0)
    for days_ago in (1001, 1000):
        request = Request(
            "nasa_power", "GET", "http://data.example/",
            places=(place,), first=date(2020, 1, 1), last=date(2020, 1, 9),
        )  # fmt: skip
        body = str(days_ago).encode()
        moment = opened.practice.now - timedelta(days=days_ago)
        archive.keep(
            RawReply(request, request.url, 200, "", body, sha256(body).hexdigest(), moment)
        )
    assert opened.tidy() == ["done"]
    assert [reply.body for reply in archive.replay("nasa_power")] == [b"1000"]
    (run,) = runs(opened.records, job=JOB)
    assert "replies of nasa_power 1, " in run.result
    assert opened.tidy(days=1) == ["done"]


def refuse(*_args: object, **_options: object) -> None:
    raise ClimateError("the store is being written to")


def test_a_refusal_is_told_and_tried_again_on_the_same_day(opened, monkeypatch):
    """The issue stands; the store is cleaned up at the next one."""
    with monkeypatch.context() as patched:
        patched.setattr(ClimateStore, "clean_up", refuse)
        assert opened.tidy() == ["failed"]
    assert opened.said[-1] == "not taken away: the store is being written to"
    assert opened.tidy(minutes=1) == ["failed", "done"]
    assert opened.tidy(minutes=2) == ["failed", "done"]


def test_a_run_that_was_cut_short_is_finished_where_nothing_is_overdue_any_more(
    opened, monkeypatch
):
    """Killed after it shortened the histories, it left what nobody sees, and what takes room."""
    clean_up = ClimateStore.clean_up

    def clean_up_and_die(*args: object, **options: object) -> None:
        clean_up(*args, **options)
        refuse()

    with monkeypatch.context() as patched:
        patched.setattr(ClimateStore, "clean_up", clean_up_and_die)
        assert opened.tidy() == ["failed"]
    assert not overdue(opened.practice, opened.records, opened.climate)
    assert opened.tidy(minutes=1) == ["failed", "done"]
    assert opened.tidy(days=1) == ["failed", "done"]


@pytest.mark.long
def test_an_issue_takes_the_draws_of_old_ones_away_and_they_can_still_be_made_again(
    opened, forepaw
):
    """Its row, its quantiles and its id stay; of a day whose draws are gone no plan is made."""
    (old,) = issues(opened.records)
    path = opened.practice.issued_folder / old.file
    assert draws_file(path).exists()
    origin = date(2022, 6, 28)
    stores = (opened.practice, opened.records, opened.climate)
    model, known = learn(*stores, origin=origin, say=opened.said.append)
    made = issue(*stores, model=model, known=known, say=opened.said.append)
    assert not draws_file(path).exists()
    assert draws_file(made.file).exists()
    assert [run.state for run in runs(opened.records, job=JOB)] == ["done"]
    assert old in issues(opened.records)
    folder = opened.practice.folder
    again = forepaw("remake", old.id, "--practice", folder)
    assert again.code == 0
    assert "bit for bit" in again.out
    refused = forepaw("plan", "--practice", folder, "--as-of", old.origin)
    assert refused.code == 2
    assert f"the draws of issue {old.id}" in refused.err
    assert "Traceback" not in refused.err
    assert forepaw("plan", "--practice", folder, "--as-of", origin).code == 0


def test_an_issue_whose_weather_was_thinned_is_not_made_again_and_says_why(opened, forepaw):
    """One sentence: what was asked, what is kept of the weather, and that the forecast stands."""
    (old,) = issues(opened.records)
    weather = opened.climate.weather()
    weather["tas"] = weather["tas"] + 1
    opened.climate.append_weather(
        weather.drop_attrs(deep=False), source="corrected", licence="l", credit="c",
        retrieved_at=opened.practice.now,
    )  # fmt: skip
    later = opened.practice.now
    names = [f"issue-{old.id}", f"model-{old.model_hash[:16]}"]
    opened.climate.clean_up(names=names, replaced_before=later)
    refused = forepaw("remake", old.id, "--practice", opened.practice.folder)
    assert refused.code == 2
    (sentence,) = refused.told
    assert sentence.startswith(f"forepaw: issue {old.id} of 2022-06-27 was to be made again; the")
    assert "no longer held: 90 days after an issue it is kept for one issue a week" in sentence
    assert sentence.endswith("the forecast itself is kept")
