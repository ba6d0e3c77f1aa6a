"""Clean-up of the climate store: what is named or new stays readable, the rest makes room."""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import icechunk
import numpy as np
import pytest

from forecast.climate import ClimateError, ClimateStore
from forecast.climate.writer_lock import writer_lock

ROOT = Path(__file__).parents[3]
N_COMMITS = 12
RETRIEVED = datetime(2024, 6, 1, 5, tzinfo=UTC)


def size_of(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


@pytest.fixture(scope="module")
def made(house_weather, tmp_path_factory) -> tuple[Path, list[str]]:
    """Commit twelve times the same days, each time with weather of its own; do not change it."""
    rng = np.random.default_rng(7)
    store = ClimateStore.open(tmp_path_factory.mktemp("climate"))
    snapshots = []
    for number in range(N_COMMITS):
        weather = house_weather(n_days=400, tas=number)
        weather["hurs"].values[:] = rng.uniform(20, 90, weather["hurs"].shape)
        snapshots.append(
            store.append_weather(
                weather,
                source="stations",
                licence="open",
                credit="An observatory",
                retrieved_at=RETRIEVED,
            )
        )
    return store.folder, snapshots


@pytest.fixture
def store(made, tmp_path) -> ClimateStore:
    """Give a copy of that store."""
    return ClimateStore.open(shutil.copytree(made[0], tmp_path / "climate"))


@pytest.fixture
def commits(made) -> list[str]:
    """Give its snapshots."""
    return made[1]


@pytest.fixture
def later() -> datetime:
    """Give a moment by which every commit has been replaced but the newest."""
    return datetime.now(UTC) + timedelta(days=30)


def readable(store: ClimateStore, commits: list[str]) -> dict[int, float]:
    """Return the temperature in each snapshot that can still be read, by its number."""
    found = {}
    for number, snapshot in enumerate(commits):
        if store.holds(snapshot):
            weather = store.weather(snapshot=snapshot)
            assert weather["hurs"].notnull().all()
            found[number] = float(weather["tas"].isel(region=0, time=-1))
    return found


def test_named_snapshots_and_the_newest_read_as_before_and_the_others_are_gone(
    store, commits, later
):
    """Every value of them; in this process and for whoever opens the store anew."""
    for number in (2, 5, 8):
        store.tag(f"issue-{number}", commits[number])
    before = {n: store.weather(snapshot=commits[n]) for n in (2, 8, 11)}
    done = store.clean_up(names=["issue-5", "never given"], replaced_before=later)
    assert done.n_names == 1
    assert done.n_snapshots == N_COMMITS - 3
    assert store.tags() == {"issue-2": commits[2], "issue-8": commits[8]}
    for held in (store, ClimateStore.open(store.folder)):
        assert readable(held, commits) == {2: 2.0, 8: 8.0, 11: 11.0}
        assert held.head() == commits[11]
        for number, weather in before.items():
            assert held.weather(snapshot=commits[number]).identical(weather)
    with pytest.raises(ClimateError, match="holds no such snapshot, or it has expired"):
        store.weather(snapshot=commits[5])


def test_disk_use_falls_by_what_is_said(store, commits, later):
    """Of twelve commits of the same size one is left: less than a fifth of the room."""
    before = size_of(store.folder)
    done = store.clean_up(names=[], replaced_before=later)
    after = size_of(store.folder)
    assert after < before / 5
    # histories are written anew, shorter, so that a little more or less than the sum is freed
    assert before - after == pytest.approx(done.n_bytes, rel=0.02)


def test_again_there_is_nothing_to_do_and_the_store_takes_more(
    store, commits, later, append, house_weather
):
    """The next delivery stands on the newest; what it replaced goes at the next clean-up."""
    store.clean_up(names=[], replaced_before=later)
    assert store.replaced(later) == []
    again = store.clean_up(names=[], replaced_before=later)
    assert (again.n_names, again.n_snapshots, again.n_bytes) == (0, 0, 0)
    newest = append(house_weather(first="2025-02-04", n_days=3, tas=20))
    assert store.replaced(later) == [commits[11]]
    assert [p.snapshot for p in store.provenance()] == [newest, commits[11]]
    store.clean_up(names=[], replaced_before=later)
    assert readable(store, [*commits, newest]) == {12: 20.0}
    assert store.weather().sizes["time"] == 403


def test_what_was_the_newest_since_a_moment_stays(store, commits):
    """A run that began then reads one of them: number 5 was the newest, those before replaced."""
    fifth, sixth = (store.provenance(snapshot=commits[n])[0].committed_at for n in (5, 6))
    moment = fifth + (sixth - fifth) / 2
    assert store.replaced(moment) == commits[4::-1]
    store.clean_up(names=[], replaced_before=moment)
    assert list(readable(store, commits)) == [5, 6, 7, 8, 9, 10, 11]
    assert store.replaced(moment) == []


def test_before_the_first_commit_nothing_is_old_enough(store, commits):
    """A young store is left as it is."""
    moment = datetime.now(UTC) - timedelta(days=7)
    assert store.replaced(moment) == []
    done = store.clean_up(names=[], replaced_before=moment)
    assert (done.n_snapshots, done.n_bytes) == (0, 0)
    assert len(readable(store, commits)) == N_COMMITS


def test_a_name_taken_away_is_not_given_again(store, commits, later):
    """An issue that is completed once more after its thinning does not come back to life."""
    store.tag("issue-1", commits[11])
    store.clean_up(names=["issue-1"], replaced_before=later)
    store.tag("issue-1", commits[11])
    assert store.tags() == {}
    store.tag("issue-2", commits[11])
    assert store.tags() == {"issue-2": commits[11]}


KILLED = """
import os, signal, sys
from datetime import UTC, datetime, timedelta
import icechunk
from forecast.climate import ClimateStore
step = sys.argv[2]
def die(*_args, **_options):
    os.kill(os.getpid(), signal.SIGKILL)
setattr(icechunk.Repository, step, die)
later = datetime.now(UTC) + timedelta(days=30)
ClimateStore.open(sys.argv[1]).clean_up(names=["issue-5"], replaced_before=later)
"""


@pytest.mark.parametrize("step", ["expire_snapshots", "garbage_collect"])
def test_a_kill_between_two_steps_leaves_a_store_that_opens_and_finishes(
    store, commits, later, step
):
    """The process dies once names are taken away, or once histories are cut; the lock is free."""
    store.tag("issue-2", commits[2])
    store.tag("issue-5", commits[5])
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, str(store.folder), step], cwd=ROOT, check=False
    )
    assert killed.returncode == -9
    held = ClimateStore.open(store.folder, wait_seconds=0.1)
    assert held.tags() == {"issue-2": commits[2]}
    assert len(readable(held, commits)) == N_COMMITS
    done = held.clean_up(names=[], replaced_before=later)
    assert done.n_snapshots == N_COMMITS - 2
    assert readable(held, commits) == {2: 2.0, 11: 11.0}


def test_a_clean_up_waits_for_a_writer(store, commits, later):
    """What a writer has not committed yet would look like something nobody needs."""
    impatient = ClimateStore.open(store.folder, wait_seconds=0.1)
    with writer_lock(store.folder, 1), pytest.raises(ClimateError, match="another process"):
        impatient.clean_up(names=[], replaced_before=later)
    assert len(readable(store, commits)) == N_COMMITS


def test_a_failure_of_the_store_is_told_in_a_sentence(store, commits, later, monkeypatch):
    """And what is named can be read as before."""

    def fail(*_args: object, **_options: object) -> None:
        raise icechunk.IcechunkError("no space left")

    store.tag("issue-2", commits[2])
    monkeypatch.setattr(icechunk.Repository, "garbage_collect", fail)
    with pytest.raises(ClimateError, match=r"could not be cleaned up: .*no space left; what is"):
        store.clean_up(names=[], replaced_before=later)
    assert readable(store, commits)[2] == 2.0
