"""The data cut: what was known at an origin, and nothing later.

"As of" has two meanings and a cut holds both: what was *held* (a snapshot of the climate store and
a vintage of the counts) and what *could be known* (days before the origin). An origin before the
day the practice looks at it is a *hindcast*: the second meaning alone holds, and its forecasts are
never mixed with issued ones.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from math import ceil
from typing import Any, Literal

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate import ClimateStore, fill_short_gaps, join_in_parts
from forecast.climate.provenance import NOT_STATED
from forecast.climate.variables import rules
from forecast.pollen_counts import known_pollen
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.vintages import vintage, vintages
from forecast.visits.counting.alerted import mark_alerted
from forecast.visits.counting.closures_ahead import open_share_ahead
from forecast.visits.counting.counts import counts_as_known
from models.errors import ForepawError
from models.parameters import load_table
from models.weeks import DAYS_IN_WEEK

# What seasons, exposure and visits are worked out from; radiation is kept, and not needed yet.
NEEDED = ("tas", "tasmin", "tasmax", "hurs", "pr", "sfcWind")
_REGIONS_AT_A_TIME = 100


class CutError(ForepawError):
    """There is nothing to forecast from at that origin."""


@dataclass(frozen=True)
class DataCut:
    """Which data a model or forecast was made from.

    `lags` tells of a hindcast how long each source takes to give a day [d]: what it had not given
    by the origin is not seen. What is issued on its own day needs none: no more is held then.
    """

    origin: date
    climate_snapshot: str
    visit_vintage: str | None
    case_definition: str
    kind: Literal["issued", "hindcast"]
    lags: tuple[tuple[str, float], ...] = ()

    def as_attributes(self) -> dict[str, Any]:
        """Return the cut as plain values for a file's attributes."""
        plain = {k: ("" if v is None else str(v)) for k, v in asdict(self).items()}
        return plain | {"lags": json.dumps(dict(self.lags)) if self.lags else ""}

    @classmethod
    def from_attributes(cls, attributes: dict[str, Any]) -> DataCut:
        """Make the cut from what `as_attributes` returned."""
        return cls(
            date.fromisoformat(attributes["origin"]),
            attributes["climate_snapshot"],
            attributes["visit_vintage"] or None,
            attributes["case_definition"],
            attributes["kind"],
            tuple(json.loads(attributes.get("lags") or "{}").items()),
        )


@dataclass(frozen=True)
class StaleSource:
    """A source that ends long before the origin: of one region, and the last day it reaches."""

    source: Literal["weather", "visits"]
    region: str
    until: date


@dataclass(frozen=True)
class WeatherGap:
    """Days of one region whose weather is not known, among days that are."""

    region: str
    first: date
    last: date
    n_days: int


@dataclass(frozen=True)
class Known:
    """Everything a cut lets be seen.

    `observed` is daily, `(region, time)`, of the needed variables; `flowering` has region, species,
    stage, date; `counts` is weekly, `(region, week)`, or None without visits. Where several sources
    were joined into `observed`, `layers` holds each one's own weather, `(source, region, time)`: an
    earlier origin joins them anew, since what one source is fitted by must not come from days after
    it. `pollen` are concentrations, `(allergen, region, time)`, or None without any
    (`forecast.pollen_counts`). `open_ahead` is the share of the usual volume that closures listed
    for days to come leave, ``(region, week)``; None where none is listed, and at an origin of the
    past, of which it is not told what was listed then.
    """

    origin: date
    observed: xr.Dataset
    flowering: pd.DataFrame
    counts: xr.Dataset | None
    layers: xr.Dataset | None = None
    pollen: xr.Dataset | None = None
    open_ahead: xr.DataArray | None = None

    @cached_property
    def weather(self) -> xr.Dataset:
        """The weather with short gaps filled, up to the last day known in every region.

        Filled after the cut and not before it, so that no gap is bridged to a day not known yet.
        """
        filled, _ = fill_short_gaps(_before(self.observed, self.origin))
        return filled.sel(time=slice(None, _last_known(filled).min().min()))

    @property
    def weather_until(self) -> date:
        """The last day whose weather is known in every region."""
        return pd.Timestamp(self.weather["time"].values[-1]).date()

    def stale_sources(self) -> list[StaleSource]:
        """Return what ends longer before the origin than its table allows.

        Flowering dates are never stale, since nothing needs them; nor are visits of a region that
        has none, which are not known at all.
        """
        before = _before(self.observed, self.origin)
        reach = [
            StaleSource("weather", str(region), day.date())
            for region, day in _last_known(before).min(axis=1).items()
        ]
        if self.counts is not None:
            for region in self.counts["region"].values:
                flares = self.counts["flare_visits"].sel(region=region)
                weeks = flares["week"].values[flares.notnull().values]
                if len(weeks):
                    sunday = pd.Timestamp(weeks[-1]) + pd.Timedelta(days=DAYS_IN_WEEK - 1)
                    reach.append(StaleSource("visits", str(region), sunday.date()))
        allowed = load_table("forecast", "cut.toml")
        return [
            one
            for one in reach
            if (self.origin - one.until).days - 1 > allowed.number(f"stale.{one.source}")
        ]

    def weather_gaps(self, days: int) -> list[WeatherGap]:
        """Return, by region, what is not known of the last `days` days of the weather."""
        recent = self.weather[list(NEEDED)].isel(time=slice(-days, None)).to_array()
        missing = recent.isnull().any("variable")
        found = []
        for region in missing["region"].values:
            at = missing["time"].values[missing.sel(region=region).values]
            if len(at):
                first, last = (pd.Timestamp(at[i]).date() for i in (0, -1))
                found.append(WeatherGap(str(region), first, last, len(at)))
        return found

    def before(self, origin: date) -> Known:
        """Return what was known at an earlier origin."""
        day = np.datetime64(origin)
        counts = self.counts
        if counts is not None:
            ended = counts["week"] + np.timedelta64(7, "D") <= day
            counts = counts.sel(week=counts["week"][ended])
        flowering = self.flowering[self.flowering["date"] < pd.Timestamp(origin)]
        pollen = None if self.pollen is None else _before(self.pollen, origin)
        if self.layers is None:
            observed = _before(self.observed, origin)
            return Known(origin, observed, flowering, counts, pollen=pollen)
        layers = _before(self.layers, origin)
        observed, _ = join_in_parts(_in_parts(layers))
        return Known(origin, observed, flowering, counts, layers, pollen)


def take_cut(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    lag_days: Mapping[str, float] | None = None,
) -> DataCut:
    """Pin the newest data held, of counts those known by the origin; a past one is a hindcast.

    A hindcast leaves out what a source named in `lag_days` had not given by its origin. A source
    that is not named there, such as a file, is seen up to the day before.
    """
    if origin >= practice.today:
        cut = DataCut(origin, climate.head(), None, "", "issued")
    else:
        lags = tuple(sorted((lag_days or {}).items()))
        cut = DataCut(origin, climate.head(), None, "", "hindcast", lags)
    return pin_counts(records, cut)


def pin_counts(records: Records, cut: DataCut) -> DataCut:
    """Return the cut with the newest counts known by its origin; the weather stays as pinned."""
    held = [v for v in vintages(records) if v.known_on <= cut.origin]
    newest = held[-1] if held else None
    return replace(
        cut,
        visit_vintage=newest.id if newest else None,
        case_definition=newest.case_definition if newest else "",
    )


def known_at(practice: Practice, records: Records, climate: ClimateStore, *, cut: DataCut) -> Known:
    """Read what a cut lets be seen."""
    known = with_counts(known_weather(practice, climate, cut=cut), records, cut=cut)
    return with_closures(known, practice, records, cut=cut)


def known_weather(practice: Practice, climate: ClimateStore, *, cut: DataCut) -> Known:
    """Read the weather and flowering dates that a cut lets be seen, without its counts.

    Raises
    ------
    CutError
        If a region has no weather, or too little of late, to be forecast from.
    """
    wanted, lag_days = [region.id for region in practice.settings.region], dict(cut.lags)
    until = cut.origin - timedelta(days=1)
    order = weather_order(practice, climate, snapshot=cut.climate_snapshot)
    held = climate.weather_regions(snapshot=cut.climate_snapshot)
    if missing := [region for region in wanted if region not in held]:
        raise CutError(
            f"a forecast from {cut.origin} was asked; no weather is held for region "
            f"{', '.join(missing)}: fetch it with `forepaw pull`, or load it with `forepaw import "
            "weather FILE`"
        )
    parts = climate.weather_parts(
        snapshot=cut.climate_snapshot,
        until=until,
        regions=wanted,
        sources=order or None,
        names=NEEDED,
    )
    if lag_days:
        parts = (_given_by(part, cut.origin, lag_days) for part in parts)
    weather, layers = join_in_parts(parts, keep_layers=True)
    _refuse_stale(weather, cut.origin)
    flowering = climate.flowering(snapshot=cut.climate_snapshot, until=until)
    if lag_days:
        late = flowering["source"].map(lag_days).fillna(0.0)
        out = flowering["date"] + pd.to_timedelta(late, unit="D") < pd.Timestamp(cut.origin)
        flowering = flowering[out]
    own = flowering[flowering["region"].isin(wanted)]
    pollen = known_pollen(
        climate, wanted, snapshot=cut.climate_snapshot, origin=cut.origin, lag_days=lag_days
    )
    read = [*order, *([] if pollen is None else pollen.attrs["sources"])]
    weather.attrs["credit"] = _credit(climate, cut.climate_snapshot, read, own)
    return Known(cut.origin, weather, flowering, None, layers, pollen)


def _given_by(layers: xr.Dataset, origin: date, lag_days: Mapping[str, float]) -> xr.Dataset:
    """Return layers without the days that their source had not given yet at an origin."""
    newest = [
        np.datetime64(origin - timedelta(days=1 + ceil(lag_days.get(str(source), 0.0))))
        for source in layers["source"].values
    ]
    return layers.where(layers["time"] <= xr.DataArray(newest, dims="source"))


def _before(daily: xr.Dataset, origin: date) -> xr.Dataset:
    """Return the days before an origin: a view, no copy."""
    n_days = int(np.searchsorted(daily["time"].values, np.datetime64(origin)))
    return daily.isel(time=slice(n_days))


def _in_parts(layers: xr.Dataset) -> Iterator[xr.Dataset]:
    """Give layers some regions at a time, so that joining them needs little more than they do."""
    for start in range(0, layers.sizes["region"], _REGIONS_AT_A_TIME):
        yield layers.isel(region=slice(start, start + _REGIONS_AT_A_TIME))


def weather_order(
    practice: Practice, climate: ClimateStore, *, snapshot: str | None = None
) -> list[str]:
    """Return the sources of weather in the order in which they are joined.

    What was brought by hand goes first, then the sources that practice.toml names under [[pull]],
    in its order, then what was pulled once and is no longer named.
    """
    held = climate.weather_sources(snapshot=snapshot)
    pulled = {source for source in held if climate.asked("weather", source, snapshot=snapshot)}
    named = [section.source for section in practice.settings.pull]
    by_hand = [source for source in held if source not in pulled and source not in named]
    rest = [source for source in held if source not in by_hand and source not in named]
    return [*by_hand, *(source for source in named if source in held), *rest]


def _credit(climate: ClimateStore, snapshot: str, order: list[str], flowering: pd.DataFrame) -> str:
    """Return the lines that the owners of weather, pollen and flowering dates ask for."""
    given = {terms.source: terms.credit for terms in climate.sources(snapshot=snapshot)}
    of_dates = [
        source
        for source in flowering["source"].unique()
        if not given.get(source, NOT_STATED).startswith(NOT_STATED)
    ]
    lines = dict.fromkeys(given[source] for source in [*order, *of_dates] if source in given)
    return "; ".join(line.removesuffix(".") if line != list(lines)[-1] else line for line in lines)


def with_counts(known: Known, records: Records, *, cut: DataCut) -> Known:
    """Return the same with the counts of a cut; None where it has none that are known."""
    if cut.visit_vintage is None:
        return known
    counts = counts_as_known(records, cut.origin, vintage(records, cut.visit_vintage))
    counts = counts.reindex(region=known.observed["region"].values)
    if bool(counts["flare_visits"].isnull().all()):
        return known
    return replace(known, counts=mark_alerted(counts, records, origin=cut.origin))


def with_closures(known: Known, practice: Practice, records: Records, *, cut: DataCut) -> Known:
    """Return the same with the closures listed for days to come; none of a hindcast."""
    if cut.kind != "issued":
        return known
    n_weeks = practice.settings.forecast.weeks
    share = open_share_ahead(practice, records, origin=cut.origin, n_weeks=n_weeks)
    return replace(known, open_ahead=share)


def _last_known(weather: xr.Dataset) -> pd.DataFrame:
    """Return the last day that is known, by region and needed variable; NaT where none is."""
    days, never = weather["time"].values.astype("datetime64[ns]"), np.datetime64("NaT", "ns")
    found = {}
    for name in NEEDED:
        known = ~np.isnan(weather[name].transpose("region", "time").values)
        last = len(days) - 1 - known[:, ::-1].argmax(axis=1) if len(days) else None
        found[name] = np.full(len(known), never) if last is None else days[last]
        found[name][~known.any(axis=1)] = never
    return pd.DataFrame(found, index=[str(region) for region in weather["region"].values])


def _refuse_stale(weather: xr.Dataset, origin: date) -> None:
    """Refuse weather that ends long before the origin: past years would stand in for too much."""
    longest = int(rules().number("stale.days"))
    earliest = pd.Timestamp(origin - timedelta(days=longest + 1))
    for region, days in _last_known(weather).iterrows():
        for name, day in days.items():
            asked = f"a forecast from {origin} was asked; {name} of {region} is"
            if pd.isna(day):
                raise CutError(
                    f"{asked} not held before that day: fetch weather that has it with `forepaw "
                    "pull`, or load it with `forepaw import weather FILE`"
                )
            if day < earliest:
                raise CutError(
                    f"{asked} held until {day:%Y-%m-%d}, and at most {longest} days may be "
                    "missing: fetch newer weather with `forepaw pull`, load it with `forepaw "
                    "import weather FILE`, or ask for "
                    f"an earlier day, such as --as-of {day + pd.Timedelta(days=1):%Y-%m-%d}"
                )
