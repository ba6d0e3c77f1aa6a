"""How weather lies in the store: Zarr arrays over (region, time, source) in one group.

The time axis is every day from the first to the last, so a place is found by counting. Chunks
never written cost nothing and read as missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, cast

import numpy as np
import xarray as xr
import zarr
from numpy.typing import NDArray

from forecast.climate.errors import ClimateError
from forecast.climate.variables import variables

GROUP = "weather_observed"
CHUNKS = (100, 366, 1)  # regions, days, sources
_TIME_UNITS = "days since 1970-01-01"
_POSITIONS = {"latitude": "degrees_north", "longitude": "degrees_east", "elevation": "m"}


def array(group: zarr.Group, name: str) -> zarr.Array[Any]:
    """Return an array of a group; the library's own type leaves open that it is a group."""
    return cast("zarr.Array[Any]", group[name])


def words(group: zarr.Group, name: str) -> list[str]:
    """Return an array of words."""
    return [str(word) for word in np.asarray(array(group, name)[:])]


def _numbers(group: zarr.Group, name: str) -> NDArray[Any]:
    return np.asarray(array(group, name)[:])


def merge_weather(root: zarr.Group, dataset: xr.Dataset, source: str) -> bool:
    """Lay a source's values over what it gave before; say whether anything changed.

    A value given now wins over the one given before; a value missing now leaves it as it was.
    """
    group = root.require_group(GROUP)
    if "time" not in group:
        _create(group)
    days = dataset["time"].values.astype("datetime64[D]").astype(np.int64)
    changed = _grow(group, [str(r) for r in dataset["region"].values], days, source)
    rows = _positions(words(group, "region"), dataset["region"].values.tolist())
    first = int(days[0] - _numbers(group, "time")[0])
    span = slice(first, first + len(days))
    layer = words(group, "source").index(source)
    for name in (n for n in variables() if n in dataset):
        values = dataset[name].transpose("region", "time").values.astype(np.float32)
        changed |= _overlay(array(group, name), (rows, span, layer), values)
    for name in _POSITIONS:
        changed |= _overlay(array(group, name), (rows,), dataset[name].values.astype(float))
    return changed


def _create(group: zarr.Group) -> None:
    labels: dict[str, Any] = {"dtype": str, "shape": (0,), "chunks": (1000,)}
    group.create_array("region", dimension_names=["region"], **labels)
    group.create_array("source", dimension_names=["source"], **labels)
    group.create_array(
        "time",
        shape=(0,),
        chunks=(100_000,),
        dtype="int64",
        dimension_names=["time"],
        attributes={"units": _TIME_UNITS, "calendar": "standard", "standard_name": "time"},
    )
    for name, unit in _POSITIONS.items():
        group.create_array(
            name,
            shape=(0,),
            chunks=(1000,),
            dtype="float64",
            fill_value=np.nan,
            dimension_names=["region"],
            attributes={"units": unit},
        )
    for variable in variables().values():
        group.create_array(
            variable.name,
            shape=(0, 0, 0),
            chunks=CHUNKS,
            dtype="float32",
            fill_value=np.nan,
            dimension_names=["region", "time", "source"],
            attributes=dict(variable.attributes),
        )


def _grow(group: zarr.Group, regions: Sequence[str], days: NDArray[np.int64], source: str) -> bool:
    """Make room for new regions, days and sources; True if there was something to make room for."""
    labels = {name: words(group, name) for name in ("region", "source")}
    wanted = {
        "region": labels["region"] + [r for r in regions if r not in labels["region"]],
        "source": labels["source"] + [s for s in (source,) if s not in labels["source"]],
    }
    held = _numbers(group, "time")
    first = min(int(days[0]), int(held[0])) if len(held) else int(days[0])
    last = max(int(days[-1]), int(held[-1])) if len(held) else int(days[-1])
    axis = np.arange(first, last + 1)
    earlier = int(held[0]) - first if len(held) else 0
    grown = len(axis) != len(held) or wanted != labels
    if not grown:
        return False
    for name in variables():
        _resize(
            array(group, name), (len(wanted["region"]), len(axis), len(wanted["source"])), earlier
        )
    for name in _POSITIONS:
        array(group, name).resize((len(wanted["region"]),))
    for name, named in wanted.items():
        array(group, name).resize((len(named),))
        array(group, name)[:] = np.array(named, dtype=object)
    array(group, "time").resize((len(axis),))
    array(group, "time")[:] = axis
    return True


def _resize(kept: zarr.Array[Any], shape: tuple[int, int, int], earlier: int) -> None:
    """Resize; days put before the first one shift all the others, which rewrites the array."""
    if earlier == 0:
        kept.resize(shape)
        return
    held = np.asarray(kept[:])
    kept.resize(shape)
    shifted = np.full(shape, np.nan, dtype=held.dtype)
    shifted[: held.shape[0], earlier : earlier + held.shape[1], : held.shape[2]] = held
    kept[:] = shifted


def _overlay(kept: zarr.Array[Any], place: tuple[Any, ...], values: NDArray[Any]) -> bool:
    held = np.asarray(kept.oindex[place])
    merged = np.where(np.isnan(values), held, values)
    if np.array_equal(merged, held, equal_nan=True):
        return False
    kept.oindex[place] = merged
    return True


def read_weather(
    group: zarr.Group, *, until: date | None, regions: Sequence[str] | None, sources: Sequence[str]
) -> xr.Dataset:
    """Read (region, time) up to a day; where several sources gave a value the first named wins."""
    names = words(group, "region")
    chosen = names if regions is None else list(regions)
    days = _numbers(group, "time")
    n_days = len(days)
    if until is not None:
        n_days = int(np.searchsorted(days, np.datetime64(until, "D").astype(np.int64), "right"))
    if n_days == 0:
        raise ClimateError(
            f"weather until {until} was asked for; the store begins on "
            f"{days[0].astype('datetime64[D]')}"
        )
    rows = _positions(names, chosen)
    layers = [words(group, "source").index(source) for source in sources]
    result = xr.Dataset(
        coords={
            "region": ("region", np.array(chosen, dtype=object)),
            "time": (
                "time",
                days[:n_days].astype("datetime64[D]").astype("datetime64[ns]"),
                {"standard_name": "time"},
            ),
        }
    )
    for name, unit in _POSITIONS.items():
        result = result.assign_coords(
            {name: ("region", _numbers(group, name)[rows], {"units": unit})}
        )
    for variable in variables().values():
        held = np.asarray(
            array(group, variable.name).oindex[rows, slice(0, n_days), :], dtype=float
        )
        values = held[:, :, layers[0]]
        for layer in layers[1:]:
            values = np.where(np.isnan(values), held[:, :, layer], values)
        result[variable.name] = (("region", "time"), values, dict(variable.attributes))
    return result


def _positions(held: Sequence[Any], wanted: Sequence[Any]) -> NDArray[np.int64]:
    place = {str(name): number for number, name in enumerate(held)}
    return np.array([place[str(name)] for name in wanted], dtype=np.int64)
