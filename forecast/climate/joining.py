"""Several sources of one region's weather made into one series, with the origin of each value.

The order of the sources decides: the first gives what it has; where it has nothing the next one
fills, after the difference between the two on the days that both have was taken away. The
difference is that of the calendar month, additive for temperature and humidity, a ratio for rain,
wind and radiation (linear scaling), drawn to that of all months, and that to none, where few days
tell of it. Nothing is taken from days that the given layers do not hold: cut them first. What is
still missing afterwards stays missing; short gaps are `forecast.climate.gaps`' to fill.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.climate.quality import quality_table
from forecast.climate.variables import Variable, variables
from forecast.findings import Finding

_Array = NDArray[np.float64]
_MONTHS = 12
NO_SOURCE = -1


@dataclass(frozen=True)
class Joined:
    """One series a region, and how it came about.

    Attributes
    ----------
    weather
        Dims (region, time).
    source_used
        Dims (variable, region, time): number of the source in its attribute ``flag_meanings``, -1
        where none has a value.
    fitted
        By source, region and variable: days on which both had a value, values filled from it, and
        the mean correction over the months (a difference in the variable's unit, or a ratio).
    corrections
        Dims (source, variable, region, month): what was added, or multiplied by.
    """

    weather: xr.Dataset
    source_used: xr.DataArray
    fitted: pd.DataFrame
    corrections: xr.DataArray

    @property
    def sentences(self) -> list[str]:
        """Which source filled how much, and by how much it was moved, a sentence each."""
        return _sentences(self.fitted)


def join_sources(layers: xr.Dataset) -> Joined:
    """Join layers, dims (source, region, time), in the order of their sources.

    No region tells of another: some of them joined are what they are among all.
    """
    names = [str(source) for source in layers["source"].values]
    joined = [variable for variable in variables().values() if variable.name in layers]
    month = pd.DatetimeIndex(layers.indexes["time"]).month.to_numpy() - 1
    n_regions, n_days = layers.sizes["region"], layers.sizes["time"]
    weather = layers.isel(source=0, drop=True).astype(float)
    used = np.full((len(joined), n_regions, n_days), NO_SOURCE, dtype=np.int8)
    moved = np.full((len(names), len(joined), n_regions, _MONTHS), np.nan)
    rows: list[pd.DataFrame] = []
    for at, variable in enumerate(joined):
        values = np.array(weather[variable.name].values, dtype=float)
        used[at][~np.isnan(values)] = 0
        for number in range(1, len(names)):
            other = layers[variable.name].values[number].astype(float)
            fill = np.isnan(values) & ~np.isnan(other)
            correction, n_both = _fitted(values, other, month, variable)
            moved[number, at] = correction
            if fill.any():
                filled = _moved(other, correction[:, month], variable)
                values[fill] = filled[fill]
                used[at][fill] = number
            rows.append(_row(names[number], layers, variable, n_both, fill, correction))
        weather[variable.name] = (("region", "time"), values, dict(variable.attributes))
    labels = [variable.name for variable in joined]
    weather = _ordered(weather, dict(zip(labels, used, strict=True)))
    return Joined(
        weather,
        xr.DataArray(
            used,
            dims=("variable", "region", "time"),
            coords={"variable": labels, **{d: layers[d] for d in ("region", "time")}},
            attrs={
                "long_name": "source of each value",
                "flag_values": np.arange(len(names), dtype=np.int8),
                "flag_meanings": " ".join(name.replace(" ", "_") for name in names),
            },
        ),
        pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=list(_COLUMNS)),
        xr.DataArray(
            moved,
            dims=("source", "variable", "region", "month"),
            coords={
                "source": names,
                "variable": labels,
                "region": layers["region"].values,
                "month": np.arange(1, _MONTHS + 1),
            },
        ),
    )


def fits_by_ratio(name: str) -> bool:
    """Whether a variable is fitted by a ratio, and not by a difference."""
    return name in cast("list[str]", quality_table()["bias.by_ratio"].value)


# ------------------------------------------------------------------------------ the difference
def _fitted(
    values: _Array, other: _Array, month: NDArray[np.int64], variable: Variable
) -> tuple[_Array, NDArray[np.int64]]:
    """Return the correction (region, month) of a source, and the days on which both have values."""
    table = quality_table()
    both = ~np.isnan(values) & ~np.isnan(other)
    sums = [_by_month(np.where(both, series, 0.0), month) for series in (values, other)]
    n = _by_month(both.astype(float), month)
    by_ratio = fits_by_ratio(variable.name)
    mean = _log_ratio(*sums) if by_ratio else (sums[0] - sums[1]) / np.maximum(n, 1.0)
    total = [series.sum(axis=1, keepdims=True) for series in (*sums, n)]
    n_all = total[2]
    mean_all = (
        _log_ratio(total[0], total[1])
        if by_ratio
        else (total[0] - total[1]) / np.maximum(n_all, 1.0)
    )
    few = table.number("bias.shrinking_days")
    mean_all = mean_all * n_all / (n_all + few)
    # a month whose ratio cannot be told (no rain in one of them) is taken as the others are
    known = np.where(np.isnan(mean), 0.0, n)
    correction = (known * np.nan_to_num(mean) + few * mean_all) / (known + few)
    correction = np.where(n_all < table.number("bias.fewest_days"), 0.0, correction)
    if by_ratio:
        largest = np.log(table.number("bias.largest_ratio"))
        correction = np.exp(np.clip(correction, -largest, largest))
    return correction, n_all[:, 0].astype(np.int64)


def _by_month(values: _Array, month: NDArray[np.int64]) -> _Array:
    """Sum days (region, time) by calendar month: (region, month)."""
    is_in = (month[:, None] == np.arange(_MONTHS)).astype(float)
    return np.asarray(values @ is_in)


def _log_ratio(reference: _Array, other: _Array) -> _Array:
    """Return the logarithm of a ratio of sums; NaN where one of them is nothing."""
    known = (reference > 0) & (other > 0)
    ratio = np.where(known, reference, 1.0) / np.where(known, other, 1.0)
    found = np.log(ratio)
    if found.shape[1] == 1:  # of all months together: no difference is known
        return np.where(known, found, 0.0)
    return np.where(known, found, np.nan)


def _moved(other: _Array, correction: _Array, variable: Variable) -> _Array:
    moved = other * correction if fits_by_ratio(variable.name) else other + correction
    return np.clip(moved, variable.lowest, variable.highest)


def _ordered(weather: xr.Dataset, used: Mapping[str, NDArray[np.int8]]) -> xr.Dataset:
    """Widen the extremes of days that were filled so that the mean lies between them.

    A dew point beside a filled value is at most the mean temperature: saturated air.
    """
    if "tas" not in used:
        return weather
    mean = weather["tas"].values
    extremes = [name for name in ("tasmin", "tasmax") if name in used]
    filled = np.any([used[name] > 0 for name in ("tas", *extremes)], axis=0)
    bounds = [(name, np.fmin if name == "tasmin" else np.fmax, filled) for name in extremes]
    if "tdps" in used:
        bounds.append(("tdps", np.fmin, (used["tas"] > 0) | (used["tdps"] > 0)))
    for name, nearer, is_filled in bounds:
        values = weather[name].values
        held = ~np.isnan(values) & ~np.isnan(mean) & is_filled
        weather[name] = weather[name].copy(data=np.where(held, nearer(values, mean), values))
    return weather


# ------------------------------------------------------------------------------ the report
_COLUMNS = ("source", "region", "variable", "n_both", "n_filled", "correction")


def _row(
    source: str,
    layers: xr.Dataset,
    variable: Variable,
    n_both: NDArray[np.int64],
    fill: NDArray[np.bool_],
    correction: _Array,
) -> pd.DataFrame:
    columns: tuple[Any, ...] = (
        source,
        layers["region"].values,
        variable.name,
        n_both,
        fill.sum(axis=1),
        correction.mean(axis=1),
    )
    return pd.DataFrame(dict(zip(_COLUMNS, columns, strict=True)))


def _sentences(fitted: pd.DataFrame) -> list[str]:
    return [_sentence(str(source), rows) for source, rows in fitted.groupby("source", sort=False)]


def _sentence(source: str, rows: pd.DataFrame) -> str:
    fewest = quality_table().number("bias.fewest_days")
    filled = rows.loc[rows["n_filled"] > 0]
    if filled.empty:
        return f"{source} fills nothing: the sources before it have every value that it has"
    as_is = filled.loc[filled["n_both"] < fewest, "n_filled"].sum()
    parts = []
    for name, some in filled.loc[filled["n_both"] >= fewest].groupby("variable", sort=False):
        mean = float(np.average(some["correction"], weights=some["n_filled"]))
        by_ratio = fits_by_ratio(str(name))
        unit = variables()[str(name)].unit
        parts.append(f"{name} times {mean:.2f}" if by_ratio else f"{name} {mean:+.1f} {unit}")
    moved = f", moved by month to the sources before it, on average {', '.join(parts)}"
    untouched = f"; {as_is:,} of them as they are, as the sources share too few days"
    return (
        f"{source} fills {int(filled['n_filled'].sum())} values"
        + (moved if parts else "")
        + (untouched if as_is else "")
    )


def join_in_parts(
    parts: Iterable[xr.Dataset], *, keep_layers: bool = False
) -> tuple[xr.Dataset, xr.Dataset | None]:
    """Join layers that come some regions at a time; return the weather of all, and their layers.

    Layers are kept where there are several sources and they are asked for. What is held beside
    the result is one part's, and one variable.
    """
    weather, layers = [], []
    for part in parts:
        weather.append(join_sources(part).weather)
        if keep_layers and part.sizes["source"] > 1:
            layers.append(part)
    return _side_by_side(weather), _side_by_side(layers) if layers else None


def _side_by_side(parts: list[xr.Dataset]) -> xr.Dataset:
    """Lay regions side by side; the parts are emptied on the way."""
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    coordinates = {
        name: (
            (one.dims, np.concatenate([part[name].values for part in parts]), one.attrs)
            if one.dims == ("region",)
            else one
        )
        for name, one in first.coords.items()
    }
    arrays = {}
    for name in map(str, first.data_vars):
        one = first[name]
        values = [part[name].values for part in parts]
        for at, part in enumerate(parts):
            parts[at] = part.drop_vars(name)
        arrays[name] = (one.dims, np.concatenate(values, axis=one.dims.index("region")), one.attrs)
        del values
    return xr.Dataset(arrays, coords=coordinates, attrs=first.attrs)


def joining_report(parts: Iterable[xr.Dataset]) -> list[str]:
    """Say how the sources are joined, and where two of them tell different weather.

    Layers come some regions at a time, so that not all of them need be in memory at once.
    """
    fitted: list[pd.DataFrame] = []
    apart: dict[tuple[str, str], list[str]] = {}
    for layers in parts:
        fitted.append(join_sources(layers).fitted)
        for one in disagreements(layers):
            apart.setdefault((str(one.file), str(one.column)), []).append(one.sentence)
    more = [f" (and {len(same) - 1} more regions)" if same[1:] else "" for same in apart.values()]
    told = [same[0] + rest for same, rest in zip(apart.values(), more, strict=True)]
    return [*(_sentences(pd.concat(fitted)) if fitted else []), *told]


# ------------------------------------------------------------------------------ agreement
def disagreements(layers: xr.Dataset) -> list[Finding]:
    """Tell where a source differs from the first by more, day by day, than two sources do."""
    table = quality_table()
    fewest = int(table.number("agreement.fewest_days"))
    names = [str(source) for source in layers["source"].values]
    findings = []
    for variable in variables().values():
        first = layers[variable.name].values[0].astype(float)
        limit = table.number(f"agreement.{variable.name}")
        for number, source in enumerate(names[1:], start=1):
            apart = first - layers[variable.name].values[number]
            for at in np.flatnonzero((~np.isnan(apart)).sum(axis=1) >= fewest):
                shared = apart[at][~np.isnan(apart[at])]
                usual = float(np.median(np.abs(shared - shared.mean())))
                if usual > limit:
                    region = layers["region"].values[at]
                    findings.append(_disagreement(source, names[0], region, variable, usual, limit))
    return findings


def _disagreement(
    source: str, first: str, region: Any, variable: Variable, usual: float, limit: float
) -> Finding:
    return Finding(
        "sources disagree",
        "warning",
        source,
        None,
        variable.name,
        f"in {region} a day differs from {first} by {usual:.1f} {variable.unit}, beyond the mean "
        "difference",
        f"{limit:g} {variable.unit}",
        "look whether the region's position and height, and the station, are right",
    )
