"""Builders shared by tests: small worlds with an answer known beforehand."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
import xarray as xr

if TYPE_CHECKING:
    from jobs.demo.run import DemoResult

TESTS = Path(__file__).parent.resolve()
MOST_WORKERS = 4  # each imports everything, holds some 0.7 GB and makes its own session fixtures


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Say how many workers `-n auto` of pyproject.toml means: none but for the default tests whole.

    A worker takes some ten seconds to begin, so a folder, a file or a word is run without; `-n 2`
    asks for them. Long tests and checks are run without too: they time, kill, load and print.
    """
    whole = {Path(argument).resolve() for argument in config.args} <= {TESTS, TESTS.parent}
    narrowed = any(config.getoption(name, False) for name in ("keyword", "lf", "stepwise"))
    printing = config.getoption("capture") == "no"
    if not whole or narrowed or printing or "not long" not in config.getoption("markexpr"):
        return 0
    available = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return min(available, MOST_WORKERS) if available and available > 1 else 0


def build_weather(
    *, first: str, last: str, regions: tuple[str, ...] = ("north", "south"), seed: int = 0
) -> xr.Dataset:
    """Invent gap-free daily weather of a temperate climate: a yearly wave plus noise."""
    rng = np.random.default_rng(seed)
    time = pd.date_range(first, last, freq="D")
    wave = -np.cos(2 * np.pi * (time.day_of_year.to_numpy() - 20) / 365.25)
    shape = (len(regions), len(time))
    tas = 12 + 12 * wave + 2 * np.arange(len(regions))[:, None] + rng.normal(0, 2, shape)
    values = {
        "tas": tas,
        "tasmin": tas - rng.uniform(3, 6, shape),
        "tasmax": tas + rng.uniform(3, 6, shape),
        "pr": np.where(rng.random(shape) < 0.3, rng.gamma(0.7, 10, shape), 0.0),
        "hurs": np.clip(65 + 10 * wave + rng.normal(0, 10, shape), 10, 100),
        "sfcWind": rng.gamma(4, 0.6, shape),
        "rsds": np.clip(160 + 90 * wave + rng.normal(0, 40, shape), 5, None),
    }
    values["tdps"] = tas - (100 - values["hurs"]) / 5  # a rule of thumb; draws nothing
    coords = {
        "region": list(regions),
        "time": time,
        "latitude": ("region", np.linspace(37.0, 35.0, len(regions))),
        "longitude": ("region", np.linspace(127.0, 129.0, len(regions))),
        "elevation": ("region", np.full(len(regions), 50.0)),
    }
    return xr.Dataset({k: (("region", "time"), v) for k, v in values.items()}, coords=coords)


@pytest.fixture(scope="session")
def weather() -> xr.Dataset:
    """Twenty invented years of two regions."""
    return build_weather(first="2001-01-01", last="2021-12-31")


@pytest.fixture(scope="session")
def make_weather() -> Callable[..., xr.Dataset]:
    """Give the builder of invented weather."""
    return build_weather


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoResult:
    """Run the demo once for all tests that need a populated practice; do not change its folder.

    Three past origins instead of seventeen, so that it takes seconds.
    """
    from jobs.demo.run import run_demo

    folder = tmp_path_factory.mktemp("demo") / "practice"
    return run_demo(
        folder,
        as_of=date(2023, 3, 1),
        world="humidity",
        seed=1,
        say=lambda _: None,
        weeks_between_origins=52,
        raw_exports=False,
    )
