"""A small practice that pulls from the local server, for tests of pulls from end to end."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from fake_open_meteo import FakeOpenMeteo
from local_server import LocalServer

from forecast.practice import Practice, create_practice, open_practice
from jobs.opening import open_all
from jobs.pull import pull
from jobs.sources.pulling import Pulled

NOW = datetime(2026, 6, 10, 8, tzinfo=UTC)
FIRST, LAST = date(2006, 1, 1), date(2026, 6, 5)

PRACTICE = """
[practice]
name = "Made up"
invented = true

[[region]]
id = "zurich"
name = "Zurich"
latitude = 47.37
longitude = 8.55
elevation = 431.0
time_zone = "Europe/Zurich"
allergens = ["birch"]

[[region]]
id = "berlin"
name = "Berlin"
latitude = 52.52
longitude = 13.41
elevation = 38.0
time_zone = "Europe/Berlin"
allergens = ["birch"]

[dosing]
flare_weeks_per_dose = 0.1

[sources]
contact = "vet@practice.example"
"""


@dataclass
class World:
    """A practice, the servers it asks, and what was said."""

    folder: Path
    server: LocalServer
    fake: FakeOpenMeteo
    clock: Any
    said: list[str] = field(default_factory=list)

    def use(self, *sources: str, options: str = "") -> None:
        """Name sources in practice.toml."""
        pulls = [
            f'[[pull]]\nsource = "{s}"\nbase_url = "{self.server.url}"\n{options}' for s in sources
        ]
        (self.folder / "practice.toml").write_text(PRACTICE + "\n".join(pulls))

    def practice(self, now: datetime = NOW) -> Practice:
        """Open the practice at a moment."""
        return open_practice(self.folder, now=now)

    def pull(self, now: datetime = NOW, **chosen: Any) -> list[Pulled]:
        """Pull what practice.toml names, or what is chosen of it."""
        self.clock.moment = now
        clock = self.clock.clock
        return pull(self.practice(now), say=self.said.append, clock=clock, **chosen)

    @property
    def spans_asked(self) -> list[tuple[str, str]]:
        """Return first and last day of every request."""
        return [(a.one("start_date"), a.one("end_date")) for a in self.server.asked]


def make_practice(folder: Path) -> Path:
    """Make the practice with its empty stores, to be copied for each test."""
    open_all(create_practice(folder, PRACTICE, now=NOW))
    return folder


def make_world(folder: Path, made: Path, server: LocalServer, clock: Any) -> World:
    """Give a copy of the practice; it uses the archive of the Open-Meteo family."""
    fake = FakeOpenMeteo()
    server.routes.update(fake.routes())
    shutil.copytree(made, folder)
    made = World(folder, server, fake, clock)
    made.use("open_meteo_archive")
    return made
