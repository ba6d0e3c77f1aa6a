"""The three worlds: the right driver is found or left open, the wrong one is left alone."""

from __future__ import annotations

import os
from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecast.cut import DataCut, Known
from forecast.regions import Region
from forecast.training import train, what_drives
from forecast.visits.counts import count_weeks
from jobs.demo.invention import invent_practice
from jobs.demo.places import choose_regions
from jobs.demo.run import ALLERGENS, sample
from models.flare.attribution import FOUND

AS_OF = date(2023, 3, 1)
SEEDS = 20 if os.environ.get("FOREPAW_LONG") == "whole" else 1
TRUE_DRIVER = {"humidity": "humidity", "pollen": "exposure", "none": None}


def found_in(world: str, seed: int) -> set[str]:
    """Run one world in memory, from inventing it to the verdict."""
    weather, flowering = sample()
    made = invent_practice(weather, flowering, world=world, seed=seed, as_of=AS_OF)
    names = choose_regions(weather, flowering)
    region = made.visits["branch"].map(made.branches.set_index("id")["region"])
    counts = count_weeks(made.visits.assign(region=region), regions=names, known_on=AS_OF)
    counts["covered_share"] = counts["flare_visits"] * np.nan  # not known
    known = Known(
        AS_OF,
        weather.sel(region=names, time=weather["time"] < np.datetime64(AS_OF)),
        flowering[flowering["date"] < pd.Timestamp(AS_OF)],
        counts,
    )
    places = {
        name: Region(name, name, 36.0, 128.0, 50.0, "Asia/Seoul", ALLERGENS) for name in names
    }
    model = train(known, places, cut=DataCut(AS_OF, "none", "none", "1", "hindcast"))
    return {e.family for e in what_drives(model, known) if e.verdict == FOUND}


@pytest.mark.long
def test_over_many_seeds_the_wrong_driver_is_claimed_at_no_more_than_the_nominal_rate(capsys):
    """Humidity is found in its world; over all worlds wrong claims keep to 5 % (by 2 sd)."""
    rows = []
    for world in TRUE_DRIVER:
        for seed in range(100, 100 + SEEDS):
            found = found_in(world, seed)
            rows.append((world, seed, "humidity" in found, "exposure" in found))
    table = pd.DataFrame(rows, columns=["world", "seed", "humidity", "exposure"])
    shares = table.groupby("world")[["humidity", "exposure"]].mean()
    with capsys.disabled():
        print(f"\nshare of {SEEDS} seeds in which a driver was claimed\n{shares.to_string()}")
    assert shares.loc["humidity", "humidity"] >= 0.8
    wrong = [
        shares.loc[world, family]
        for world, truth in TRUE_DRIVER.items()
        for family in ("humidity", "exposure")
        if family != truth
    ]
    # four wrong claims on offer a seed, each tested at half of 5 %
    assert np.mean(wrong) <= 0.025 + 2 * np.sqrt(0.025 * 0.975 / (4 * SEEDS))
