"""One invented world in memory, from the first dog to the verdict on what drives its flares."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.cut import DataCut, Known
from forecast.regions import Region
from forecast.training import TrainedModel, train, what_drives
from forecast.visits.case_definition import CaseDefinition
from forecast.visits.counting.counts import count_weeks
from jobs.demo.invention import InventedPractice, invent_practice
from jobs.demo.places import choose_regions
from jobs.demo.run import ALLERGENS, sample
from jobs.demo.worlds import World
from models.flare.attribution import FOUND


@dataclass(frozen=True)
class Verdict:
    """The families of drivers that were claimed, of those that could have been."""

    claimed: frozenset[str]
    asked: frozenset[str]


def judge_world(world: World, *, seed: int, as_of: date) -> Verdict:
    """Invent a world, count its visits, train on them and say what drives them.

    Nothing is written: no folder, no records, no store.
    """
    weather, flowering = sample()
    made = invent_practice(weather, flowering, world=world, seed=seed, as_of=as_of)
    model, known = train_on(made, weather, flowering)
    evidence = what_drives(model, known)
    return Verdict(
        frozenset(e.family for e in evidence if e.verdict == FOUND),
        frozenset(e.family for e in evidence),
    )


def train_on(
    made: InventedPractice, weather: xr.Dataset, flowering: pd.DataFrame
) -> tuple[TrainedModel, Known]:
    """Count the visits of an invented practice and train on them; return what was known too."""
    as_of, names = made.as_of, choose_regions(weather, flowering)
    region = made.visits["branch"].map(made.branches.set_index("id")["region"])
    counts = count_weeks(
        made.visits.assign(region=region),
        regions=names,
        known_on=as_of,
        flare_free_days=CaseDefinition.shipped().flare_free_days,
    )
    counts["covered_share"] = counts["flare_visits"] * np.nan  # not known
    known = Known(
        as_of,
        weather.sel(region=names, time=weather["time"] < np.datetime64(as_of)),
        flowering[flowering["date"] < pd.Timestamp(as_of)],
        counts,
    )
    places = {name: Region(name, name, *_SOMEWHERE, ALLERGENS) for name in names}
    model = train(known, places, cut=DataCut(as_of, "none", "none", "1", "hindcast"))
    return model, known


# latitude, longitude, elevation, zone: shown to people only, and nobody is shown this
_SOMEWHERE = (36.0, 128.0, 50.0, "Asia/Seoul")
