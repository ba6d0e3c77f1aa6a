"""Every client with a fake of its service and a wish that the fake can fill.

Add a client here and the fault suite runs it through everything in `faults.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date

from fake_dwd import FakePhenology, FakePollenIndex
from fake_meteoswiss import FakeMeteoSwiss
from fake_nasa_power import FakePower
from fake_ncei import FakeNcei
from fake_open_meteo import FakeOpenMeteo
from fake_usa_npn import FakeNpn
from local_server import Route

from jobs.sources.services import set_up
from jobs.sources.source import Place, Source, SourceSettings, find_source

# The address of the running server stands here in options that need it.
ADDRESS = "{address}"


@dataclass(frozen=True)
class Client:
    """A source, what plays it, and what is asked of it."""

    source_id: str
    routes: Callable[[], Mapping[str, Route]]
    places: tuple[Place, ...]
    first: date
    last: date
    options: Mapping[str, object] = field(default_factory=dict)

    def source(self, address: str) -> Source:
        """Return the source as a practice with the local server uses it."""
        return set_up(find_source(self.source_id), self.settings(address))

    def settings(self, address: str) -> SourceSettings:
        """Return the settings of such a practice."""
        return SourceSettings(base_url=address, options=dict(self.options))


ZURICH = Place("zurich", 47.37, 8.55, 431.0)
BERLIN = Place("berlin", 52.52, 13.41, 38.0)
NEW_YORK = Place("new_york", 40.75, -73.98, 20.0)
HARTFORD = Place("hartford", 41.76, -72.69, 18.0)

CLIENTS = [
    Client(
        "open_meteo_archive",
        lambda: FakeOpenMeteo().routes(),
        (ZURICH, BERLIN),
        date(2026, 5, 1),
        date(2026, 5, 31),
    ),
    Client(
        "open_meteo_pollen",
        lambda: FakeOpenMeteo().routes(),
        (ZURICH, BERLIN),
        date(2026, 6, 8),
        date(2026, 6, 12),
    ),
    Client(
        "nasa_power",
        lambda: FakePower().routes(),
        (ZURICH, BERLIN),
        date(2026, 5, 20),
        date(2026, 6, 9),
    ),
    Client(
        "ghcn_daily",
        lambda: FakeNcei().routes(),
        (NEW_YORK,),
        date(2026, 5, 20),
        date(2026, 6, 9),
    ),
    Client(
        "meteoswiss_pollen",
        lambda: FakeMeteoSwiss().routes(),
        (ZURICH,),
        date(2026, 6, 1),
        date(2026, 6, 9),
    ),
    Client(
        "meteoswiss_phenology",
        lambda: FakeMeteoSwiss().routes(),
        (ZURICH,),
        date(2026, 1, 1),
        date(2026, 6, 9),
    ),
    Client(
        "dwd_pollen_index",
        lambda: FakePollenIndex().routes(),
        (BERLIN,),
        date(2026, 6, 10),
        date(2026, 6, 12),
        {"areas": {"berlin": 50}},
    ),
    Client(
        "dwd_phenology",
        lambda: FakePhenology().routes(),
        (BERLIN,),
        date(2026, 1, 1),
        date(2026, 6, 9),
    ),
    Client(
        "usa_npn",
        lambda: FakeNpn().routes(),
        (HARTFORD,),
        date(2026, 1, 1),
        date(2026, 6, 9),
        {"terms_read": True},
    ),
]
