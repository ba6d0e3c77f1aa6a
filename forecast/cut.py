"""The data cut: what was known at an origin, and nothing later.

"As of" has two meanings and a cut holds both: what was *held* (a snapshot of the climate store and
a vintage of the counts) and what *could be known* (days before the origin). An origin before the
day the practice looks at it is a *hindcast*: the second meaning alone holds, and its forecasts are
never mixed with issued ones.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate import ClimateStore, fill_short_gaps
from forecast.climate.variables import rules
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.vintages import vintage, vintages
from forecast.visits.counts import counts_as_known
from models.errors import ForepawError

# What seasons, exposure and visits are worked out from; radiation is kept, and not needed yet.
NEEDED = ("tas", "tasmin", "tasmax", "hurs", "pr", "sfcWind")


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

    `observed` is daily, `(region, time)`; `flowering` has region, species, stage, date; `counts` is
    weekly, `(region, week)`, or None without visits.
    """

    origin: date
    observed: xr.Dataset
    flowering: pd.DataFrame
    counts: xr.Dataset | None

    @cached_property
    def weather(self) -> xr.Dataset:
        """The weather with short gaps filled, up to the last day known in every region.

        Filled after the cut and not before it, so that no gap is bridged to a day not known yet.
        """
        before = self.observed["time"] < np.datetime64(self.origin)
        filled, _ = fill_short_gaps(self.observed.sel(time=before))
        return filled.sel(time=slice(None, _last_known(filled).min().min()))

    @property
    def weather_until(self) -> date:
        """The last day whose weather is known in every region."""
        return pd.Timestamp(self.weather["time"].values[-1]).date()

    def before(self, origin: date) -> Known:
        """Return what was known at an earlier origin."""
        day = np.datetime64(origin)
        counts = self.counts
        if counts is not None:
            ended = counts["week"] + np.timedelta64(7, "D") <= day
            counts = counts.sel(week=counts["week"][ended])
        return Known(
            origin,
            self.observed.sel(time=self.observed["time"] < day),
            self.flowering[self.flowering["date"] < pd.Timestamp(origin)],
            counts,
        )


def take_cut(
    practice: Practice, records: Records, climate: ClimateStore, *, origin: date
) -> DataCut:
    """Pin the newest data held, of counts those known by the origin; a past one is a hindcast."""
    held = [v for v in vintages(records) if v.known_on <= origin]
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
    until = cut.origin - timedelta(days=1)
    weather = climate.weather(snapshot=cut.climate_snapshot, until=until)
    missing = [r for r in wanted if r not in weather["region"].values]
    if missing:
        raise CutError(
            f"a forecast from {cut.origin} was asked; no weather is held for region "
            f"{', '.join(missing)}: load it with `forepaw import weather FILE`"
        )
    weather = weather.sel(region=wanted)
    _refuse_stale(weather, cut.origin)
    counts = None
    if cut.visit_vintage is not None:
        counts = counts_as_known(records, cut.origin, vintage(records, cut.visit_vintage))
        counts = counts.reindex(region=wanted)
        if bool(counts["flare_visits"].isnull().all()):
            counts = None
    flowering = climate.flowering(snapshot=cut.climate_snapshot, until=until)
    return Known(cut.origin, weather, flowering, counts)


def _last_known(weather: xr.Dataset) -> pd.DataFrame:
    """Return the last day that is known, by region and needed variable; NaT where none is."""
    found = {}
    for name in NEEDED:
        by_region = weather[name].to_series().groupby("region", sort=False)
        found[name] = {
            str(region): daily.droplevel("region").last_valid_index() for region, daily in by_region
        }
    return pd.DataFrame(found)


def _refuse_stale(weather: xr.Dataset, origin: date) -> None:
    """Refuse weather that ends long before the origin: past years would stand in for too much."""
    longest = int(rules().number("stale.days"))
    earliest = pd.Timestamp(origin - timedelta(days=longest + 1))
    for region, days in _last_known(weather).iterrows():
        for name, day in days.items():
            asked = f"a forecast from {origin} was asked; {name} of {region} is"
            if pd.isna(day):
                raise CutError(
                    f"{asked} not held before that day: load weather that has it with `forepaw "
                    "import weather FILE`"
                )
            if day < earliest:
                raise CutError(
                    f"{asked} held until {day:%Y-%m-%d}, and at most {longest} days may be "
                    "missing: load newer weather with `forepaw import weather FILE`, or ask for "
                    f"an earlier day, such as --as-of {day + pd.Timedelta(days=1):%Y-%m-%d}"
                )
