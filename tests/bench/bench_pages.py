"""How long a page takes while many people look: closed-loop users against the demo's pages.

    python tests/bench/bench_pages.py DEMO_FOLDER [--users 50] [--think 5] [--seconds 60]

DEMO_FOLDER is what `forepaw demo` made; it is copied first, and every page is asked for once. Then
each user enters as one of the demo's people and goes on and on: a page that this role has in its
menu, or a region's; what the page names (of each picture one form, styles, scripts), once; a pause,
drawn evenly between none and twice the think time; the next page. The time of a page is that from
sending the request to the last byte of the HTML, at the user; users run in a process of their own,
on the same machine. Wanted: a 95th centile below 150 ms with 50 users and 5 s on two cores.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import httpx2
import numpy as np

ROLES = ("vet", "manager", "nurse", "desk", "administrator")
NAMED = re.compile(r'(?:src|rel="stylesheet" href)="(/[^"\s]+)"')  # of a picture's forms one
MENU = re.compile(r'<a href="(/[a-z]*)"')
REGIONS = re.compile(r'href="(/regions/[^"./]+)"')
ROUTE = re.compile(r"^/regions/.+")


def main() -> None:
    """Serve the demo, let users walk about, print the centiles."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--users", type=int, default=50)
    parser.add_argument("--think", type=float, default=5.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(shutil.copytree(asked.folder, Path(scratch) / "demo"))
        server, base = serve(folder)
        try:
            took = asyncio.run(walk_all(base, asked.users, asked.think, asked.seconds))
        finally:
            server.terminate()
            server.wait(30)
    show(took, asked.users, asked.think)


def serve(folder: Path) -> tuple[subprocess.Popen[str], str]:
    """Start the demo's service; return it and its address."""
    run = "from jobs.cli import program; program()"
    words = [sys.executable, "-c", run, "demo", "--serve", "--dir", str(folder), "--port", "0"]
    server = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    assert server.stderr is not None
    for line in server.stderr:
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        if found:
            return server, found[0]
    raise SystemExit(f"the demo ended with {server.wait()} before it was ready")


async def walk_all(
    base: str, users: int, think: float, seconds: float
) -> dict[str, list[tuple[float, int]]]:
    """Let all users walk until the time is over; return seconds and status by route."""
    took: dict[str, list[tuple[float, int]]] = defaultdict(list)
    for role in ROLES:
        await walk(base, role, 0.0, 0.0, took, random.Random(0))
    took.clear()
    until = time.monotonic() + seconds
    rng = random.Random(1)
    walks = [
        walk(base, ROLES[n % len(ROLES)], think, until, took, random.Random(rng.random()))
        for n in range(users)
    ]
    await asyncio.gather(*walks)
    return took


async def walk(
    base: str,
    role: str,
    think: float,
    until: float,
    took: dict[str, list[tuple[float, int]]],
    rng: random.Random,
) -> None:
    """Be one user: enter, then look at one page after the other."""
    kept: set[str] = set()
    await asyncio.sleep(rng.uniform(0, 2 * think))
    async with httpx2.AsyncClient(base_url=base, timeout=60.0) as client:
        origin = {"origin": base, "sec-fetch-site": "same-origin"}
        await client.post("/enter", data={"role": role}, headers=origin)
        text = (await client.get("/")).text
        places = sorted({*MENU.findall(text), *REGIONS.findall(text)} - {"/account"})
        if not until:
            for path in places:
                await get(client, path, path, took)
        while time.monotonic() < until:
            path = rng.choice(places)
            text = await get(client, path, path, took)
            for named in sorted(set(NAMED.findall(text)) - kept):
                kept.add(named)
                await get(client, named, f"what pages name: /{named.split('/')[1]}", took)
            await asyncio.sleep(rng.uniform(0, 2 * think))


async def get(
    client: httpx2.AsyncClient, path: str, route: str, took: dict[str, list[tuple[float, int]]]
) -> str:
    """Get one address and note how long it took."""
    began = time.perf_counter()
    reply = await client.get(path)
    route = ROUTE.sub("/regions/{region}", route)
    took[route].append((time.perf_counter() - began, reply.status_code))
    return reply.text if reply.headers["content-type"].startswith("text/html") else ""


def show(took: dict[str, list[tuple[float, int]]], users: int, think: float) -> None:
    """Print the centiles of pages, one by one and together, and of what they name."""
    print(f"{users} users, {think:g} s think time; milliseconds")
    print(f"{'':34} {'n':>6} {'p50':>7} {'p95':>7} {'p99':>7} {'most':>7}  not 200")
    pages = [one for route, found in took.items() if route.startswith("/") for one in found]
    rows = {"all pages": pages, **dict(sorted(took.items()))}
    for route, found in rows.items():
        spent = 1000 * np.array([seconds for seconds, _ in found])
        p50, p95, p99 = np.quantile(spent, [0.5, 0.95, 0.99])
        bad = sum(status != 200 for _, status in found)
        print(
            f"{route:34} {len(found):6} {p50:7.0f} {p95:7.0f} {p99:7.0f} {spent.max():7.0f}  {bad}"
        )


if __name__ == "__main__":
    main()
