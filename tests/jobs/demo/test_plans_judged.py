"""Plans on the season that came: what they gain on each simple rule, and where they lose."""

from __future__ import annotations

import os
from datetime import date

import numpy as np
import pandas as pd
import pytest

from jobs.demo.plan_judging import ORACLE, PLAN, differences, judge_plans, verdict

AS_OF = date(2023, 3, 1)
SEEDS = 20 if os.environ.get("FOREPAW_LONG") == "whole" else 1
WORLDS = ("humidity", "pollen", "none")
HOLD = "hold a slot, start at first itch"


@pytest.mark.long
def test_plans_are_judged_on_the_season_that_came(capsys):
    """No way costs less than the oracle; this plan costs less than waiting for the first itch.

    Whatever it loses to is printed. Whether it gains on the first itch is asked of the mean over
    all dogs of a world, as a single dog's season may well spare the dose.
    """
    judged = pd.concat(
        judge_plans(world, seed=seed, as_of=AS_OF).assign(world=world, seed=seed)
        for seed in range(100, 100 + SEEDS)
        for world in WORLDS
    )
    totals = judged.pivot(index=["world", "seed", "dog"], columns="way", values="total")
    for world, own in judged.groupby("world"):
        table = differences(own)
        table["verdict"] = [verdict(row) for _, row in table.iterrows()]
        with capsys.disabled():
            n_dogs = own.groupby("seed")["dog"].nunique().mean()
            print(f"\n{world}: this plan less each way, {SEEDS} seeds of {n_dogs:.0f} dogs")
            print(
                f"of their own risk {own['own_risk'].mean():.0%}, dated {own['dated'].mean():.0%}"
            )
            print(table.round(3).to_string())
    assert len(totals) > 100 * SEEDS
    assert (totals.sub(totals[ORACLE], axis=0) > -1e-9).all(axis=None), "the oracle is a bound"
    assert (totals.groupby("world")[[PLAN, HOLD]].mean().diff(axis=1)[HOLD] > 0).all()


def test_differences_and_their_interval_are_those_worked_by_hand():
    """Two seeds of two dogs: differences of means -1 and -3; Student's t of one degree 12.706."""
    rows = [
        (seed, way, dog, total)
        for seed, way, totals in (
            (1, PLAN, (1, 3)),
            (1, "other", (2, 4)),
            (2, PLAN, (0, 2)),
            (2, "other", (4, 4)),
        )
        for dog, total in enumerate(totals)
    ]
    frame = pd.DataFrame(rows, columns=["seed", "way", "dog", "total"])
    frame = frame.assign(uncovered=frame["total"], doses=0.0)
    row = differences(frame).loc["other"]
    assert row["total"] == -2
    # the two differ by 2, so their standard deviation is the root of 2, and that of the mean is 1
    assert row["total_high"] == pytest.approx(-2 + 12.7062, abs=1e-3)
    assert verdict(row) == "no difference told"
    assert verdict(pd.Series({"total_low": 0.1, "total_high": 0.2})) == "LOSES: costs more"
    one = differences(frame[frame["seed"] == 1]).loc["other"]
    assert np.isnan(one["total_low"])
    assert verdict(one) == "one seed: not told"
