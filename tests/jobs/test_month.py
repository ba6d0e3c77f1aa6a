"""A month without anybody: every five minutes one look of the clock, while the world misbehaves.

Time is told, services are servers of this machine that fail one request in twenty, exports are
dropped at night, a weekend the machine is off, the local clock leaps, one source is down for a day
and a half, and for a day the disk is full: a file system of its own where this user may mount one,
else no file of this process may grow. By default five such days; the month, over both changes of
the clock, is a long test.
"""

from __future__ import annotations

import json
import math
import os
import random
import resource
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import faults
import fake_nasa_power
import pandas as pd
import pytest
from fake_clock import FakeClock
from fake_nasa_power import FakePower
from fake_open_meteo import FakeOpenMeteo
from local_server import Answer, Asked, Handler, LocalServer
from pull_world import PRACTICE

from forecast.backup import backups
from forecast.issuing import read_issue
from forecast.practice import create_practice, open_practice
from forecast.records import open_records, visits
from forecast.records.issues import issues
from forecast.records.notices import notices
from forecast.records.runs import JobRun, runs
from forecast.remaking import remake
from jobs.backup import restore
from jobs.clock import tick
from jobs.imports import import_file
from jobs.opening import open_all
from models.errors import ForepawError

ZONE = ZoneInfo("Europe/Zurich")
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
GIB = 2**30
FAULT_SHARE = 0.05
FAULTS = (
    faults.status(500),
    faults.status(429, b'{"error":true,"reason":"slow down"}', Retry_After="7"),
    faults.status(404),
    faults.html(200),
    faults.hang_up,
    faults.reset,
    faults.cut_gzip,
    faults.streaming_sentence,
)
SETTINGS = """
[forecast]
weeks = 26
draws = 20

[clock]
back_up = "02:30"

[notices.webhook]
url = "{person}/told"
"""
PULLED = ("nasa_power", "open_meteo_forecast", "open_meteo_pollen")


def at(day: date, hour: float) -> datetime:
    """Return the moment at which Zurich's clock first shows that time."""
    wall = datetime(day.year, day.month, day.day, tzinfo=ZONE) + timedelta(hours=hour)
    return wall.astimezone(UTC)


# ------------------------------------------------------------------------------ the world
@cache
def _swing(day: date) -> float:
    """Return the warmth of a day against a mean of 10 degC: a yearly wave, and its own part."""
    wave = -math.cos(2 * math.pi * (day.timetuple().tm_yday - 20) / 365.25)
    return 10 * wave + random.Random(day.toordinal()).gauss(0, 2)


class Seasons(FakePower):
    """The weather service with seasons, so that there is something to forecast."""

    def _series(self, asked: Asked, names: list[str]) -> dict[str, dict[str, float]]:
        series = super()._series(asked, names)
        for name in set(names) & {"T2M", "T2M_MIN", "T2M_MAX", "T2MDEW"}:
            for day, value in series[name].items():
                if value != fake_nasa_power.FILL:
                    series[name][day] = round(value + _swing(date.fromisoformat(day)), 2)
        return series


def diary(first: date, until: date) -> pd.DataFrame:
    """Invent a practice's diary of two branches; each day's part is the same whenever asked."""
    rows = []
    for n in range((until - first).days):
        day = first + n * DAY
        if day.weekday() == 6:
            continue
        rng = random.Random(day.toordinal())
        for branch in ("z1", "b1"):
            chance = 0.5 + 0.4 * math.sin(2 * math.pi * day.timetuple().tm_yday / 365.25)
            kinds = ["other"] * 4 + ["itch flare"] * (rng.random() < chance)
            for number, kind in enumerate(kinds):
                dog = f"{branch}-{rng.randrange(40)}" if kind == "itch flare" else ""
                rows.append((f"{branch}-{day:%y%m%d}-{number}", f"{day}", branch, dog, kind))
    return pd.DataFrame(rows, columns=["visit", "date", "branch", "dog", "kind"])


@dataclass(frozen=True)
class Plan:
    """What happens when: local days, and spans of moments."""

    first: date
    n_days: int
    off: tuple[datetime, datetime]
    filling: datetime
    full: tuple[datetime, datetime]
    down: tuple[datetime, datetime]
    every: timedelta = timedelta(minutes=5)

    @property
    def begin(self) -> datetime:
        return at(self.first, 0)

    @property
    def end(self) -> datetime:
        return at(self.first + self.n_days * DAY, 0)


def month(first: date) -> Plan:
    """Return 31 days from a Friday 16 days before the local clock leaps."""
    return Plan(
        first,
        31,
        off=(at(first + 7 * DAY, 20), at(first + 10 * DAY, 7)),
        filling=at(first + 19 * DAY, 12),
        full=(at(first + 20 * DAY, 0), at(first + 21 * DAY, 0)),
        down=(at(first + 25 * DAY, 3), at(first + 26 * DAY, 15)),
    )


SPRING, AUTUMN = month(date(2026, 3, 13)), month(date(2026, 10, 9))
SHORT = Plan(  # Friday to Tuesday; the leap is on Sunday morning
    date(2026, 3, 27),
    5,
    off=(at(date(2026, 3, 27), 20), at(date(2026, 3, 28), 22)),
    filling=at(date(2026, 3, 29), 12),
    full=(at(date(2026, 3, 30), 2), at(date(2026, 3, 30), 7)),
    down=(at(date(2026, 4, 1), 0), at(date(2026, 4, 1), 0)),
    every=timedelta(minutes=30),
)


# ------------------------------------------------------------------------------ a disk that fills
class Disk:
    """A file system of its own of 8 GiB: what it refuses it refuses as a full disk does."""

    can_be_seen = True  # whoever asks how much is left is told

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "disk"
        self.folder.mkdir()
        self._image = folder / "disk.img"
        with self._image.open("wb") as image:
            image.truncate(8 * GIB)
        made = ["mkfs.ext4", "-q", "-m", "0", "-O", "^has_journal", str(self._image)]
        subprocess.run(made, check=True, capture_output=True)
        mounted = ["mount", "-o", "loop", str(self._image), str(self.folder)]
        subprocess.run(mounted, check=True, capture_output=True)

    def fill(self, leaving: int) -> None:
        """Let so many bytes be left; 0 is none at all."""
        left = os.statvfs(self.folder)
        chunk = left.f_bavail * left.f_frsize - leaving
        with (self.folder / "ballast").open("ab") as ballast:
            while chunk >= left.f_frsize:
                try:
                    end = os.fstat(ballast.fileno()).st_size
                    os.posix_fallocate(ballast.fileno(), end, chunk)
                except OSError:
                    chunk //= 2
                else:
                    chunk = chunk if leaving == 0 else 0

    def empty(self) -> None:
        """Take away what filled it."""
        (self.folder / "ballast").unlink()

    def remove(self) -> None:
        """Take it away."""
        subprocess.run(["umount", "-l", str(self.folder)], check=True, capture_output=True)
        self._image.unlink()


class NoFileGrows(Disk):
    """Where no file system may be mounted: no file of this process takes another byte."""

    can_be_seen = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, leaving: int) -> None:
        if leaving == 0:
            resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    def empty(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)

    def remove(self) -> None:
        self.empty()


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """Give a disk that can be filled."""
    try:
        made = Disk(tmp_path)
    except (OSError, subprocess.CalledProcessError):
        made = NoFileGrows(tmp_path)
    yield made
    made.remove()


# ------------------------------------------------------------------------------ the days

@dataclass
class Month:
    """A practice, what it asks and whom it tells, and what came of every look."""

    plan: Plan
    disk: Disk
    services: LocalServer
    person: LocalServer
    power: Seasons = field(default_factory=Seasons)
    meteo: FakeOpenMeteo = field(default_factory=FakeOpenMeteo)
    clock: FakeClock = field(default_factory=FakeClock)
    rng: random.Random = field(default_factory=lambda: random.Random(3))
    n_faults: int = 0
    refused: list[datetime] = field(default_factory=list)
    exported_until: date = date(2023, 1, 2)
    told: list[dict[str, str]] = field(default_factory=list)

    @property
    def folder(self) -> Path:
        return self.disk.folder / "practice"

    def begin(self) -> None:
        """Make the practice with three years of visits and nothing pulled."""
        for fake in (self.power, self.meteo):
            self.services.routes.update(fake.routes())
        self.services.fault = self._fault
        self.services.fault_left = 10**9
        self.person.routes["/told"] = self._hear
        now = self.plan.begin
        named = [f'[[pull]]\nsource = "{one}"\nbase_url = "{self.services.url}"' for one in PULLED]
        text = PRACTICE + "\n".join(named) + SETTINGS.format(person=self.person.url)
        practice = create_practice(self.folder, text, now=now)
        secret = practice.secrets_folder / "webhook.secret"
        secret.write_text("kept-safe\n")
        secret.chmod(0o600)
        branches = self.disk.folder / "branches.csv"
        days = "mon tue wed thu fri sat"
        branches.write_text(
            f"id,name,region,open_days\nz1,Lake,zurich,{days}\nb1,Gate,berlin,{days}\n"
        )
        import_file(practice, "branches", branches)
        history = self.disk.folder / "history.csv"
        diary(self.exported_until, self.plan.first).to_csv(history, index=False)
        import_file(practice, "visits", history)
        self.exported_until = self.plan.first

    def live(self) -> None:
        """Let every five minutes of the plan pass."""
        plan, moment = self.plan, self.plan.begin
        is_full = was_filling = False
        while moment < plan.end:
            local = moment.astimezone(ZONE)
            if not was_filling and moment >= plan.filling:
                self.disk.fill(3 * GIB)
                was_filling = True
            if not is_full and plan.full[0] <= moment < plan.full[1]:
                self.disk.fill(0)
                is_full = True
            if is_full and moment >= plan.full[1]:
                self.disk.empty()
                is_full = False
            if not plan.off[0] <= moment < plan.off[1]:
                if (local.hour, local.minute) == (4, 0):
                    self._export(local.date())
                self._look(moment)
            moment += plan.every

    def _look(self, now: datetime) -> None:
        today = now.date()
        self.power.today = self.meteo.today = today
        self.clock.moment = now
        try:
            tick(self.folder, now, source_clock=self.clock.clock)
        except ForepawError:
            self.refused.append(now)  # as `jobs.clock_process` does: the next look comes

    def _export(self, today: date) -> None:
        """Drop the visits since the last export, as the practice's own system does at night."""
        frame = diary(self.exported_until, today)
        if frame.empty:
            return
        file = self.folder / "drop" / f"visits-{today}.csv"
        try:
            frame.to_csv(file.with_suffix(".part"), index=False)
            file.with_suffix(".part").rename(file)
        except OSError:
            return
        self.exported_until = today

    def _fault(self, handler: Handler, answer: Callable[[], Answer]) -> None:
        """Fail one request in twenty, and all of one service while it is down."""
        is_down = self.plan.down[0] <= self.clock.moment < self.plan.down[1]
        if is_down and handler.path.startswith("/api/temporal"):
            faults.status(503)(handler, answer)
        elif self.rng.random() < FAULT_SHARE:
            self.n_faults += 1
            self.rng.choice(FAULTS)(handler, answer)
        else:
            handler.send(answer())

    def _hear(self, asked: Asked) -> Answer:
        self.told.append(json.loads(asked.body))
        return Answer(204)
