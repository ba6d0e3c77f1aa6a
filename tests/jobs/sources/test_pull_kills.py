"""A pull that is killed, and two at once: the store opens, nothing is lost, the next completes."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta

import pytest
from local_server import Answer, Asked
from pull_world import NOW

from forecast.climate import open_climate
from forecast.practice import open_practice
from forecast.records.runs import runs, start_run
from jobs.opening import OpeningError, open_all, pulling_alone
from jobs.sources.pulling import pull_source
from jobs.sources.source import find_source
from jobs.sources.state import source_states
from models.parameters import load_table

KILLS = 50 if os.environ.get("FOREPAW_LONG") == "whole" else 5
PULL = """
import sys
from dataclasses import replace
from jobs.sources import pulling
load, key = pulling.load_table, "commit.values"
table = load("jobs.sources", "pull.toml")
one = replace(table.parameters[key], value=1)
small = replace(table, parameters={**table.parameters, key: one})
pulling.load_table = lambda *_: small  # a commit after each reply
print("pulling", flush=True)
from jobs.cli import program
sys.argv = ["forepaw", "pull", "--practice", sys.argv[1]]
program()
"""


def start(folder) -> subprocess.Popen[str]:
    """Start a pull in a process of its own; return when it begins."""
    started = subprocess.Popen(
        [sys.executable, "-c", PULL, str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert started.stdout is not None
    assert started.stdout.readline() == "pulling\n"
    return started


def wait_for(world, n_asked: int) -> None:
    """Wait until the server was asked so often."""
    give_up = time.monotonic() + 60
    while len(world.server.asked) < n_asked:
        assert time.monotonic() < give_up, "the pull asks nothing"
        time.sleep(0.01)


def test_a_second_pull_is_refused_in_a_sentence_and_asks_nothing(world):
    """And the first one's end lets the next go on."""
    with (
        pulling_alone(world.practice()),
        pytest.raises(OpeningError, match="another pull of this practice is running"),
    ):
        world.pull()
    assert world.server.asked == []
    (done,) = world.pull()
    assert done.failures == []


def test_a_pull_killed_after_a_commit_is_not_called_complete(world, clock):
    """As a kill leaves it: a run that was never ended, with a commit and without one."""
    practice = world.practice()
    records, store = open_all(practice)
    source = find_source("open_meteo_forecast")
    world.use(source.id)
    with_commit, without = (
        start_run(records, f"pull {source.id}", local_date=practice.today, started_at=at)
        for at in (NOW, NOW + timedelta(minutes=1))
    )
    practice = world.practice()
    pull_source(practice, store, source, run_id=with_commit.id, say=print, clock=clock.clock)
    assert store.snapshot_of_run(with_commit.id) is not None
    open_all(practice)
    ended = {run.id: run for run in runs(records)}
    assert ended[without.id].state == "swept"
    cut_short = ended[with_commit.id]
    assert cut_short.state == "cut short"
    assert cut_short.result == (
        "its process was killed; what had come is kept, and the next pull asks for the rest"
    )
    (state,) = source_states(practice, records, store)
    assert state.last_error == "its process was killed"


@pytest.mark.long
def test_a_killed_pull_leaves_a_store_that_opens_and_the_next_one_completes(world, capsys):
    """Each kill hits a first pull of twenty years in three replies, at a moment drawn anew."""
    world.fake.today = datetime.now(UTC).date()
    last = world.fake.today - timedelta(days=5)
    years = int(load_table("jobs.sources", "pull.toml").number("backfill.years"))
    first = date(world.fake.today.year - years, 1, 1)
    answered = world.server.answer

    def slow(asked: Asked) -> Answer:
        time.sleep(0.3)  # so that a kill may also fall between two commits
        return answered(asked)

    world.server.answer = slow
    rng = random.Random(11)
    kept = []
    for kill in range(KILLS):
        store = open_climate(open_practice(world.folder))
        before = store.head()
        n_before = len(world.server.asked)
        killed = start(world.folder)
        wait_for(world, n_before + 1 + kill % 3)  # in the first, second or third reply
        time.sleep(rng.uniform(0.0, 0.6))
        killed.send_signal(signal.SIGKILL)
        killed.communicate()
        practice = open_practice(world.folder)
        records, store = open_all(practice)
        spans = store.asked("weather", "open_meteo_archive")
        kept.append(len(store.provenance()))
        killed_run = runs(records)[-1]
        assert killed_run.state == ("cut short" if kept[-1] else "swept") or (
            killed_run.state == "done" and spans  # the kill came after its end
        )
        if spans:
            until = min(span[1] for span in spans.values())
            assert store.weather(until=until)["tas"].notnull().all()
        assert store.holds(before)
        again = start(world.folder)
        _, errors = again.communicate(timeout=120)
        assert again.returncode == 0, errors
        store = open_climate(open_practice(world.folder))
        assert store.asked("weather", "open_meteo_archive") == dict.fromkeys(
            ("zurich", "berlin"), (first, last)
        )
        assert store.weather()["tas"].notnull().all()
        records.close()
        shutil.rmtree(world.folder / "climate")  # so that the next one is a first pull again
    assert max(kept) >= 2  # a kill in the third reply finds two committed
    with capsys.disabled():
        print(f"\n{KILLS} kills; commits held at the kill: {sorted(kept)}")
