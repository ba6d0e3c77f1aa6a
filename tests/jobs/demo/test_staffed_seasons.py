"""Realised overflow of the demo's later seasons, staffed in several ways.

One seed and one forecast unless FOREPAW_LONG is set to ``whole``; then twenty seeds, a forecast
every eight weeks from March to October. Printed with its spread over seeds.
"""

from __future__ import annotations

import os

import numpy as np
import pytest

from forecast.staffing.rostering import NOTHING_DONE, OVER_FUTURES, RosterRules
from jobs.demo.staffed_seasons import WAYS, staffed_seasons

IS_WHOLE = os.environ.get("FOREPAW_LONG") == "whole"
SEEDS, ORIGINS = (20, 4) if IS_WHOLE else (1, 1)
DRAWS = 100
RULES = RosterRules(gap=0.01, seconds=600.0, branch_futures=160, fairness=0.15)


@pytest.mark.long
def test_planned_seasons_cost_less_than_nothing_done():
    """On average over seeds our plan costs less, and turns fewer away, than contracts alone."""
    found = {way: [] for way in WAYS}
    for seed in range(1, SEEDS + 1):
        for met in staffed_seasons(
            "humidity", seed=seed, n_origins=ORIGINS, draws=DRAWS, rules=RULES
        ):
            found[met.way].append((met.overflow, met.turned_away, met.cost))
            print(seed, met, flush=True)
    means = {way: np.mean(values, axis=0) for way, values in found.items()}
    ours = np.array(found[OVER_FUTURES])
    for way, values in found.items():
        spread = np.quantile(values, [0.1, 0.9], axis=0)
        less = ours[:, 2] - np.array(values)[:, 2]
        print(
            f"{way:32} overflow {100 * means[way][0]:5.1f} % of branch-weeks "
            f"({100 * spread[0, 0]:.1f} to {100 * spread[1, 0]:.1f}); turned away "
            f"{means[way][1]:5.1f} a week ({spread[0, 1]:.1f} to {spread[1, 1]:.1f}); cost "
            f"{means[way][2]:7.0f} a week ({spread[0, 2]:.0f} to {spread[1, 2]:.0f}); our plan's "
            f"less this {less.mean():+.0f} a week, cheaper in {(less < 0).sum()} of {len(less)}"
        )
    assert means[OVER_FUTURES][2] < means[NOTHING_DONE][2]
    assert means[OVER_FUTURES][1] < means[NOTHING_DONE][1]
