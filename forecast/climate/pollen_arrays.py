"""How pollen lies in the store: arrays over (region, allergen, time, source) in one group.

Concentrations and an index of classes are arrays of their own and never become one another. Each
source's values are measured or modelled, and say so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, cast

import numpy as np
import xarray as xr
import zarr

from forecast.climate import layered
from forecast.climate.errors import ClimateError
from forecast.climate.layered import Layout, array, words

GROUP = "pollen"
VALUE_KIND = "value_kind"
VALUE_KINDS = ("measured", "modelled")
QUANTITIES = {
    "pollen": {
        "units": "grains m-3",
        "long_name": "daily mean pollen concentration",
        "cell_methods": "time: mean",
    },
    "pollen_index": {
        "units": "1",
        "long_name": "pollen index 0-3",
        "comment": "an order of classes, no concentration; half steps are classes in between",
    },
}
# How pollen was counted, along with the counts: the two ways are not directly comparable.
_COUNTING = {"units": "1", "long_name": "how pollen was counted: 0 manual, 1 automatic"}
_DIMS = ("region", "allergen", "time", "source")
_LAYOUT = Layout(GROUP, _DIMS, (100, 4, 366, 1), {**QUANTITIES, "counting": _COUNTING})


def check_pollen(dataset: xr.Dataset) -> str:
    """Return how the values came about; refuse what does not say it, or is in another unit."""
    given = [name for name in QUANTITIES if name in dataset]
    if len(given) != 1:
        raise ClimateError(
            f"pollen to be kept must be {' or '.join(QUANTITIES)}, one of them; found "
            f"{', '.join(map(str, dataset.data_vars)) or 'none'}"
        )
    name = given[0]
    attributes = dataset[name].attrs
    if attributes.get("units") != QUANTITIES[name]["units"]:
        raise ClimateError(
            f"{name} to be kept is in {attributes.get('units')!r}; the store keeps it in "
            f"{QUANTITIES[name]['units']!r}; convert it first"
        )
    kind = str(attributes.get(VALUE_KIND, ""))
    if kind not in VALUE_KINDS:
        raise ClimateError(
            f"{name} to be kept has {VALUE_KIND} {kind!r}; it must say {' or '.join(VALUE_KINDS)}"
        )
    return kind


def merge_pollen(root: zarr.Group, dataset: xr.Dataset, source: str) -> bool:
    """Lay a source's values over what it gave before; say whether anything changed."""
    kind = check_pollen(dataset)
    group = root.require_group(GROUP)
    kinds = _kinds(group)
    if kinds.setdefault(source, kind) != kind:
        raise ClimateError(
            f"pollen of {source} is {kind}; what is held of it is {kinds[source]}, and the two are "
            "never mixed: give it another name as a source"
        )
    if kinds != _kinds(group):
        group.attrs["value_kinds"] = cast("Any", kinds)
    if "counting" in dataset:
        like = dataset[next(name for name in QUANTITIES if name in dataset)]
        flags = dataset["counting"].astype(float).broadcast_like(like).where(like.notnull())
        dataset = dataset.assign(counting=flags)
    return layered.merge(root, _LAYOUT, dataset, source)


def read_pollen(
    group: zarr.Group,
    quantity: str,
    *,
    until: date | None,
    regions: Sequence[str] | None,
    sources: Sequence[str],
) -> xr.Dataset:
    """Read one quantity, dims (source, region, allergen, time); sources are never joined."""
    chosen = words(group, "region") if regions is None else list(regions)
    days = layered.days_until(group, until)
    rows = layered.positions(words(group, "region"), chosen)
    held, kinds = words(group, "source"), _kinds(group)
    result = xr.Dataset(
        coords={
            "source": ("source", np.array(list(sources), dtype=object)),
            VALUE_KIND: ("source", np.array([kinds[s] for s in sources], dtype=object)),
            "allergen": ("allergen", np.array(words(group, "allergen"), dtype=object)),
            **layered.coordinates(group, chosen, days),
        }
    )
    span = slice(0, len(days))
    for name in (quantity, "counting") if quantity == "pollen" else (quantity,):
        kept = array(group, name)
        layers = [kept.oindex[rows, slice(None), span, held.index(s)] for s in sources]
        shape = (0, len(chosen), len(result["allergen"]), len(days))
        values = np.stack(layers) if layers else np.empty(shape)
        dims = ("source", "region", "allergen", "time")
        result[name] = (dims, values.astype(float), dict(_LAYOUT.arrays[name]))
    return result


def _kinds(group: zarr.Group) -> dict[str, str]:
    return dict(cast("Mapping[str, str]", group.attrs.get("value_kinds", {})))
