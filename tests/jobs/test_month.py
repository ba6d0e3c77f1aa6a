"""A month without anybody: look after look of the clock, while the world misbehaves.

Time is told, services are servers of this machine that fail one request in twenty, exports are
dropped at night, a weekend the machine is off, the local clock leaps, one source is down for a day
and a half, and for a day the disk is full: a file system of its own where this user may mount one,
else no file of this process may grow. In short five such days, with a look each half hour and no
charts; with FOREPAW_LONG set to ``whole`` the months over both changes of the local clock too, with
a look every five minutes and charts, which take most of the time.
"""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import fake_nasa_power
import pandas as pd
import pytest
from disk_that_fills import Disk, make_disk
from local_server import LocalServer
from month_world import DAY, FIRST_VISIT, HOUR, ZONE, Month, Plan, at, diary, month, swing

from forecast.backup import backups
from forecast.issuing import read_issue
from forecast.practice import open_practice
from forecast.records.issues import issues
from forecast.records.runs import runs
from forecast.records.visits import visits
from forecast.remaking import remake
from jobs.backup import restore
from jobs.opening import open_all

IS_WHOLE = os.environ.get("FOREPAW_LONG") == "whole"
EVERY = timedelta(minutes=5 if IS_WHOLE else 30)
SPRING, AUTUMN = (month(first, every=EVERY) for first in (date(2026, 3, 13), date(2026, 10, 9)))
SHORT = Plan(  # Friday to Tuesday; the leap is on Sunday morning
    date(2026, 3, 27),
    5,
    off=(at(date(2026, 3, 27), 20), at(date(2026, 3, 28), 22)),
    filling=at(date(2026, 3, 29), 12),
    full=(at(date(2026, 3, 30), 2), at(date(2026, 3, 30), 7)),
    down=(at(date(2026, 4, 1), 0), at(date(2026, 4, 1), 0)),
    every=timedelta(minutes=30),
)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """Give a disk that can be filled."""
    made = make_disk(tmp_path)
    yield made
    made.remove()


@pytest.fixture
def live(
    disk: Disk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[Plan], Month]]:
    """Give a function that lets a plan pass and prints the table of runs."""
    if not IS_WHOLE:
        monkeypatch.setattr("jobs.draw.draw", lambda *_, **__: None)
        monkeypatch.setattr("jobs.draw.has_outputs", lambda *_: True)
    with LocalServer() as services, LocalServer() as person:

        def pass_by(plan: Plan) -> Month:
            began = time.monotonic()
            lived = Month(plan, disk, services, person)
            lived.begin()
            lived.live()
            with capsys.disabled():
                print(
                    f"\n{plan.n_days} days from {plan.first} in {time.monotonic() - began:.0f} s; "
                    f"{len(services.asked)} requests, {lived.n_faults} of them failed beside the "
                    f"outage; {type(disk).__name__}\n{lived.table()}"
                )
            return lived

        yield pass_by


def nothing_is_lost(lived: Month) -> None:
    """Every file that was dropped is in; sources have no gap; issues are whole."""
    plan, folder = lived.plan, lived.folder
    assert lived.exported_until == plan.first + (plan.n_days - 1) * DAY
    assert [path.name for path in (folder / "drop").iterdir() if path.is_file()] == [".looked.json"]
    assert not list((folder / "drop").glob("refused/*"))
    practice = open_practice(folder, now=plan.end)
    records, store = open_all(practice)
    expected = diary(FIRST_VISIT, lived.exported_until)
    assert sorted(visits(records)["reference"]) == sorted(expected["visit"])
    rows = issues(records)
    assert {row.file for row in rows} == {path.name for path in (folder / "issued").glob("*.nc")}
    for row in rows:
        assert read_issue(folder / "issued" / row.file).hash == row.file_sha256
    ended = {"done", "failed", "swept", "cut short"}
    assert {run.state for run in runs(records)} <= ended
    records.close()
    # the last pull of weather was on the last day, when its last three days were not out yet
    last = plan.first + (plan.n_days - 1) * DAY
    weather = store.weather(sources=["nasa_power"])["tas"].sel(region="zurich").to_series()
    days = pd.date_range("2006-01-01", last - 3 * DAY)
    told = [fake_nasa_power.value("T2M", day.date()) + swing(day.date()) for day in days]
    assert weather.loc[days].tolist() == pytest.approx(told, abs=0.011)
    pollen = store.pollen(sources=["open_meteo_pollen"])["pollen"].sel(allergen="birch")
    since = pollen.sel(time=slice("2023-10-01", f"{last}"))
    assert since.notnull().all()
    assert since.sizes["time"] == (last - date(2023, 10, 1)).days + 1


def is_told_once(lived: Month) -> None:
    """Each beginning and each end once, of what lasted for an hour, and not before it had."""
    told = [(one["id"], one["news"]) for one in lived.news]
    assert len(told) == len(set(told))
    for message in lived.told:
        at_ = datetime.fromisoformat(message["timestamp"])
        for one in message["data"]["notices"]:
            since = one["over_at"] if one["news"] == "over" else one["since"]
            assert at_ - datetime.fromisoformat(since) >= HOUR


def once_a_day(lived: Month) -> None:
    """No date of a job has two runs that did well."""
    for job in ("pull weather", "pull forecast", "pull pollen", "plan", "verify", "housekeeping"):
        days = lived.days_of(job)
        assert len(days) == len(set(days)), job


@pytest.mark.long
def test_five_days_without_anybody(live):
    """Every one of them has its forecast, the day that was off till ten at night too."""
    lived = live(SHORT)
    assert lived.n_faults > 0
    assert list(dict.fromkeys(lived.days_of("issue"))) == lived.days(since=-1)
    assert lived.days_of("back-up") == lived.days(since=-1)
    # 02:30 of the 29th does not exist: 03:00 comes at 01:00 UTC
    (leapt,) = [one for one in lived.runs_of("back-up") if one.local_date == date(2026, 3, 29)]
    assert timedelta(0) <= leapt.started_at - datetime(2026, 3, 29, 1, tzinfo=UTC) < HOUR / 2
    once_a_day(lived)
    nothing_is_lost(lived)
    is_told_once(lived)
    about = Counter((one["about"], one["news"]) for one in lived.news)
    if lived.disk.can_be_seen:
        assert about["disk space", "began"] == about["disk space", "over"] == 1
    assert max(about.values(), default=0) <= 1  # nobody can be told while no file grows


@pytest.mark.long
@pytest.mark.skipif(not IS_WHOLE, reason="in short five days run; months with FOREPAW_LONG=whole")
@pytest.mark.parametrize(
    ("plan", "leap"),
    [
        (SPRING, datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),  # 02:00 is 03:00
        (AUTUMN, datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),  # the first of two 02:30
    ],
    ids=["spring", "autumn"],
)
def test_a_month_without_anybody(live, plan, leap, tmp_path):
    """Every day but the two on which the machine was off has its forecast."""
    lived = live(plan)
    assert lived.n_faults > 0
    weekend = (8, 9)  # off from Friday evening to Monday morning
    assert list(dict.fromkeys(lived.days_of("issue"))) == lived.days(since=-1, without=weekend)
    # of the nights off the newest is made up for; so is the night of the full disk, a day later
    assert lived.days_of("back-up") == lived.days(since=-1, without=weekend)
    (leapt,) = [
        one for one in lived.runs_of("back-up") if one.local_date == leap.astimezone(ZONE).date()
    ]
    assert timedelta(0) <= leapt.started_at - leap < timedelta(minutes=1)
    sundays = [plan.first + n * DAY for n in (-5, 2, 9, 16, 23, 30)]
    assert [day for day in lived.days_of("learn") if day.weekday() == 6] == sundays
    once_a_day(lived)
    nothing_is_lost(lived)
    goes_on_without_a_source_that_is_down(lived)
    is_told_once(lived)
    disk_space = [one["news"] for one in lived.news if one["about"] == "disk space"]
    assert disk_space == (["began", "over"] if lived.disk.can_be_seen else [])
    restored_elsewhere_it_is_the_same(lived, tmp_path)


def goes_on_without_a_source_that_is_down(lived: Month) -> None:
    """Down from 03:00 to 15:00 of the next day: both days' issues come at 08:00 and say so."""
    for n in (25, 26):
        day = lived.plan.first + n * DAY
        first = next(one for one in lived.runs_of("issue") if one.local_date == day)
        assert timedelta(0) <= first.started_at - at(day, 8) < timedelta(minutes=1)
        assert "went on without today's pull weather" in (first.result or "")
    begin, end = lived.plan.down
    ours = [
        (one["news"], one["over_at"])
        for one in lived.news
        if one["about"] == "pull nasa_power" and begin <= datetime.fromisoformat(one["since"]) < end
    ]
    assert [news for news, _ in ours] == ["began", "over"]
    # 03:30, 03:45, 04:45, 07:45 and 13:45 fail, on the next day too but for the first after 15:00
    assert datetime.fromisoformat(ours[1][1]) >= end


def restored_elsewhere_it_is_the_same(lived: Month, tmp_path: Path) -> None:
    """Restore the newest back-up into another folder, and make its newest issue bit for bit."""
    newest = max(backups(lived.disk.folder / "practice-backups"))
    done, _ = restore(newest, tmp_path / "elsewhere")
    practice = open_practice(done.folder, now=lived.plan.end)
    records, store = open_all(practice)
    again = remake(practice, records, store, issue_id=issues(records)[-1].id)
    assert again.same_arrays, again.sentence
    records.close()
