"""A practice that a clock runs while its world misbehaves, for tests of days and months."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import fake_nasa_power
import faults
import pandas as pd
from disk_that_fills import GIB, Disk
from fake_clock import FakeClock
from fake_nasa_power import FakePower
from fake_open_meteo import FakeOpenMeteo
from local_server import Answer, Asked, Handler, LocalServer
from pull_world import PRACTICE

from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.runs import JobRun, runs
from jobs.clock import tick
from jobs.imports import import_file
from models.errors import ForepawError

ZONE = ZoneInfo("Europe/Zurich")
FIRST_VISIT = date(2023, 1, 2)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
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
def swing(day: date) -> float:
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
                    series[name][day] = round(value + swing(date.fromisoformat(day)), 2)
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
    every: timedelta

    @property
    def begin(self) -> datetime:
        """The first moment."""
        return at(self.first, 0)

    @property
    def end(self) -> datetime:
        """The moment after the last."""
        return at(self.first + self.n_days * DAY, 0)


def month(first: date, *, every: timedelta) -> Plan:
    """Return 31 days from a Friday 16 days before the local clock leaps."""
    return Plan(
        first,
        31,
        off=(at(first + 7 * DAY, 20), at(first + 10 * DAY, 7)),
        filling=at(first + 19 * DAY, 12),
        full=(at(first + 20 * DAY, 0), at(first + 21 * DAY, 0)),
        down=(at(first + 25 * DAY, 3), at(first + 26 * DAY, 15)),
        every=every,
    )


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
    exported_until: date = FIRST_VISIT
    told: list[dict[str, str]] = field(default_factory=list)

    @property
    def folder(self) -> Path:
        """The practice folder."""
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
        """Let the days of the plan pass, look after look."""
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
                    self.export(local.date())
                self.look(moment)
            moment += plan.every

    def look(self, now: datetime) -> None:
        """Let the clock look once, and forgive that it cannot."""
        today = now.date()
        self.power.today = self.meteo.today = today
        self.clock.moment = now
        try:
            tick(self.folder, now, source_clock=self.clock.clock)
        except ForepawError:
            self.refused.append(now)  # as `jobs.clock_process` does: the next look comes

    def export(self, today: date) -> int:
        """Drop the visits since the last export, as the practice's own system does at night.

        How many visits were written is returned.
        """
        frame = diary(self.exported_until, today)
        if frame.empty:
            return 0
        file = self.folder / "drop" / f"visits-{today}.csv"
        try:
            frame.to_csv(file.with_suffix(".part"), index=False)
            file.with_suffix(".part").rename(file)
        except OSError:
            file.with_suffix(".part").unlink(missing_ok=True)
            return 0
        self.exported_until = today
        return len(frame)

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

    # -------------------------------------------------------------------------- afterwards
    def runs_of(self, job: str) -> list[JobRun]:
        """Return the clock's runs of a job that did well."""
        records = open_records(open_practice(self.folder))
        found = [one for one in runs(records, job=job) if one.state == "done"]
        records.close()
        return [one for one in found if one.started_by == "clock"]

    def days_of(self, job: str) -> list[date]:
        """Return the local dates for which a job did well."""
        return [one.local_date for one in self.runs_of(job)]

    def days(self, *, since: int = 0, without: tuple[int, ...] = ()) -> list[date]:
        """Return the plan's days, numbered from 0; -1 is the day before the first."""
        chosen = [n for n in range(since, self.plan.n_days) if n not in without]
        return [self.plan.first + n * DAY for n in chosen]

    @property
    def news(self) -> list[dict[str, str]]:
        """Everything that the person was told."""
        return [one for message in self.told for one in message["data"]["notices"]]

    def table(self) -> str:
        """Return what ran: a line for each job."""
        records = open_records(open_practice(self.folder))
        frame = pd.DataFrame([vars(one) for one in runs(records)])
        records.close()
        counts = pd.crosstab(frame["job"], frame["state"])
        seconds = frame.groupby("job")["seconds"].agg(["median", "max"]).round(2)
        return counts.join(seconds).to_string()
