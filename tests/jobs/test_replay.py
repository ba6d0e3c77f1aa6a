"""Looking back: past days replayed without anything later, issued forecasts held against counts."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import forecast.remaking
from forecast.array_files import content_hash
from forecast.climate import open_climate
from forecast.dosing.therapies import cover_rules
from forecast.practice import open_practice
from forecast.records import open_records
from forecast.records.issues import IssueRow, issues
from forecast.records.runs import runs
from forecast.records.verifications import verifications
from forecast.records.visits import visits
from forecast.replaying import Replay, ReplayDay, ReplayError, replay_days
from forecast.skill import record
from forecast.versions import versions
from forecast.visits import accept_import, import_visits, make_vintage
from jobs.replay import replay
from jobs.verify import verify
from models.flare import count_forecaster

FIRST, LAST = date(2022, 3, 1), date(2022, 3, 21)


DAYS = {"first": date(2022, 3, 8), "last": LAST, "every": 7}


def run(opened, said=None, **options):
    return replay(*opened.all, say=([] if said is None else said).append, **DAYS | options)


# ------------------------------------------------------------------------------ which days
def test_a_stretch_with_an_issue_has_it_replayed_and_one_without_a_hindcast():
    """The first made in a stretch stands for it; the last stretch may be short."""

    def row(name: str, day: int) -> IssueRow:
        at = date(2022, 3, day)
        return IssueRow(name, None, at, "issued", "m", "s", 1, "f", "h", "c", "v")

    days = replay_days(
        [row("a", 10), row("b", 11), row("c", 21)], first=FIRST, last=date(2022, 3, 20), every=7
    )
    assert days == [
        ReplayDay(date(2022, 3, 1), ""),
        ReplayDay(date(2022, 3, 10), "a"),
        ReplayDay(date(2022, 3, 15), ""),
    ]
    assert replay_days([], first=LAST, last=LAST, every=30) == [ReplayDay(LAST, "")]


def test_days_out_of_order_or_to_come_are_refused(later):
    """One sentence each; nothing is begun."""
    with pytest.raises(ReplayError, match="name two days in their order"):
        run(later, first=LAST, last=FIRST)
    with pytest.raises(ReplayError, match="today is 2022-06-24; name a day that has come"):
        run(later, last=date(2022, 6, 25))
    assert not (later.practice.folder / "replays").exists()


# ------------------------------------------------------------------------------ a whole one
@pytest.fixture(scope="module")
def replayed(issued_days, tmp_path_factory):
    """Replay two weeks of a copy of the practice: an issue made again, then a hindcast."""
    from jobs.opening import open_all

    folder = Path(shutil.copytree(issued_days, tmp_path_factory.mktemp("replayed") / "practice"))
    now = pd.Timestamp("2022-06-24", tz="UTC").to_pydatetime()
    practice = open_practice(folder, now=now)
    records, climate = open_all(practice)
    before = issues(records)
    said: list[str] = []
    done = replay(practice, records, climate, **DAYS, say=said.append)
    assert issues(records) == before  # a hindcast is not kept as an issue
    records.close()
    return folder, now, done, said


@pytest.mark.long
def test_issues_are_made_again_the_same_and_the_rest_are_hindcasts(replayed):
    """Bit for bit, with a sentence; both are held against what came."""
    _, _, done, said = replayed
    assert [(one.day, one.kind, one.outcome) for one in done.days] == [
        (date(2022, 3, 8), "issued", "the same"),
        (date(2022, 3, 15), "hindcast", "hindcast"),
    ]
    assert said[-2].startswith("1 of 2: issue ")
    assert said[-2].endswith("was made again with the same arrays, bit for bit")
    assert said[-1] == "2 of 2: hindcast as of 2022-03-15"
    assert all(len(one.scores) > 20 for one in done.days)


def test_a_replay_leaves_two_tables(replayed):
    """A row a day, and a row a scored week; kinds are told apart, the days' own files are gone."""
    folder, _, done, _ = replayed
    days, scores = (pd.read_csv(path) for path in done.files)
    assert days["kind"].tolist() == ["issued", "hindcast"]
    assert len(scores) == sum(len(one.scores) for one in done.days)
    assert set(scores.loc[scores["day"] == "2022-03-15", "kind"]) == {"hindcast"}
    names = {path.name for path in (folder / "replays").rglob("*") if path.is_file()}
    assert names == {"days.csv", "scores.csv", "pinned.json"}


@pytest.mark.long
def test_on_two_processes_it_comes_out_the_same(later, replayed):
    """Days do not depend on each other, nor on who works them out."""
    done = run(later, workers=2)
    for one, two in zip(replayed[2].days, done.days, strict=True):
        assert replace(one, scores=None) == replace(two, scores=None)
        pd.testing.assert_frame_equal(one.scores, two.scores, check_exact=True)


@pytest.mark.long
def test_one_that_was_broken_off_goes_on_where_it_stopped(later, replayed, monkeypatch):
    """The days that were done are not worked out again, and are read back to the last bit."""

    class StoppedError(Exception):
        pass

    def stop(text: str) -> None:
        if text.startswith("1 of 2"):
            raise StoppedError

    came = {one.day: one for one in replayed[2].days}
    worked_out: list[date] = []

    def one(self, day):
        worked_out.append(day.day)
        return came[day.day]

    monkeypatch.setattr(Replay, "one", one)
    with pytest.raises(StoppedError):
        replay(*later.all, say=stop, **DAYS)
    said: list[str] = []
    done = run(later, said)
    assert said[0] == "going on with a replay of these days that was broken off"
    assert worked_out == list(came)
    for before, after in zip(came.values(), done.days, strict=True):
        assert replace(before, scores=None) == replace(after, scores=None)
        pd.testing.assert_frame_equal(before.scores, after.scores, check_exact=True)
    # once it came to its end it begins anew, and so does one whose settings were changed since
    run(later)
    assert worked_out == [*came, *came]
    with pytest.raises(StoppedError):
        replay(*later.all, say=stop, **DAYS)
    text = later.practice.settings_text.replace("draws = 20", "draws = 21")
    edited = replace(later.practice, settings_text=text)
    replay(edited, later.records, later.climate, say=said.append, **DAYS)
    assert worked_out == [*came, *came, date(2022, 3, 8), *came]


# ------------------------------------------------------------------------------ what differs
@pytest.mark.long
def test_a_difference_in_versions_is_named(later, monkeypatch):
    """With another numpy and other draws than then it comes out different, and why is said."""
    newer = versions()
    then = newer["packages"]["numpy"]
    newer["packages"] = newer["packages"] | {"numpy": "99.0"}
    newer["tables"] = newer["tables"] | {"flare.toml": "0123456789abcdef"}
    monkeypatch.setattr(forecast.remaking, "versions", lambda: newer)
    as_then = count_forecaster.CountDraws
    monkeypatch.setattr(
        count_forecaster, "CountDraws", lambda draws, members: as_then(draws + 1, members)
    )
    day = date(2022, 3, 1)
    (one,) = run(later, first=day, last=day).days
    assert (one.kind, one.outcome) == ("issued", "different")
    assert f"numpy {then} -> 99.0" in one.changed
    assert one.changed[-1].startswith("flare.toml ")
    assert one.changed[-1].endswith(" -> 0123456789ab")
    assert f"came out different; changed since: numpy {then} -> 99.0, flare.toml " in one.sentence


def test_an_issue_whose_weather_was_thinned_is_told_and_still_scored(later):
    """What it said is kept, so it is held against what came all the same."""
    first = issues(later.records)[0]
    names = [f"issue-{first.id}", f"model-{first.model_hash[:16]}"]
    later.climate.clean_up(names=names, replaced_before=later.practice.now.replace(year=2100))
    (one,) = run(later, first=date(2022, 3, 1), last=date(2022, 3, 1)).days
    assert one.outcome == "not possible"
    assert "no longer held" in one.sentence
    assert len(one.scores) > 20


def test_a_day_without_enough_weather_is_told(later):
    """The sentence says what is missing; the others go on."""
    (one,) = run(later, first=date(2003, 6, 1), last=date(2003, 6, 1)).days
    assert (one.kind, one.outcome) == ("hindcast", "not possible")
    assert one.sentence.endswith("the store begins on 2004-01-01")


# ------------------------------------------------------------------------------ nothing later
def replay_of(folder: Path) -> Replay:
    """Open a practice on the later day, for a replay against what is known then."""
    practice = open_practice(folder, now=pd.Timestamp("2022-06-24", tz="UTC").to_pydatetime())
    records, climate = open_records(practice), open_climate(practice)
    vintage = make_vintage(practice, records, cover_rules=cover_rules())
    return Replay(practice, records, climate, climate.head(), vintage.id, {})


def poison(folder: Path, day: date) -> None:
    """Make nonsense of the weather from a day on, and add many flares from it on."""
    practice = open_practice(folder, now=pd.Timestamp("2022-06-24", tz="UTC").to_pydatetime())
    climate = open_climate(practice)
    (source,) = climate.weather_sources()
    weather = climate.weather_layers(sources=[source]).isel(source=0, drop=True)
    weather = weather.sel(time=weather["time"] >= np.datetime64(day)).dropna("time")
    for name in ("tas", "tasmin", "tasmax"):
        weather[name] = weather[name] + 15.0
    climate.append_weather(
        weather, source=source, licence="none", credit="nobody", retrieved_at=practice.now
    )
    days = pd.date_range(day, "2022-06-20")
    rows = [
        (f"P{n}", d, "n1", f"D{n % 30:02d}", "itch flare") for n, d in enumerate(days.repeat(9))
    ]
    frame = pd.DataFrame(rows, columns=["visit", "date", "branch", "dog", "kind"])
    path = folder.parent / f"poison from {day}.csv"
    frame.to_csv(path, index=False, date_format="%Y-%m-%d")
    records = open_records(practice)
    report = import_visits(practice, records, path)
    if report.held_because:  # it is unlike all that came before, as it should be
        accept_import(practice, records, report.import_id)
    assert (visits(records)["date"] >= pd.Timestamp(day)).sum() > len(rows)
    records.close()


def seen_of(folder: Path, day: date) -> list[object]:
    """Return everything that a hindcast as of a day is made from, and its hash."""
    opened = replay_of(folder)
    known = opened.known_on(day, opened.cut_of(day))
    opened.records.close()
    held = (known.observed, known.counts)
    arrays = [content_hash(xr.DataTree(one), attributes=False) for one in held]
    return [*arrays, known.flowering.to_csv()]


@pytest.mark.long
def test_a_hindcast_never_sees_a_later_day(later):
    """All that follows is poisoned: it is made from the same. Nine days earlier it is not."""
    folder, day = later.practice.folder, date(2022, 4, 20)
    seen = [seen_of(folder, day)]
    for first in (day, date(2022, 4, 11)):
        poison(folder, first)
        seen.append(seen_of(folder, day))
    assert seen[1] == seen[0]
    assert seen[2][0] != seen[0][0]
    assert seen[2][1] != seen[0][1]


@pytest.mark.long
def test_the_arrays_of_a_hindcast_do_not_depend_on_later_days(later):
    """The same, to the end of the way: what is drawn."""
    folder, day = later.practice.folder, date(2022, 4, 20)
    hashes = []
    for first in (None, day, date(2022, 4, 11)):
        if first is not None:
            poison(folder, first)
        opened = replay_of(folder)
        forecast = opened.hindcast(day)
        assert forecast.attrs["why_no_visits"] == ""
        hashes.append(content_hash(xr.DataTree(forecast), attributes=False))
        opened.records.close()
    assert hashes[1] == hashes[0]
    assert hashes[2] != hashes[0]


def test_a_hindcast_sees_no_day_that_a_source_had_not_given_yet(later):
    """Of a source three days late, the three days before the origin are not seen."""
    (source,) = later.climate.weather_sources()
    day = date(2022, 4, 20)
    task = Replay(*later.all, later.climate.head(), None, {source: 3})
    assert task.known_on(day, task.cut_of(day)).weather_until == date(2022, 4, 16)


@pytest.mark.long
def test_the_command_shows_what_differs_and_ends_with_1(later, forepaw):
    """An issue whose counts have been changed behind its back."""
    first = issues(later.records)[0]
    with later.records.writing() as connection:
        connection.exec_driver_sql(
            f"UPDATE count_week SET flare_visits = flare_visits + 1 WHERE vintage_id = "
            f"'{first.visit_vintage}' AND flare_visits > 1"
        )
    day = first.origin
    done = forepaw("replay", day, day, "--practice", later.practice.folder)
    assert done.code == 1
    assert "issues made again, different 1" in done.out
    assert "no version changed, so data or code must have: this is a fault" in done.out
    assert "days.csv, scores.csv" in done.out


# ------------------------------------------------------------------------------ verifying
def test_the_first_issue_of_each_week_is_scored_and_the_run_written_down(later):
    """Two of the three: those of 1 and 8 March; the one of the 4th is of the first one's week."""
    done = verify(*later.all[:2], say=lambda _: None)
    rows = verifications(later.records, kind="issued")
    assert rows["origin"].unique().tolist() == [
        pd.Timestamp("2022-03-01"),
        pd.Timestamp("2022-03-08"),
    ]
    assert done.n_new == len(rows) > 0
    (run,) = runs(later.records, job="verify")
    assert (run.state, run.n_rows) == ("done", len(rows))
    assert run.result == f"{len(rows)} weeks of issued forecasts were scored"
    assert verify(*later.all[:2], say=lambda _: None).n_new == 0


def test_the_record_is_shown_and_says_that_skill_is_not_known(later, forepaw):
    """Both regions, from the week of the first origin on; under a season is scored."""
    folder = later.practice.folder
    done = forepaw("verify", "--practice", folder)
    assert (done.code, done.told) == (0, [])
    assert "weeks of issued forecasts were scored." in done.out
    assert "Record of 2 issued forecasts, one a week, on " in done.out
    assert "0 of 3 seasons are scored: skill not yet known." in done.out
    assert "1-4" in done.out
    assert "one season" in done.out
    assert record(later.practice, later.records).first == pd.Timestamp("2022-02-28").date()


def test_a_practice_without_visits_has_nothing_to_verify(clinic, forepaw, tmp_path):
    """It is said; nothing is counted."""
    done = forepaw("verify", "--practice", shutil.copytree(clinic, tmp_path / "practice"))
    assert done.code == 0
    assert "0 weeks of issued forecasts were scored." in done.out
    assert "skill not yet known" in done.out
