"""Flare visits by dog and day, the days on which a dog could have none, and the open days.

What a case-crossover lays side by side (`models.culprits`). It holds dogs' ids and no names, and is
worked out when it is asked for and not kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.practice import Practice
from forecast.records import Records, care, dated
from forecast.records.branches import branches
from forecast.visits.counting.arrivals import known_visits
from forecast.visits.counting.cover import CoverRule, spans_not_uncovered
from forecast.visits.counting.episodes import FLARE_VISIT, with_roles
from forecast.visits.counting.placing import placed
from forecast.visits.judging import counting_rule
from forecast.visits.rules import VisitError

_DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class FlareDays:
    """A practice's flare visits beside what tells when else they might have come.

    Attributes
    ----------
    flares
        A row each flare visit, first of its episode: ``dog``, ``region``, ``date``.
    is_open
        Whether any patient of a region was seen on a day, dims ``(region, time)``.
    not_at_risk
        Episodes until their flare-free days are over, and days under cover or, `known` False, of
        unknown cover: ``dog``, ``first``, ``end`` (the day after the last; missing where none is
        known), ``known``.
    """

    flares: pd.DataFrame
    is_open: xr.DataArray
    not_at_risk: pd.DataFrame

    def of_dog(self, dog: str) -> pd.DataFrame:
        """Return one dog's flare visits."""
        return self.flares[self.flares["dog"] == dog]


def flare_days(
    practice: Practice, records: Records, *, cover_rules: Mapping[str, CoverRule], known_on: date
) -> FlareDays:
    """Read flare visits of the days before `known_on`, and the days to compare them with."""
    rule = counting_rule(practice, records)
    seen = placed(
        known_visits(practice, records, known_on=known_on).visits,
        dated.home_frame(records),
        {branch.id: branch.region_id for branch in branches(records).values()},
        practice.settings.visits.unknown_home,
    )
    if seen.empty:
        raise VisitError("flare visits were asked for and no visits are on record; import visits")
    therapies = care.therapies(records)
    told = therapies.loc[therapies["date"] < pd.Timestamp(known_on)]
    covered = spans_not_uncovered(told, cover_rules)
    marked = with_roles(seen, flare_free_days=rule.flare_free_days)
    return FlareDays(
        _flares(marked, rule.flare_free_days),
        open_days_by_region(seen, [section.id for section in practice.settings.region]),
        pd.concat([episodes(marked, rule.flare_free_days), covered], ignore_index=True),
    )


def _flares(marked: pd.DataFrame, flare_free_days: int) -> pd.DataFrame:
    """Return flare visits at home; of a record's first days it cannot be told whether one is."""
    begins = marked.groupby("region")["date"].min() + flare_free_days * _DAY
    is_flare = (marked["role"] == FLARE_VISIT) & ~marked["apart"] & marked["region"].notna()
    own = marked.loc[is_flare]
    own = own[own["date"] >= own["region"].map(begins)]
    return own[["dog", "region", "date"]].reset_index(drop=True)


def episodes(marked: pd.DataFrame, flare_free_days: int) -> pd.DataFrame:
    """Return each dog's episodes: ``dog``, ``first``, ``end`` (when one may open again), ``known``.

    `marked` is what `with_roles` returns.
    """
    itch = marked[marked["kind"] == "itch flare"].sort_values(["dog", "date"], kind="stable")
    number = (itch["role"] == FLARE_VISIT).cumsum()
    spans = itch.groupby(number).agg(
        dog=("dog", "first"), first=("date", "min"), last=("date", "max")
    )
    spans["end"] = spans["last"] + (flare_free_days + 1) * _DAY
    return spans[["dog", "first", "end"]].assign(known=True).reset_index(drop=True)


def open_days_by_region(seen: pd.DataFrame, regions: list[str]) -> xr.DataArray:
    """Say on which days any patient of a region was seen, from the first visit to the last."""
    days = pd.date_range(seen["date"].min(), seen["date"].max(), freq="D")
    is_open = np.zeros((len(regions), len(days)), dtype=bool)
    for number, region in enumerate(regions):
        is_open[number] = days.isin(seen.loc[seen["region"] == region, "date"])
    coords = {"region": np.array(regions, dtype=object), "time": days}
    return xr.DataArray(is_open, dims=("region", "time"), coords=coords)
