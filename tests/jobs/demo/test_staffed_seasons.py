"""Realised overflow of the demo's later seasons, staffed in several ways.

One seed and one forecast unless FOREPAW_LONG is set to ``whole``; then twenty seeds on two
processes, a forecast every eight weeks from 1 March 2023 to 27 March 2024, as far as the weather
observed allows. Printed with its spread over seeds.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pandas as pd
import pytest

from forecast.staffing.rostering import NOTHING_DONE, OVER_FUTURES
from forecast.staffing.week_desk import RosterRules
from jobs.demo.staffed_seasons import MOST_ORIGINS, WAYS, Met, staffed_seasons

IS_WHOLE = os.environ.get("FOREPAW_LONG") == "whole"
SEEDS, ORIGINS = (20, MOST_ORIGINS) if IS_WHOLE else (1, 1)
DRAWS = 100
RULES = RosterRules(gap=0.01, seconds=600.0, branch_futures=160, fairness=0.15)
_VALUES = ["overflow", "turned_away", "cost"]


def all_seeds() -> list[Met]:
    """Return what each way met, of all seeds; more than one on two processes."""
    asked = {"n_origins": ORIGINS, "draws": DRAWS, "rules": RULES}
    if SEEDS == 1:
        return list(staffed_seasons("humidity", seed=1, **asked))
    found: list[Met] = []
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        jobs = [
            pool.submit(staffed_seasons, "humidity", seed=seed, **asked)
            for seed in range(1, SEEDS + 1)
        ]
        for job in jobs:
            found += job.result()
            print(f"seed {found[-1].seed} of {SEEDS}", flush=True)
    return found


def show(title: str, met: pd.DataFrame) -> None:
    """Print means over seeds, eight in ten of them, and how ours stands to each other way."""
    by_seed = met.groupby(["way", "seed"])[_VALUES].mean()
    ours = by_seed.loc[OVER_FUTURES]
    print(title)
    for way in WAYS:
        own = by_seed.loc[way]
        mean, low, high = own.mean(), own.quantile(0.1), own.quantile(0.9)
        less = ours - own
        n_better = int((less["overflow"] < 0).sum()), int((less["cost"] < 0).sum())
        print(
            f"  {way:32} overflow {100 * mean.overflow:5.2f} % of branch-weeks "
            f"({100 * low.overflow:.2f} to {100 * high.overflow:.2f}); turned away "
            f"{mean.turned_away:5.2f} a week ({low.turned_away:.2f} to {high.turned_away:.2f}); "
            f"cost {mean.cost:7.0f} a week ({low.cost:.0f} to {high.cost:.0f}); our plan less this "
            f"{100 * less.overflow.mean():+.2f} % of branch-weeks, {less.cost.mean():+.0f} a week "
            f"({less.cost.quantile(0.1):+.0f} to {less.cost.quantile(0.9):+.0f}); fewer overflows "
            f"in {n_better[0]}, cheaper in {n_better[1]} of {len(less)} seeds",
            flush=True,
        )


@pytest.mark.long
def test_planned_seasons_cost_less_than_nothing_done():
    """On average over seeds our plan costs less, and turns fewer away, than contracts alone."""
    met = pd.DataFrame([vars(one) for one in all_seeds()])
    assert met.groupby("way").size().to_dict() == dict.fromkeys(WAYS, SEEDS * ORIGINS)
    for origin, of_origin in met.groupby("origin") if ORIGINS > 1 else ():
        show(f"the eight weeks after {origin}", of_origin)
    show(f"all of {ORIGINS} forecasts and {SEEDS} seeds", met)
    means = met.groupby("way")[_VALUES].mean()
    assert np.isfinite(means.to_numpy()).all()
    assert means.loc[OVER_FUTURES, "cost"] < means.loc[NOTHING_DONE, "cost"]
    assert means.loc[OVER_FUTURES, "turned_away"] < means.loc[NOTHING_DONE, "turned_away"]
