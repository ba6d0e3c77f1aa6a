"""How weather lies in the store: arrays over (region, time, source), and runs that look ahead.

A run of a forecast replaces the one before as a whole; older ones are read by their snapshot.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date
from typing import Any

import numpy as np
import xarray as xr
import zarr

from forecast.climate import layered
from forecast.climate.errors import ClimateError
from forecast.climate.layered import Layout, array, numbers, words
from forecast.climate.variables import variables

GROUP = "weather_observed"
AHEAD = "weather_ahead"
CHUNKS = (100, 366, 1)  # regions, days, sources
_AHEAD_CHUNKS = (100, 10, 366)  # regions, members, days


def layout() -> Layout:
    """Return how observed weather lies."""
    arrays = {variable.name: variable.attributes for variable in variables().values()}
    return Layout(GROUP, ("region", "time", "source"), CHUNKS, arrays)


def merge_weather(root: zarr.Group, dataset: xr.Dataset, source: str) -> bool:
    """Lay a source's values over what it gave before; say whether anything changed."""
    return layered.merge(root, layout(), dataset, source)


def read_layers(
    group: zarr.Group,
    *,
    until: date | None,
    regions: Sequence[str] | None,
    sources: Sequence[str],
    names: Collection[str] | None = None,
) -> xr.Dataset:
    """Read (source, region, time) up to a day, sources in the order asked for.

    `names` are the variables wanted, all of them unless given.
    """
    chosen = words(group, "region") if regions is None else list(regions)
    days = layered.days_until(group, until)
    rows = layered.positions(words(group, "region"), chosen)
    held = words(group, "source")
    result = xr.Dataset(
        coords={
            "source": ("source", np.array(list(sources), dtype=object)),
            **layered.coordinates(group, chosen, days),
        }
    )
    for variable in (v for v in variables().values() if names is None or v.name in names):
        values = np.full((len(sources), len(chosen), len(days)), np.nan, dtype=np.float32)
        if variable.name in group:  # else the store is older than the variable
            kept = array(group, variable.name)
            for at, source in enumerate(sources):
                values[at] = kept.oindex[rows, slice(0, len(days)), held.index(source)]
        result[variable.name] = (("source", "region", "time"), values, dict(variable.attributes))
    return result


def daily(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset over every day of its span; refuse one that is not in house form."""
    wanted = {"region", "time", *layered.POSITIONS}
    missing = wanted - set(dataset.coords)
    given = [name for name in variables() if name in dataset]
    if missing or not given or dataset.sizes.get("time", 0) == 0:
        raise ClimateError(
            "weather needs dims (region, time), latitude, longitude and elevation of each region "
            f"and at least one of {', '.join(variables())}; missing: "
            f"{', '.join(sorted(missing)) or 'values'}"
        )
    for name in given:
        unit = dataset[name].attrs.get("units")
        if unit != variables()[name].unit:
            raise ClimateError(
                f"weather to be kept has {name} in {unit!r}; the store keeps it in "
                f"{variables()[name].unit!r}; convert it first"
            )
    return layered.every_day(dataset, "weather")


# ------------------------------------------------------------------------------ ahead
def replace_ahead(root: zarr.Group, dataset: xr.Dataset, source: str) -> None:
    """Put a run of a forecast, dims (region, member, time), in place of the one before."""
    group = root.require_group(AHEAD).create_group(source, overwrite=True)
    labels: dict[str, Any] = {"region": str, "member": "int64", "time": "int64"}
    for name, kind in labels.items():
        values: Any = dataset[name].values
        if name == "time":
            values = values.astype("datetime64[D]").astype(np.int64)
        column = group.create_array(
            name,
            shape=values.shape,
            chunks=(max(1, len(values)),),
            dtype=kind,
            dimension_names=[name],
            attributes={"units": layered.TIME_UNITS} if name == "time" else {},
        )
        column[:] = values.astype(object) if kind is str else values
    for name, unit in layered.POSITIONS.items():
        kept = group.create_array(
            name,
            shape=(dataset.sizes["region"],),
            chunks=(1000,),
            dtype="float64",
            dimension_names=["region"],
            attributes={"units": unit},
        )
        kept[:] = dataset[name].values.astype(float)
    for name in (n for n in variables() if n in dataset):
        values = dataset[name].transpose("region", "member", "time").values
        kept = group.create_array(
            name,
            shape=values.shape,
            chunks=_AHEAD_CHUNKS,
            dtype="float32",
            fill_value=np.nan,
            dimension_names=["region", "member", "time"],
            attributes=dict(variables()[name].attributes),
        )
        kept[:] = values.astype(np.float32)


def read_ahead(group: zarr.Group) -> xr.Dataset:
    """Read the newest run of one source: (region, member, time)."""
    result = xr.Dataset(
        coords=layered.coordinates(group, words(group, "region"), numbers(group, "time"))
        | {"member": ("member", numbers(group, "member"), {"standard_name": "realization"})}
    )
    for name in (n for n in variables() if n in group):
        values = np.asarray(array(group, name)[:], dtype=float)
        attributes = dict(variables()[name].attributes)
        result[name] = (("region", "member", "time"), values, attributes)
    return result
