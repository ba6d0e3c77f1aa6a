"""Arrays that grow: every day of a span, labels as they come, one layer a source.

The time axis is every day from the first to the last, so a place is found by counting. Chunks
never written cost nothing and read as missing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, cast

import numpy as np
import pandas as pd
import xarray as xr
import zarr
from numpy.typing import NDArray

from forecast.climate.errors import ClimateError

TIME_UNITS = "days since 1970-01-01"
POSITIONS = {"latitude": "degrees_north", "longitude": "degrees_east", "elevation": "m"}


@dataclass(frozen=True)
class Layout:
    """How the arrays of one group lie: "source" is the last dimension, "time" the one before."""

    group: str
    dims: tuple[str, ...]
    chunks: tuple[int, ...]
    arrays: Mapping[str, Mapping[str, str]]

    @property
    def labels(self) -> tuple[str, ...]:
        """The dimensions that words name, but for the source."""
        return self.dims[:-2]


def array(group: zarr.Group, name: str) -> zarr.Array[Any]:
    """Return an array of a group; the library's own type leaves open that it is a group."""
    return cast("zarr.Array[Any]", group[name])


def words(group: zarr.Group, name: str) -> list[str]:
    """Return an array of words."""
    return [str(word) for word in np.asarray(array(group, name)[:])]


def numbers(group: zarr.Group, name: str) -> NDArray[Any]:
    """Return an array of numbers of one dimension."""
    return np.asarray(array(group, name)[:])


def positions(held: Sequence[Any], wanted: Sequence[Any]) -> slice | NDArray[np.int64]:
    """Return where the wanted labels stand; a slice where they stand side by side."""
    place = {str(name): number for number, name in enumerate(held)}
    rows = np.array([place[str(name)] for name in wanted], dtype=np.int64)
    if len(rows) and (np.diff(rows) == 1).all():
        return slice(int(rows[0]), int(rows[-1]) + 1)
    return rows


def merge(root: zarr.Group, layout: Layout, dataset: xr.Dataset, source: str) -> bool:
    """Lay a source's values over what it gave before; say whether anything changed.

    A value given now wins over the one given before; a value missing now leaves it as it was.
    """
    group = root.require_group(layout.group)
    if "time" not in group:
        _create(group, layout)
    _add_arrays(group, layout)
    days = dataset["time"].values.astype("datetime64[D]").astype(np.int64)
    given = {name: [str(w) for w in dataset[name].values] for name in layout.labels}
    changed = _grow(group, layout, given | {"source": [source]}, days)
    rows = tuple(positions(words(group, name), given[name]) for name in layout.labels)
    first = int(days[0] - numbers(group, "time")[0])
    span = slice(first, first + len(days))
    layer = words(group, "source").index(source)
    for name in (n for n in layout.arrays if n in dataset):
        values = dataset[name].transpose(*layout.dims[:-1]).values.astype(np.float32)
        changed |= _overlay(array(group, name), (*rows, span, layer), values)
    for name in POSITIONS:
        changed |= _overlay(array(group, name), rows[:1], dataset[name].values.astype(float))
    return changed


def _create(group: zarr.Group, layout: Layout) -> None:
    labels: dict[str, Any] = {"dtype": str, "shape": (0,), "chunks": (1000,)}
    for name in (*layout.labels, "source"):
        group.create_array(name, dimension_names=[name], **labels)
    group.create_array(
        "time",
        shape=(0,),
        chunks=(100_000,),
        dtype="int64",
        dimension_names=["time"],
        attributes={"units": TIME_UNITS, "calendar": "standard", "standard_name": "time"},
    )
    for name, unit in POSITIONS.items():
        group.create_array(
            name,
            shape=(0,),
            chunks=(1000,),
            dtype="float64",
            fill_value=np.nan,
            dimension_names=["region"],
            attributes={"units": unit},
        )


def _add_arrays(group: zarr.Group, layout: Layout) -> None:
    """Make the arrays that the group lacks: all of a new one, of an older one those added since."""
    shape = tuple(array(group, name).shape[0] for name in layout.dims)
    for name, attributes in layout.arrays.items():
        if name in group:
            continue
        group.create_array(
            name,
            shape=shape,
            chunks=layout.chunks,
            dtype="float32",
            fill_value=np.nan,
            dimension_names=list(layout.dims),
            attributes=dict(attributes),
        )


def _grow(
    group: zarr.Group, layout: Layout, given: Mapping[str, Sequence[str]], days: NDArray[np.int64]
) -> bool:
    """Make room for new labels and days; True if there was something to make room for."""
    labels = {name: words(group, name) for name in given}
    wanted = {
        name: labels[name] + [word for word in new if word not in set(labels[name])]
        for name, new in given.items()
    }
    held = numbers(group, "time")
    first = min(int(days[0]), int(held[0])) if len(held) else int(days[0])
    last = max(int(days[-1]), int(held[-1])) if len(held) else int(days[-1])
    axis = np.arange(first, last + 1)
    earlier = int(held[0]) - first if len(held) else 0
    if len(axis) == len(held) and wanted == labels:
        return False
    shape = tuple(len(axis) if name == "time" else len(wanted[name]) for name in layout.dims)
    for name in layout.arrays:
        _resize(array(group, name), shape, earlier)
    for name in POSITIONS:
        array(group, name).resize((len(wanted["region"]),))
    for name, named in wanted.items():
        array(group, name).resize((len(named),))
        array(group, name)[:] = np.array(named, dtype=object)
    array(group, "time").resize((len(axis),))
    array(group, "time")[:] = axis
    return True


def _resize(kept: zarr.Array[Any], shape: tuple[int, ...], earlier: int) -> None:
    """Resize; days put before the first one shift all the others, which rewrites the array."""
    if earlier == 0:
        kept.resize(shape)
        return
    held = np.asarray(kept[:])
    kept.resize(shape)
    shifted = np.full(shape, np.nan, dtype=held.dtype)
    days = slice(earlier, earlier + held.shape[-2])
    shifted[(*(slice(0, n) for n in held.shape[:-2]), days, slice(0, held.shape[-1]))] = held
    kept[:] = shifted


def _overlay(kept: zarr.Array[Any], place: tuple[Any, ...], values: NDArray[Any]) -> bool:
    held = np.asarray(kept.oindex[place])
    merged = np.where(np.isnan(values), held, values)
    if np.array_equal(merged, held, equal_nan=True):
        return False
    kept.oindex[place] = merged
    return True


def every_day(dataset: xr.Dataset, what: str) -> xr.Dataset:
    """Return the dataset over every day of its span; refuse days out of order or with hours."""
    days = pd.DatetimeIndex(dataset.indexes["time"])
    if not (days.is_monotonic_increasing and days.is_unique and (days == days.floor("D")).all()):
        raise ClimateError(f"{what} to be kept must have one row a day, in order, at midnight")
    full = pd.date_range(days[0], days[-1], freq="D")
    return dataset if len(full) == len(days) else dataset.reindex(time=full)


# ------------------------------------------------------------------------------ reading
def newest_days(group: zarr.Group, source: str, *, n_days: int) -> dict[str, date]:
    """Return the newest day with a value of a source, by region, among the last `n_days` held."""
    days = numbers(group, "time")[-n_days:]
    layer = words(group, "source").index(source)
    regions = words(group, "region")
    known = np.zeros((len(regions), len(days)), dtype=bool)
    for name, kept in group.arrays():
        if kept.ndim > 1 and name != "counting":
            values = np.asarray(kept[..., -n_days:, layer])
            known |= ~np.isnan(values).all(axis=tuple(range(1, values.ndim - 1)))
    found = {}
    for region, has in zip(regions, known, strict=True):
        if has.any():
            day = days[np.flatnonzero(has)[-1]].astype("datetime64[D]")
            found[region] = cast("date", day.item())
    return found


def days_until(group: zarr.Group, until: date | None) -> NDArray[np.int64]:
    """Return the days held, as numbers, up to and with a day; refuse a day before them all."""
    days = numbers(group, "time")
    if until is None:
        return days
    n_days = int(np.searchsorted(days, np.datetime64(until, "D").astype(np.int64), "right"))
    if n_days == 0:
        raise ClimateError(
            f"{group.basename.replace('_observed', '')} until {until} was asked for; the store "
            f"begins on {days[0].astype('datetime64[D]')}"
        )
    return days[:n_days]


def coordinates(
    group: zarr.Group, regions: Sequence[str], days: NDArray[np.int64]
) -> dict[str, Any]:
    """Return region, time and the positions as coordinates."""
    rows = positions(words(group, "region"), regions)
    return {
        "region": ("region", np.array(regions, dtype=object)),
        "time": (
            "time",
            days.astype("datetime64[D]").astype("datetime64[ns]"),
            {"standard_name": "time"},
        ),
        **{
            name: ("region", numbers(group, name)[rows], {"units": unit})
            for name, unit in POSITIONS.items()
        },
    }
