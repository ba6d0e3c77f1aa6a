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
from jobs.demo.invention import invent_practice
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
    known = known_of(made.visits, made.branches, weather, flowering, origin=as_of)
    model = train_in_memory(known)
    evidence = what_drives(model, known)
    return Verdict(
        frozenset(e.family for e in evidence if e.verdict == FOUND),
        frozenset(e.family for e in evidence),
    )


def placed_visits(visits: pd.DataFrame, branches: pd.DataFrame) -> pd.DataFrame:
    """Return invented visits with their region, that of the branch."""
    return visits.assign(region=visits["branch"].map(branches.set_index("id")["region"]))


def known_of(
    visits: pd.DataFrame,
    branches: pd.DataFrame,
    weather: xr.Dataset,
    flowering: pd.DataFrame,
    *,
    origin: date,
) -> Known:
    """Return what an origin lets be seen of an invented practice, its cover not known."""
    names = choose_regions(weather, flowering)
    seen = placed_visits(visits[visits["date"] < pd.Timestamp(origin)], branches)
    counts = count_weeks(
        seen,
        regions=names,
        known_on=origin,
        flare_free_days=CaseDefinition.shipped().flare_free_days,
    )
    counts["covered_share"] = counts["flare_visits"] * np.nan  # not known
    return Known(
        origin,
        weather.sel(region=names, time=weather["time"] < np.datetime64(origin)),
        flowering[flowering["date"] < pd.Timestamp(origin)],
        counts,
    )


def train_in_memory(known: Known) -> TrainedModel:
    """Train on what is known of the sample's regions."""
    names = [str(name) for name in known.observed["region"].values]
    places = {name: Region(name, name, *_SOMEWHERE, ALLERGENS) for name in names}
    return train(known, places, cut=DataCut(known.origin, "none", "none", "1", "hindcast"))


# latitude, longitude, elevation, zone: shown to people only, and nobody is shown this
_SOMEWHERE = (36.0, 128.0, 50.0, "Asia/Seoul")
