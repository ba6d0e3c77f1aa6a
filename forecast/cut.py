"""The data cut: what was known at an origin, and nothing later.

"As of" has two meanings and a cut holds both: what was *held* (a snapshot of the climate store and
a vintage of the counts) and what *could be known* (days before the origin). An origin before the
day the practice looks at it is a *hindcast*: the second meaning alone holds, and its forecasts are
never mixed with issued ones.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Literal

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate import ClimateStore, fill_short_gaps
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.vintages import vintage, vintages
from forecast.visits.counts import counts_as_known
from models.errors import ForepawError


class CutError(ForepawError):
    """There is nothing to forecast from at that origin."""


@dataclass(frozen=True)
class DataCut:
    """Which data a model or forecast was made from."""

    origin: date
    climate_snapshot: str
    visit_vintage: str | None
    case_definition: str
    kind: Literal["issued", "hindcast"]

    def as_attributes(self) -> dict[str, Any]:
        """Return the cut as plain values for a file's attributes."""
        return {k: ("" if v is None else str(v)) for k, v in asdict(self).items()}

    @classmethod
    def from_attributes(cls, attributes: dict[str, Any]) -> DataCut:
        """Make the cut from what `as_attributes` returned."""
        return cls(
            date.fromisoformat(attributes["origin"]),
            attributes["climate_snapshot"],
            attributes["visit_vintage"] or None,
            attributes["case_definition"],
            attributes["kind"],
        )


@dataclass(frozen=True)
class Known:
    """Everything a cut lets be seen.

    `weather` is daily and gap-filled, `(region, time)`; `flowering` has region, species, stage,
    date; `counts` is weekly, `(region, week)`, or None without visits.
    """

    origin: date
    weather: xr.Dataset
    flowering: pd.DataFrame
    counts: xr.Dataset | None

    def before(self, origin: date) -> Known:
        """Return what was known at an earlier origin."""
        day = np.datetime64(origin)
        counts = self.counts
        if counts is not None:
            ended = counts["week"] + np.timedelta64(7, "D") <= day
            counts = counts.sel(week=counts["week"][ended])
        return Known(
            origin,
            self.weather.sel(time=self.weather["time"] < day),
            self.flowering[self.flowering["date"] < pd.Timestamp(origin)],
            counts,
        )


def take_cut(
    practice: Practice, records: Records, climate: ClimateStore, *, origin: date
) -> DataCut:
    """Pin the newest data held; a past origin makes it a hindcast."""
    held = vintages(records)
    newest = held[-1] if held else None
    return DataCut(
        origin,
        climate.head(),
        newest.id if newest else None,
        newest.case_definition if newest else "",
        "issued" if origin >= practice.today else "hindcast",
    )


def known_at(practice: Practice, records: Records, climate: ClimateStore, *, cut: DataCut) -> Known:
    """Read what a cut lets be seen."""
    wanted = [region.id for region in practice.settings.region]
    until = cut.origin - pd.Timedelta(days=1).to_pytimedelta()
    weather = climate.weather(snapshot=cut.climate_snapshot, until=until)
    missing = [r for r in wanted if r not in weather["region"].values]
    if missing:
        raise CutError(
            f"a forecast from {cut.origin} was asked; no weather is held for region "
            f"{', '.join(missing)}: load it with `forepaw import weather FILE`"
        )
    counts = None
    if cut.visit_vintage is not None:
        counts = counts_as_known(records, cut.origin, vintage(records, cut.visit_vintage))
        counts = counts.reindex(region=wanted)
        if bool(counts["flare_visits"].isnull().all()):
            counts = None
    filled, _ = fill_short_gaps(weather)
    flowering = climate.flowering(snapshot=cut.climate_snapshot, until=until)
    return Known(cut.origin, filled, flowering, counts)
