"""Learning, and a year of weekly backtest, of six regions on two processes.

    python tests/bench/bench_backtest.py [workers]

Wanted: under 30 s on two cores. The weather is the sample's, the counts are invented.
"""

from __future__ import annotations

import os
import sys
import time
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from forecast.backtest import WEEKS_AHEAD, BacktestTask, backtest
from forecast.cut import DataCut, Known
from forecast.regions import Region
from forecast.training import train
from jobs.demo.run import ALLERGENS, sample

AS_OF = date(2023, 3, 6)
REGIONS, YEARS, WEEKS_IN_YEAR, WANTED = 6, 6, 52, 30.0


def main(workers: int) -> None:
    """Print seconds of learning once, then of learning and drawing at each of 52 origins."""
    task, first = known_of_six()
    began = time.perf_counter()
    with threadpool_limits(1):  # as the job that learns
        train(task.known, task.regions, cut=task.cut)
    learnt = time.perf_counter() - began
    scores = backtest(task, first_weeks=first, every=1, workers=workers)
    whole = time.perf_counter() - began
    spent = sum(os.times()[:4])
    print(
        f"{REGIONS} regions, {YEARS} years of counts, {len(ALLERGENS)} allergens: learnt in "
        f"{learnt:.1f} s, {scores['origin'].nunique()} origins on {workers} processes in "
        f"{whole - learnt:.1f} s; together {whole:.1f} s (wanted: under {WANTED:.0f} s, "
        f"two cores, nothing else), {spent:.1f} s of processor time with imports"
    )


def known_of_six() -> tuple[BacktestTask, int]:
    """Return what is known, and after how many weeks of counts the last year of origins begins."""
    weather, flowering = sample()
    names = [str(name) for name in weather["region"].values[:REGIONS]]
    n_weeks = YEARS * WEEKS_IN_YEAR
    weeks = pd.date_range(
        end=pd.Timestamp(AS_OF) - pd.Timedelta(days=7), periods=n_weeks, freq="7D"
    )
    rng = np.random.default_rng(3)
    season = 1 + 0.5 * np.sin(2 * np.pi * np.arange(n_weeks) / WEEKS_IN_YEAR)
    dims, coords, shape = ("region", "week"), {"region": names, "week": weeks}, (REGIONS, n_weeks)
    counts = xr.Dataset(
        {
            "flare_visits": (dims, rng.poisson(6 * season, shape).astype(float)),
            "consultations": (dims, rng.poisson(90.0, shape).astype(float)),
            "covered_share": (dims, np.full(shape, np.nan)),
        },
        coords=coords,
    )
    known = Known(
        AS_OF,
        weather.sel(region=names, time=weather["time"] < np.datetime64(AS_OF)),
        flowering[flowering["date"] < pd.Timestamp(AS_OF)],
        counts,
    )
    places = {n: Region(n, n, 36.0, 128.0, 50.0, "Asia/Seoul", ALLERGENS) for n in names}
    task = BacktestTask(known, places, DataCut(AS_OF, "none", "none", "1", "hindcast"), 1)
    return task, n_weeks - WEEKS_AHEAD - WEEKS_IN_YEAR + 1


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
