"""How long a pull takes: many regions, twenty years, from a local server of the documented format.

Run by hand: ``python tests/bench/bench_pull.py [regions]`` (500 unless given). The server runs in a
process of its own and answers from prepared text, so that what is measured is forepaw: asking,
archiving, reading, checking, committing. Memory is the peak of forepaw's process.
"""

from __future__ import annotations

import json
import multiprocessing
import resource
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from functools import cache
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

FAKES = Path(__file__).parents[1] / "jobs" / "sources"
NOW = datetime(2026, 6, 10, 8, tzinfo=UTC)
SECONDS_FIRST, SECONDS_DAILY, MEGABYTES = 180.0, 10.0, 1000.0


def serve(pipe: Connection) -> None:
    """Play the service until told to stop."""
    sys.path.insert(0, str(FAKES))
    from fake_open_meteo import DAILY
    from local_server import Answer, Asked, LocalServer

    @cache
    def column(name: str, first: str, last: str, variant: int) -> str:
        seed = [*name.encode(), date.fromisoformat(first).toordinal(), variant]
        n_days = (date.fromisoformat(last) - date.fromisoformat(first)).days + 1
        low, wide = {
            "temperature_2m_min": (0, 8),
            "temperature_2m_mean": (9, 4),
            "temperature_2m_max": (14, 9),
            "relative_humidity_2m_mean": (50, 45),
        }.get(name, (0, 8))
        values = low + wide * np.random.default_rng(seed).random(n_days)
        return json.dumps(values.round(DAILY[name][1]).tolist())

    @cache
    def days(first: str, last: str) -> str:
        start, end = date.fromisoformat(first), date.fromisoformat(last)
        return json.dumps([str(start + timedelta(days=n)) for n in range((end - start).days + 1)])

    def daily(asked: Asked) -> Answer:
        first, last = asked.one("start_date"), asked.one("end_date")
        names = asked.listed("daily")
        units = json.dumps({"time": "iso8601"} | {name: DAILY[name][0] for name in names})

        def section(variant: int) -> str:
            values = ",".join(f'"{name}":{column(name, first, last, variant)}' for name in names)
            return f'"daily_units":{units},"daily":{{"time":{days(first, last)},{values}}}'

        places = zip(asked.listed("latitude"), asked.listed("longitude"), strict=True)
        locations = [
            f'{{"latitude":{lat},"longitude":{lon},"utc_offset_seconds":0,"timezone":"GMT",'
            f'"timezone_abbreviation":"GMT","elevation":10.0,"location_id":{n},{section(n)}}}'
            for n, (lat, lon) in enumerate(places)
        ]
        body = locations[0] if len(locations) == 1 else f"[{','.join(locations)}]"
        return Answer(body=body.encode())

    with LocalServer({"/v1/archive": daily}) as server:
        pipe.send(server.url)
        pipe.recv()


def settings(url: str, n_regions: int) -> str:
    """Return a practice.toml of so many regions."""
    regions = "".join(
        f'[[region]]\nid = "r{n}"\nname = "Region {n}"\nlatitude = {36 + 0.02 * n:.2f}\n'
        f"longitude = {8 + 0.01 * n:.2f}\nelevation = 50.0\n"
        'time_zone = "Europe/Rome"\nallergens = ["grasses"]\n'
        for n in range(n_regions)
    )
    return (
        f'[practice]\nname = "Bench"\ninvented = true\n{regions}[dosing]\n'
        f'flare_weeks_per_dose = 0.1\n[[pull]]\nsource = "open_meteo_archive"\nbase_url = "{url}"\n'
    )


def main(n_regions: int) -> int:
    """Measure a first pull and the next day's; return 1 where one is past its bound."""
    import jobs.pull  # noqa: F401 (what is imported is not what is measured)
    from forecast.practice import create_practice, open_practice
    from jobs.pull import pull

    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,))
    process.start()
    url = ours.recv()
    worst = 0
    with tempfile.TemporaryDirectory() as folder:
        practice = create_practice(Path(folder) / "bench", settings(url, n_regions), now=NOW)
        for label, moment, bound in (
            ("first pull, 20 years", NOW, SECONDS_FIRST),
            ("next day", NOW + timedelta(days=1), SECONDS_DAILY),
        ):
            began = time.monotonic()
            (done,) = pull(open_practice(practice.folder, now=moment), say=lambda _: None)
            seconds = time.monotonic() - began
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{label}: {n_regions} regions, {done.n_replies} replies, {done.n_values:,} values "
                f"in {seconds:.1f} s (bound {bound:g}); peak memory {peak:.0f} MB "
                f"(bound {MEGABYTES:g}); failures: {done.failures or 'none'}"
            )
            worst |= seconds > bound or peak > MEGABYTES or bool(done.failures)
        size = sum(f.stat().st_size for f in Path(folder).rglob("*") if f.is_file())
        print(f"on disk: {size / 1e6:.0f} MB")
    ours.send("stop")
    process.join()
    return int(worst)


def _regions(arguments: list[str]) -> Any:
    return int(arguments[0]) if arguments else 500


if __name__ == "__main__":
    sys.exit(main(_regions(sys.argv[1:])))
