"""Counts of calls: windows, restarts, several processes, and what was lost."""

from __future__ import annotations

import multiprocessing
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from jobs.sources.limits import RateLimits
from jobs.sources.source import Limits, RefusedError, Source, TemporaryError, find_source

NONE = Limits(None, None, None, 4, 0.0, 10, None, 1_000_000)


def limited(**limits: float) -> Source:
    """Return a source with these limits and no others."""
    return replace(find_source("open_meteo_archive"), limits=replace(NONE, **limits))


def take(limits: RateLimits, source: Source, weight: float = 1.0) -> None:
    """Take one turn."""
    with limits.turn(source, weight):
        pass


def test_a_full_minute_is_waited_out(clock):
    limits = RateLimits(None, clock=clock.clock)
    source = limited(calls_per_minute=3.0)
    for _ in range(3):
        take(limits, source)
    assert clock.slept == []
    take(limits, source)
    assert clock.slept == [30.0]  # from 08:00:30 to 08:01


def test_weights_add_up_to_the_limit_exactly(clock):
    limits = RateLimits(None, clock=clock.clock)
    source = limited(calls_per_minute=0.3)
    take(limits, source, 0.1)
    take(limits, source, 0.2)  # 0.1 + 0.2 > 0.3 in binary
    assert clock.slept == []


def test_without_limits_nothing_waits(clock):
    limits = RateLimits(None, clock=clock.clock)
    for _ in range(1000):
        take(limits, limited(), 100.0)
    assert clock.slept == []


@pytest.mark.parametrize(
    ("limit", "window", "seconds"),
    # from 08:00:30 to 09:00 and to midnight UTC
    [("calls_per_hour", "hour", 3570.0), ("calls_per_day", "day", 57570.0)],
)
def test_a_long_window_is_not_waited_for(clock, limit, window, seconds):
    limits = RateLimits(None, clock=clock.clock)
    source = limited(**{limit: 2.0})
    take(limits, source, 2.0)
    with pytest.raises(TemporaryError, match=f"2 calls a {window} are used up") as caught:
        take(limits, source)
    assert caught.value.retry_after == seconds
    clock.pass_by(seconds)
    take(limits, source)


def test_a_refused_turn_counts_nothing(clock):
    limits = RateLimits(None, clock=clock.clock)
    source = limited(calls_per_minute=100.0, calls_per_hour=2.0)
    take(limits, source, 2.0)
    for _ in range(5):
        with pytest.raises(TemporaryError):
            take(limits, source, 2.0)
    clock.pass_by(3600.0)
    take(limits, source, 2.0)


def test_one_request_past_a_window_is_refused(clock):
    with pytest.raises(RefusedError, match="one request counts as 783 calls, more than the 600"):
        take(RateLimits(None, clock=clock.clock), limited(calls_per_minute=600.0), 783.0)


def test_services_of_one_family_are_counted_together(clock):
    limits = RateLimits(None, clock=clock.clock)
    one = limited(calls_per_minute=3.0)
    other = replace(one, id="open_meteo_forecast")
    take(limits, one, 3.0)
    take(limits, other, 1.0)
    assert clock.slept == [30.0]


def test_counts_outlive_a_restart(tmp_path, clock):
    source = limited(calls_per_day=10.0)
    take(RateLimits(tmp_path, clock=clock.clock), source, 9.0)
    clock.pass_by(120.0)
    again = RateLimits(tmp_path, clock=clock.clock)
    take(again, source, 1.0)
    with pytest.raises(TemporaryError, match="a day are used up"):
        take(again, source, 1.0)


@pytest.mark.parametrize("text", ["", "{", '{"day": 3}', "[]", '{"day": ["x"]}'])
def test_a_lost_count_is_taken_for_all_until_the_day_ends(tmp_path, clock, text):
    (tmp_path / "open_meteo.json").write_text(text)
    limits = RateLimits(tmp_path, clock=clock.clock)
    with pytest.raises(TemporaryError, match="a day are used up"):
        take(limits, limited(calls_per_day=10.0))
    take(limits, limited())  # a source without limits does not care
    clock.pass_by(57570.0)
    take(limits, limited(calls_per_day=10.0))


def _take_many(folder: Path) -> None:
    limits = RateLimits(folder)
    for _ in range(40):
        take(limits, limited(calls_per_day=1e6))


def test_processes_count_together(tmp_path):
    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=_take_many, args=(tmp_path,)) for _ in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert [worker.exitcode for worker in workers] == [0, 0, 0]
    with pytest.raises(TemporaryError):
        take(RateLimits(tmp_path), limited(calls_per_day=120.0))
    take(RateLimits(tmp_path), limited(calls_per_day=121.0))


def test_no_more_run_at_one_time_than_allowed(clock):
    limits = RateLimits(None, clock=clock.clock)
    source = limited(parallel=2)
    running, most, lock = [0], [0], threading.Lock()
    gate = threading.Barrier(2, timeout=10)

    def work() -> None:
        with limits.turn(source, 1.0):
            with lock:
                running[0] += 1
                most[0] = max(most[0], running[0])
            gate.wait()  # two must be in at once, or this times out
            with lock:
                running[0] -= 1

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most[0] == 2


def test_a_pause_lies_between_two_starts(clock):
    limits = RateLimits(None, clock=clock.clock)
    source = limited(pause_seconds=1.5)
    take(limits, source)
    clock.pass_by(0.5)
    take(limits, source)
    take(limits, source)
    assert clock.slept == [1.0, 1.5]


def test_what_the_service_calls_full_is_full(clock):
    limits = RateLimits(None, clock=clock.clock)
    assert limits.use_up(limited(), "minute") == 30.0
    take(limits, limited())
    assert clock.slept == [30.0]
