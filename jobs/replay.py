"""Replay: past issue dates again with what was known then; one process, or several."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date, datetime
from multiprocessing import get_context
from pathlib import Path

from forecast.climate import ClimateStore, open_climate
from forecast.dosing.rules import rules_of
from forecast.practice import Practice, open_practice
from forecast.records import open_records
from forecast.records.engine import Records
from forecast.records.issues import issues
from forecast.replay_files import Pinned, ReplayFiles
from forecast.replaying import Replay, ReplayDay, Replayed, ReplayError, replay_days
from forecast.versions import versions
from forecast.visits import make_vintage
from forecast.visits.counting.counts import anything_to_count
from jobs.ledger import recorded_run
from jobs.sources.source import lags_of_sources


@dataclass(frozen=True)
class ReplayDone:
    """A replay that came to its end: its days in order, and the files it left."""

    days: tuple[Replayed, ...]
    files: tuple[Path, ...]


def replay(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    first: date,
    last: date,
    every: int,
    say: Callable[[str], None],
    workers: int = 1,
) -> ReplayDone:
    """Replay the days from `first` to `last`; one that was broken off goes on where it stopped."""
    if last > practice.today:
        raise ReplayError(
            f"a replay up to {last} was asked, and today is {practice.today}; name a day that has "
            "come"
        )
    with recorded_run(practice, records, "replay", local_date=practice.today, cut=None) as result:
        files = ReplayFiles(practice.folder, first=first, last=last, every=every)
        rows = issues(records, kind="issued")
        days = replay_days(rows, first=first, last=last, every=every)
        pinned = _pin(practice, records, climate, files, n_issues=len(rows), say=say)
        done = files.done()
        left = [day for day in days if day.day not in done]
        for number, one in enumerate(
            _replayed(practice, records, climate, pinned, left, workers), start=1 + len(done)
        ):
            files.keep(one)
            done[one.day] = one
            say(f"{number} of {len(days)}: {one.sentence}")
            result.tell(number / len(days))
        ordered = tuple(done[day.day] for day in days)
        result.rows = len(ordered)
        result.failed = any(one.outcome == "different" for one in ordered)
        result.sentence = f"{len(ordered)} days from {first} to {last}"
        return ReplayDone(ordered, tuple(files.finish(ordered)))


def _pin(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    files: ReplayFiles,
    *,
    n_issues: int,
    say: Callable[[str], None],
) -> Pinned:
    """Return what the replay runs on: what one that was broken off ran on, if it can go on."""
    before, now = files.pinned(), versions()
    if (
        before is not None
        and climate.holds(before.climate_snapshot)
        and (before.settings_sha256, before.versions) == (practice.settings_sha256, now)
        and before.n_issues == n_issues
    ):
        say("going on with a replay of these days that was broken off")
        return before
    counted = None
    if anything_to_count(records, known_on=practice.today):
        say("counting flare visits by region and week")
        counted = make_vintage(practice, records, cover_rules=rules_of(practice).cover).id
    pinned = Pinned(climate.head(), counted, practice.settings_sha256, now, n_issues)
    files.begin(pinned)
    return pinned


def _replayed(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    pinned: Pinned,
    days: Sequence[ReplayDay],
    workers: int,
) -> Iterator[Replayed]:
    if workers <= 1 or len(days) < 2:
        yield from map(_task(practice, records, climate, pinned).one, days)
        return
    # a fresh process each: the climate store's threads do not survive a fork
    pool = ProcessPoolExecutor(
        min(workers, len(days)),
        get_context("spawn"),
        initializer=_begin,
        initargs=(practice.folder, practice.now, pinned),
    )
    with pool:
        yield from pool.map(_one_in_process, days)


def _task(practice: Practice, records: Records, climate: ClimateStore, pinned: Pinned) -> Replay:
    held = (practice, records, climate, pinned.climate_snapshot, pinned.visit_vintage)
    return Replay(*held, lags_of_sources())


_in_process: Replay | None = None


def _begin(folder: Path, now: datetime, pinned: Pinned) -> None:
    global _in_process
    practice = open_practice(folder, now=now)
    _in_process = _task(practice, open_records(practice), open_climate(practice), pinned)


def _one_in_process(day: ReplayDay) -> Replayed:
    assert _in_process is not None
    return _in_process.one(day)
