r"""Outlook: exposure by allergen, past and ahead, with its spread.

Puts the season models and the release of a day's weather together for the allergens that each
region lists. Exposure is an index in shares of a mean season of the region: a mean season sums to
one, so birch and mugwort, or two regions, can be laid side by side; the *amount* of a year is a
separate factor around one. Without counts all of it is modelled, and is called so; where pollen
is counted, or modelled by others, it calibrates the index and moves the forecast in season
(:mod:`models.exposure_counts`).

A draw of the exposure ahead combines

* the weather of one trace (:mod:`models.traces`),
* an error of the onset, in whole days, drawn once for the allergen and shared by all regions,
* the year's amount, log-normal with mean one, drawn once for the allergen;
* where the season in progress is counted, what the counts say of the last two, in each region.

Of an allergen that a region does not list there is none, by definition: zero. Of a listed one,
weeks that the weather does not tell (before the first whole season of the record; during a long
gap; after one until the season is over, where a sum drives it) are *not known*: NaN, never zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.exposure import daily_exposure, mean_season_total, release, scaled_exposure
from models.exposure_calibration import Calibration, calibrate
from models.exposure_counts import COUNTS, InSeason, draw_normals, in_season
from models.season import FloweringOnset, indicator_shift, season_dates, season_rates
from models.streams import DrawStreams
from models.weeks import weekly

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ExposureAhead:
    """Draws of exposure and of season dates.

    Attributes
    ----------
    weekly
        Shares of a mean season, dims ``(allergen, draw, region, week)``; NaN where not known.
    start, peak, end
        Days since 1970-01-01, dims ``(allergen, draw, region)``; NaN where no season comes, and
        where it is not known.
    dated
        Whether it is known when, or that no, season comes; same dims.
    """

    weekly: xr.DataArray
    start: xr.DataArray
    peak: xr.DataArray
    end: xr.DataArray
    dated: xr.DataArray


@dataclass(frozen=True)
class ExposureModel:
    """What is learnt of exposure: which allergens where, shifts, scales and spreads.

    Attributes
    ----------
    listed
        Whether a region lists an allergen, dims ``(allergen, region)``.
    shift_days
        Days by which the region's season is later than the catalogue's parameters say.
    season_total
        Mean raw index of a season in the training years; NaN where the season never came.
    onset_sd
        Standard deviation of the onset's error [d], dims ``(allergen,)``.
    calibration
        What counts said of each allergen; None where none were held.
    """

    listed: xr.DataArray
    shift_days: xr.DataArray
    season_total: xr.DataArray
    onset_sd: xr.DataArray
    calibration: Calibration | None = None

    @classmethod
    def fit(
        cls,
        weather: xr.Dataset,
        allergens: Sequence[Allergen],
        *,
        listed: Mapping[str, Sequence[str]],
        onsets: Mapping[str, FloweringOnset],
        counts: xr.Dataset | None = None,
    ) -> tuple[ExposureModel, xr.DataArray]:
        """Shift and scale the index on the training years; return the model and their exposure.

        Parameters
        ----------
        weather
            Daily weather of all training years, dims ``(region, time)``.
        allergens
            Catalogue entries to model.
        listed
            Allergen ids of each region.
        onsets
            Fitted onset models by plant; an allergen borrows the regional offsets of its
            indicator plant.
        counts
            Pollen concentrations of the training years (`models.exposure_counts`), or None.

        Returns
        -------
        ExposureModel
            The model.
        xarray.DataArray
            Weekly exposure of the training years, as `past` gives it.
        """
        ids = [a.id for a in allergens]
        regions = [str(r) for r in weather["region"].values]
        coords: dict[str, Any] = {"allergen": ids, "region": regions}
        dims = ("allergen", "region")
        on = [[a in listed.get(r, ()) for r in regions] for a in ids]
        shifts = {a.id: indicator_shift(onsets, a, regions) for a in allergens}
        raw = raw_exposure(weather, allergens, shift_days=shifts)
        spread = [a.number("onset_spread") for a in allergens]
        calibration = None
        if counts is not None:
            calibration = calibrate(weather, allergens, counts, shift_days=shifts)
        if calibration is not None:
            shifts = {n: s + calibration.shift_of(n) for n, s in shifts.items()}
            power = calibration.release_powers
            raw |= raw_exposure(
                weather,
                [a for a in allergens if a.id in power],
                shift_days=shifts,
                release_power=power,
            )
            spread = [calibration.spread_of(a) for a in allergens]
        totals = [mean_season_total(raw[a.id], a).values for a in allergens]
        model = cls(
            xr.DataArray(on, dims=dims, coords=coords),
            xr.DataArray([s.values for s in shifts.values()], dims=dims, coords=coords),
            xr.DataArray(totals, dims=dims, coords=coords),
            xr.DataArray(spread, dims=("allergen",), coords={"allergen": ids}),
            calibration,
        )
        return model, model._weekly(raw)

    def past(self, weather: xr.Dataset, allergens: Mapping[str, Allergen]) -> xr.DataArray:
        """Return weekly exposure of observed weather, dims ``(allergen, region, week)``.

        NaN where the weather does not tell it; zero where a region does not list the allergen.
        """
        return self._weekly(self._raw(weather, allergens))

    def _rates(
        self, weather: xr.Dataset, allergens: Mapping[str, Allergen]
    ) -> dict[str, xr.DataArray]:
        """Return the season rate of each allergen, before release and scaling [d-1]."""
        chosen = [allergens[str(name)] for name in self.listed["allergen"].values]
        shifts = {a.id: self.shift_days.sel(allergen=a.id, drop=True) for a in chosen}
        return season_rates(_bare(weather), chosen, shift_days=shifts)

    def _released(self, released: xr.DataArray, allergen: Allergen) -> xr.DataArray | None:
        """Return what weather lets loose of an allergen; None where it does not act on it."""
        if not allergen.is_airborne:
            return None
        power = {} if self.calibration is None else self.calibration.release_powers
        return released ** power[allergen.id] if allergen.id in power else released

    def _raw(
        self, weather: xr.Dataset, allergens: Mapping[str, Allergen]
    ) -> dict[str, xr.DataArray]:
        chosen = [allergens[str(name)] for name in self.listed["allergen"].values]
        shifts = {a.id: self.shift_days.sel(allergen=a.id, drop=True) for a in chosen}
        power = {} if self.calibration is None else self.calibration.release_powers
        return raw_exposure(weather, chosen, shift_days=shifts, release_power=power)

    def _weekly(self, raw: Mapping[str, xr.DataArray]) -> xr.DataArray:
        rows = [weekly(self._scaled(daily, name), "sum") for name, daily in raw.items()]
        return xr.concat(rows, dim=self.listed["allergen"], coords="minimal")

    def ahead(
        self,
        traces: xr.Dataset,
        allergens: Mapping[str, Allergen],
        *,
        origin: np.datetime64,
        streams: DrawStreams,
        with_dates: bool = True,
        wanted: slice = slice(None),
        counts: xr.Dataset | None = None,
    ) -> ExposureAhead:
        """Draw exposure along traces.

        Parameters
        ----------
        traces
            Dims ``(trace, region, time)`` with at least a season of history before the origin.
        allergens
            Catalogue by id.
        origin
            First day not known.
        streams
            Random numbers; draw *i* follows trace ``i mod n_traces``.
        with_dates
            Also read season dates off the draws; else they are left unknown.
        wanted
            Without dates: the days, by date, whose weeks are wanted; all of the traces' unless
            given. What is drawn of them does not hang on it.
        counts
            Pollen concentrations (`models.exposure_counts`); nothing from the origin on is read.
        """
        trace_of = np.arange(streams.n_draws) % traces.sizes["trace"]
        weeks, dates = [], []
        axis = traces.indexes["time"]
        days = slice(None) if with_dates else axis.slice_indexer(wanted.start, wanted.stop)
        released = release(traces).transpose("trace", "region", "time")
        for name, rate in self._rates(traces, allergens).items():
            allergen = allergens[name]
            rate = self._scaled(rate, name).transpose("trace", "region", "time")
            weather = self._released(released, allergen)
            normal = streams.shared_normal(2)
            counted = self._counted(rate, weather, allergen, counts, origin=origin)
            if counted is None:
                error = float(self.onset_sd.sel(allergen=name)) * normal[:, 0]
                drawn = _moved(rate, weather, trace_of, np.rint(error).astype(int), kept=days)
                sd = allergen.number("year_amount_log_sd")
                amount = xr.DataArray(np.exp(sd * normal[:, 1] - 0.5 * sd**2), dims="draw")
            else:
                errors = counted.state.onset_errors(normal[:, 0])
                drawn = _moved(rate, weather, trace_of, errors, kept=slice(None))
                later, own = draw_normals(streams)
                shared = np.column_stack([normal[:, 1], later])
                drawn, amount = counted.applied(drawn, errors, shared, own)
                drawn, amount = drawn.isel(time=days), amount.isel(time=days)
            if with_dates:
                dates.append(_next_season(drawn, allergen, origin=origin))
            drawn = drawn * amount
            weeks.append(weekly(drawn, "sum").astype(np.float32))
        index = self.listed["allergen"]
        ahead = xr.concat(weeks, dim=index, coords="minimal")
        if not with_dates:
            unknown = xr.full_like(ahead.isel(week=0, drop=True), np.nan)
            return ExposureAhead(ahead, unknown, unknown, unknown, xr.zeros_like(unknown, bool))
        start, peak, end, dated = (
            xr.concat(parts, dim=index) for parts in zip(*dates, strict=True)
        )
        return ExposureAhead(ahead, start, peak, end, dated.astype(bool))

    def _counted(
        self,
        rate: xr.DataArray,
        released: xr.DataArray | None,
        allergen: Allergen,
        counts: xr.Dataset | None,
        *,
        origin: np.datetime64,
    ) -> InSeason | None:
        """Read the counts of the season in progress; None where there are none to read."""
        if counts is None or released is None or self.calibration is None:
            return None
        scale = self.calibration.scale_of(allergen.id)
        if scale is None or allergen.id not in counts["allergen"].values:
            return None
        listed = self.listed.sel(allergen=allergen.id).values
        scale = replace(scale, scale=np.where(listed, scale.scale, np.nan))
        sd = float(self.onset_sd.sel(allergen=allergen.id))
        one = counts[COUNTS].sel(allergen=allergen.id, drop=True)
        return in_season(rate, released, one, scale, allergen, onset_sd=sd, origin=origin)

    def _scaled(self, daily: xr.DataArray, allergen: str) -> xr.DataArray:
        total = self.season_total.sel(allergen=allergen, drop=True)
        listed = self.listed.sel(allergen=allergen, drop=True)
        return scaled_exposure(daily, total).where(listed, 0.0)

    def to_dataset(self) -> xr.Dataset:
        """Return everything as one dataset."""
        stored = xr.Dataset(
            {
                "listed": self.listed.astype(np.int8),
                "shift_days": self.shift_days,
                "season_total": self.season_total,
                "onset_sd": self.onset_sd,
            }
        )
        learnt = {} if self.calibration is None else self.calibration.to_dataset().data_vars
        return stored.assign(learnt)

    @classmethod
    def from_dataset(cls, stored: xr.Dataset) -> ExposureModel:
        """Make the model from what `to_dataset` returned."""
        return cls(
            stored["listed"].astype(bool),
            stored["shift_days"],
            stored["season_total"],
            stored["onset_sd"],
            Calibration.from_dataset(stored),
        )


def raw_exposure(
    weather: xr.Dataset,
    allergens: Sequence[Allergen],
    *,
    shift_days: Mapping[str, xr.DataArray],
    release_power: Mapping[str, float] | None = None,
) -> dict[str, xr.DataArray]:
    """Return the daily exposure of each allergen before scaling, dims of the weather [d-1].

    Parameters
    ----------
    weather
        Daily weather, any leading dims, with ``latitude``.
    allergens
        Catalogue entries.
    shift_days
        Regional shift of each allergen's season by its id [d].
    release_power
        Power of the release factor by allergen; one where it is not named [1].
    """
    weather = _bare(weather)
    released = release(weather)
    rates = season_rates(weather, allergens, shift_days=shift_days)
    power = release_power or {}
    return {
        a.id: daily_exposure(
            weather,
            a,
            rates.pop(a.id),
            released=released ** power[a.id] if a.id in power else released,
        )
        for a in allergens
    }


def _bare(weather: xr.Dataset) -> xr.Dataset:
    """Leave out what is not needed: every operation copies labels and attributes along."""
    kept = [*weather.dims, *({"latitude"} & set(weather.coords))]
    return xr.Dataset(
        {name: (field.dims, field.values) for name, field in weather.data_vars.items()},
        coords={name: (weather[name].dims, weather[name].values) for name in kept},
    )


def _moved(
    rate: xr.DataArray,
    released: xr.DataArray | None,
    trace_of: NDArray[np.int64],
    days: NDArray[np.int64],
    *,
    kept: slice,
) -> xr.DataArray:
    """Give each draw its trace, the season moved later by its own whole number of days.

    The weather that lets loose what there is stays where it is. Days outside `kept` (by position)
    are left out of what comes back, not of what is moved into it.
    """
    values = rate.values
    at = np.arange(values.shape[-1])[None, kept] - days[:, None]
    at = np.clip(at, 0, values.shape[-1] - 1)
    drawn = values[
        trace_of[:, None, None], np.arange(values.shape[1])[None, :, None], at[:, None, :]
    ]
    if released is not None:
        weather = released.values[trace_of, :, kept]
        # no season, no exposure, even where the weather is not known
        np.multiply(drawn, weather, out=drawn, where=drawn != 0)
    coords = rate.isel(time=kept).coords
    held = {name: c for name, c in coords.items() if "trace" not in c.dims}
    return xr.DataArray(drawn, dims=("draw", "region", "time"), coords=held)


def _next_season(
    drawn: xr.DataArray, allergen: Allergen, *, origin: np.datetime64
) -> list[xr.DataArray]:
    """Start, peak and end of the first season that is not over at the origin; whether it is dated.

    A season with a missing day is not passed over for the one after it, unless it is known to be
    over.
    """
    seasons = season_dates(drawn, allergen).transpose(..., "year")
    days = {n: _day_numbers(seasons[n]) for n in ("start", "peak", "end", "closes")}
    now = float(origin.astype("datetime64[D]").astype(int))
    unknown = seasons["total"].isnull().values & (days["closes"] >= now)
    if unknown.any():
        unknown &= _may_still_come(drawn, days["closes"], now=now)
    ahead = (days["end"] >= now) | unknown
    first = np.argmax(ahead, axis=-1)[..., None]
    found = [
        np.where(ahead.any(-1), np.take_along_axis(days[name], first, axis=-1)[..., 0], np.nan)
        for name in ("start", "peak", "end")
    ]
    dated = ~np.take_along_axis(unknown, first, axis=-1)[..., 0]
    coords = {"region": drawn["region"].values}
    return [xr.DataArray(a, dims=("draw", "region"), coords=coords) for a in (*found, dated)]


def _may_still_come(drawn: xr.DataArray, closes: Array, *, now: float) -> NDArray[np.bool_]:
    """Whether any day from the origin to a window's last one is not known to be free of exposure.

    `closes` has the dims ``(draw, region, year)``.
    """
    values = drawn.transpose("draw", "region", "time").values
    first_day = float(drawn["time"].values[0].astype("datetime64[D]").astype(int))
    open_days = np.cumsum(values != 0, axis=-1)  # NaN, not known, is not zero either
    last = np.clip(np.nan_to_num(closes) - first_day, 0, values.shape[-1] - 1).astype(int)
    before = max(int(now - first_day) - 1, 0)
    later: NDArray[np.bool_] = (
        np.take_along_axis(open_days, last, axis=-1) > open_days[..., before : before + 1]
    )
    return later


def _day_numbers(dates: xr.DataArray) -> Array:
    known = dates.notnull().values
    number: Array = dates.values.astype("datetime64[D]").astype(float)
    return np.where(known, number, np.nan)
