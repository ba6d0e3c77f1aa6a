r"""Drivers of flares: weekly weather and exposure, as anomalies from the region's own normal.

Season alone explains much of when dogs itch. A driver can only show that it adds something as a
*departure* from what is usual for the week and place, so each enters as

.. math:: a_{r,w} = \frac{1}{s} \sum_{l=0}^{4} g_l \, (x_{r,w-l} - n_{r,u(w-l)}),

with *n* the region's mean of that week of the year, *g* one shared lag shape and *s* the standard
deviation over the years the normals come from. Exposure is first passed through a saturating
``log(1 + x / c)`` and added up within at most four groups (trees, grasses, weeds, moulds): a
practice's visits cannot tell eight allergens apart. Mites and fleas enter only where a region lists
them, as a group *indoor*; should that make five groups, it is joined with the moulds, the other
slow index of warm and humid weeks.

A week of which the exposure to one listed allergen of a group is not known (NaN) has no known
exposure to that group: a part of a sum is no sum. It is taken as usual for the week of the year,
an anomaly of zero before the lags, both where effects are fitted and where they are drawn; leaving
it out would lose half a year of counts to a week without a thermometer. A week of which temperature
or humidity is not known has no anomaly, nor have the weeks that its lags reach: the fit leaves them
out. An allergen that a region does not list adds nothing to its sum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.errors import ForepawError
from models.parameters import load_table
from models.weeks import week_of_year, weekly

WEATHER_DRIVERS = ("temperature", "humidity")


class DriverError(ForepawError):
    """Exposure that cannot be reduced to the few groups that visits can tell apart."""


def weekly_drivers(
    weather: xr.Dataset, exposure: xr.DataArray, *, groups: Mapping[str, str]
) -> xr.DataArray:
    """Reduce daily weather and weekly exposure to the drivers of a week.

    Parameters
    ----------
    weather
        Daily ``tas`` [degC] and ``hurs`` [%], dims ``(..., region, time)``; no day left out, NaN
        where not known.
    exposure
        Weekly exposure in shares of a mean season, dims ``(..., allergen, region, week)``; NaN
        where not known, zero for an allergen that the region does not list.
    groups
        Group of each allergen.

    Returns
    -------
    xarray.DataArray
        Dims ``(..., driver, region, week)`` on the weeks both inputs cover; drivers are
        temperature [degC], humidity [%], then one per exposure group, saturated [1]. NaN where any
        member of the group is.
    """
    weeks = {
        "temperature": weekly(weather["tas"], "mean"),
        "humidity": weekly(weather["hurs"], "mean"),
    }
    weeks |= _group_exposure(exposure, groups)
    aligned = xr.align(*weeks.values(), join="inner", exclude=_free_dims(*weeks.values()))
    stacked = xr.concat(
        [a.drop_vars("allergen", errors="ignore") for a in aligned],
        dim=xr.Variable("driver", list(weeks)),
        coords="minimal",
        compat="override",
    )
    return stacked.transpose(..., "driver", "region", "week")


def _free_dims(*arrays: xr.DataArray) -> set[str]:
    return {str(dim) for a in arrays for dim in a.dims} - {"region", "week"}


def _group_exposure(exposure: xr.DataArray, groups: Mapping[str, str]) -> dict[str, xr.DataArray]:
    saturation = load_table("models.flare", "flare.toml").number("exposure.saturation")
    saturated = exposure.copy(data=np.log1p(exposure.values / saturation))
    own = driver_groups({str(a): groups[str(a)] for a in exposure["allergen"].values})
    members: dict[str, list[str]] = {}
    for allergen, group in own.items():
        members.setdefault(group, []).append(allergen)
    return {
        group: saturated.sel(allergen=names).sum("allergen", skipna=False)
        for group, names in members.items()
    }


def driver_groups(groups: Mapping[str, str]) -> dict[str, str]:
    """Return the group in which each allergen enters the flare model, at most four in all.

    Parameters
    ----------
    groups
        Group of each allergen, by its id.

    Returns
    -------
    dict
        The same, or, where there are too many groups, with those that the table joins under one
        name.

    Raises
    ------
    DriverError
        If too many are left even then.
    """
    table = load_table("models.flare", "flare.toml")
    most = int(table.number("exposure.most_groups"))
    if len(set(groups.values())) <= most:
        return dict(groups)
    joined = cast(list[str], table["exposure.joined_groups"].value)
    name = " and ".join(joined)
    fewer = {a: name if group in joined else group for a, group in groups.items()}
    left = list(dict.fromkeys(fewer.values()))
    if len(left) > most:
        raise DriverError(
            f"at most {most} groups of allergens enter the flare model, the regions' lists hold "
            f"{len(left)} ({', '.join(left)}); list fewer kinds in practice.toml"
        )
    return fewer


def lagged(drivers: xr.DataArray) -> xr.DataArray:
    """Spread each driver over the weeks that follow it, with the one shared lag shape.

    Returns
    -------
    xarray.DataArray
        Same dims, shorter by the longest lag at the start of ``week``.
    """
    weights = np.asarray(load_table("models.flare", "flare.toml")["lag.weights"].value, dtype=float)
    longest = len(weights) - 1
    values = drivers.transpose(..., "week").values
    n_weeks = values.shape[-1] - longest
    total = sum(
        w * values[..., longest - lag : longest - lag + n_weeks] for lag, w in enumerate(weights)
    )
    return (
        drivers.isel(week=slice(longest, None)).transpose(..., "week").copy(data=np.asarray(total))
    )


@dataclass(frozen=True)
class Normals:
    """What is usual: mean by region and week of the year, spread by driver.

    Attributes
    ----------
    mean
        Dims ``(driver, region, week_of_year)``, 52 weeks.
    spread
        Standard deviation of lagged anomalies, dims ``(driver,)``.
    """

    mean: xr.DataArray
    spread: xr.DataArray

    @classmethod
    def of(cls, history: xr.DataArray) -> Normals:
        """Take the normals of a history of weekly drivers, dims ``(driver, region, week)``."""
        number = week_of_year(history["week"].values)
        values = history.transpose("driver", "region", "week").values
        raw = np.stack([_mean_of_known(values[..., number == u]) for u in range(52)], axis=-1)
        smooth = _circular_mean(raw, half_window=_half_window())
        coords = {"driver": history["driver"].values, "region": history["region"].values}
        mean = xr.DataArray(smooth, dims=("driver", "region", "week_of_year"), coords=coords)
        departures = lagged(_departures(history, mean))
        spread = departures.std(("region", "week"))
        return cls(mean, spread.where(spread > 0, 1.0))

    def departures(self, drivers: xr.DataArray) -> xr.DataArray:
        """Return departures from normal in the week they happen, in units of the spread.

        Zero where exposure is not known, NaN where the weather is not.
        """
        return _as_usual(_departures(drivers, self.mean)) / self.spread

    def anomalies(self, drivers: xr.DataArray) -> xr.DataArray:
        """Return lagged, standardised anomalies; four weeks shorter at the start.

        A week whose exposure is not known adds nothing; NaN where the weather is not known.
        """
        return lagged(_as_usual(_departures(drivers, self.mean))) / self.spread


def _departures(drivers: xr.DataArray, mean: xr.DataArray) -> xr.DataArray:
    number = xr.DataArray(week_of_year(drivers["week"].values), dims="week")
    return drivers - mean.isel(week_of_year=number)


def _as_usual(departures: xr.DataArray) -> xr.DataArray:
    """Take exposure that is not known as usual; leave the weather as it is."""
    is_weather = departures["driver"].isin(WEATHER_DRIVERS)
    return departures.where(departures.notnull() | is_weather, 0.0)


def _mean_of_known(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean over the last axis, NaN where nothing along it is known."""
    known = np.isfinite(values)
    count = known.sum(axis=-1)
    total = np.where(known, values, 0.0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _half_window() -> int:
    return int(load_table("models.flare", "flare.toml").number("normals.half_window"))


def _circular_mean(values: NDArray[np.float64], *, half_window: int) -> NDArray[np.float64]:
    shifts = range(-half_window, half_window + 1)
    total: NDArray[np.float64] = np.mean([np.roll(values, s, axis=-1) for s in shifts], axis=0)
    return total
