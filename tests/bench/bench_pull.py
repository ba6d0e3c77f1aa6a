"""How long a pull takes: many regions, twenty years, from a local server of the documented format.

Run by hand: ``python tests/bench/bench_pull.py [regions] [two]`` (500 unless given). With ``two``
NASA POWER is a second source of weather, and both are joined. Pauses between requests, which a
service asks for, are not waited for but told. The server runs in a process of its own and answers
the first source from prepared text, so that what is measured is forepaw: asking, archiving,
reading, checking, committing. Memory and processor seconds are those of forepaw's process alone;
the bound is on the seconds by the wall, so run it on a machine that does nothing else.
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

import numpy as np

FAKES = Path(__file__).parents[1] / "jobs" / "sources"
NOW = datetime(2026, 6, 10, 8, tzinfo=UTC)
SECONDS_FIRST, SECONDS_DAILY, MEGABYTES = 180.0, 10.0, 1000.0


def serve(pipe: Connection) -> None:
    """Play the service until told to stop."""
    sys.path.insert(0, str(FAKES))
    from fake_nasa_power import FakePower
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
            "dew_point_2m_mean": (0, 8),
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

    power = FakePower(today=NOW.date() + timedelta(days=1))
    with LocalServer({"/v1/archive": daily, **power.routes()}) as server:
        pipe.send(server.url)
        pipe.recv()


def settings(url: str, n_regions: int, sources: list[str]) -> str:
    """Return a practice.toml of so many regions that uses these sources."""
    regions = "".join(
        f'[[region]]\nid = "r{n}"\nname = "Region {n}"\nlatitude = {36 + 0.02 * n:.2f}\n'
        f"longitude = {8 + 0.01 * n:.2f}\nelevation = 50.0\n"
        'time_zone = "Europe/Rome"\nallergens = ["grasses"]\n'
        for n in range(n_regions)
    )
    pulls = "".join(f'[[pull]]\nsource = "{name}"\nbase_url = "{url}"\n' for name in sources)
    return (
        f'[practice]\nname = "Bench"\ninvented = true\n{regions}[dosing]\n'
        f"flare_weeks_per_dose = 0.1\n{pulls}"
    )


def main(n_regions: int, sources: list[str]) -> int:
    """Measure a first pull and the next day's; return 1 where one is past its bound."""
    import jobs.pull  # noqa: F401 (what is imported is not what is measured)
    from forecast.practice import create_practice, open_practice
    from jobs.pull import pull
    from jobs.sources.limits import Clock

    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,))
    process.start()
    url = ours.recv()
    worst = 0
    with tempfile.TemporaryDirectory() as folder:
        text = settings(url, n_regions, sources)
        practice = create_practice(Path(folder) / "bench", text, now=NOW)
        for label, moment, bound in (
            ("first pull, 20 years", NOW, SECONDS_FIRST),
            ("next day", NOW + timedelta(days=1), SECONDS_DAILY),
        ):
            began, spent = time.monotonic(), time.process_time()
            said: list[str] = []
            pauses: list[float] = []
            clock = Clock(
                monotonic=lambda slept=pauses: time.monotonic() + sum(slept), sleep=pauses.append
            )
            opened = open_practice(practice.folder, now=moment)
            done = pull(opened, say=said.append, clock=clock)
            seconds, spent = time.monotonic() - began, time.process_time() - spent
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            replies, values = sum(d.n_replies for d in done), sum(d.n_values for d in done)
            failures = [failure for d in done for failure in d.failures]
            print(
                f"{label}: {n_regions} regions, {replies} replies, {values:,} values "
                f"in {seconds:.1f} s (bound {bound:g}), {spent:.1f} s of processor; peak memory "
                f"{peak:.0f} MB (bound {MEGABYTES:g}); failures: {failures or 'none'}; polite "
                f"pauses left out: {sum(pauses):.0f} s"
            )
            if len(sources) > 1:
                print(f"  {said[-1][:150]}")
            worst |= seconds > bound or peak > MEGABYTES or bool(failures)
        size = sum(f.stat().st_size for f in Path(folder).rglob("*") if f.is_file())
        print(f"on disk: {size / 1e6:.0f} MB")
    ours.send("stop")
    process.join()
    return int(worst)


if __name__ == "__main__":
    words = sys.argv[1:]
    numbers = [int(word) for word in words if word.isdigit()]
    second = ["nasa_power"] if "two" in words else []
    sys.exit(main(numbers[0] if numbers else 500, ["open_meteo_archive", *second]))
