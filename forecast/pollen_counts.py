"""Pollen as a forecast reads it: one series of concentrations for each region and allergen.

The store keeps each source apart, and says whether it measured or modelled. A forecast reads one
source for a region and allergen: the first that measured, else the first that modelled. Where
counting changed from eye to machine, the days counted the newer way are read, since the two are
not comparable. Classes of a pollen index are no concentrations and are not read.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from math import ceil
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from forecast.climate import ClimateStore
from forecast.climate.pollen_arrays import VALUE_KIND, VALUE_KINDS
from models.allergens import catalogue
from models.exposure_calibration import Calibration
from models.exposure_counts import COUNTS, MEASURED

_Values = NDArray[np.float64]
_Flags = NDArray[np.bool_]


def known_pollen(
    climate: ClimateStore,
    regions: Sequence[str],
    *,
    snapshot: str,
    origin: date,
    lag_days: Mapping[str, float] | None = None,
) -> xr.Dataset | None:
    """Read the concentrations that could be known at an origin.

    Parameters
    ----------
    climate
        The store.
    regions
        Of the practice; those without pollen are left out.
    snapshot
        What was held.
    origin
        First day that is not known.
    lag_days
        How long each source takes to give a day [d]; what it had not given is left out.

    Returns
    -------
    xarray.Dataset or None
        ``counts`` (allergen, region, time) [grains m-3], NaN where not counted, and ``measured``
        (allergen, region). None where there are none.
    """
    if not climate.pollen_sources(snapshot=snapshot):
        return None
    layers = climate.pollen(snapshot=snapshot, until=origin - timedelta(days=1))
    held = [region for region in regions if region in layers["region"].values]
    layers = layers.sel(region=held)
    newest = [
        np.datetime64(origin - timedelta(days=1 + ceil((lag_days or {}).get(str(source), 0.0))))
        for source in layers["source"].values
    ]
    layers = layers.where(layers["time"] <= xr.DataArray(newest, dims="source"))
    if not layers.sizes["time"] or not bool(layers["pollen"].notnull().any()):
        return None
    return one_series(layers)


def one_series(layers: xr.Dataset) -> xr.Dataset:
    """Choose a source for each region and allergen; see the module.

    Parameters
    ----------
    layers
        ``pollen`` and ``counting`` (source, region, allergen, time), with ``value_kind``.
    """
    layers = layers.transpose("source", "allergen", "region", "time")
    values, counting = layers["pollen"].values, layers["counting"].values
    values = np.where(_counted_as_last(values, counting), values, np.nan)
    kinds = [str(kind) for kind in layers[VALUE_KIND].values]
    used: set[int] = set()
    order = sorted(range(len(kinds)), key=lambda at: VALUE_KINDS.index(kinds[at]))
    counts = np.full(values.shape[1:], np.nan)
    measured = np.zeros(values.shape[1:-1], dtype=np.int8)
    open_ = np.ones(values.shape[1:-1], dtype=bool)
    for at in order:
        given = open_ & ~np.isnan(values[at]).all(axis=-1)
        counts[given] = values[at][given]
        measured[given] = kinds[at] == VALUE_KINDS[0]
        open_ &= ~given
        used |= {at} if given.any() else set()
    dims = ("allergen", "region", "time")
    return xr.Dataset(
        {COUNTS: (dims, counts), MEASURED: (dims[:2], measured)},
        coords={name: layers[name].values for name in dims},
        attrs={"sources": [str(layers["source"].values[at]) for at in sorted(used)]},
    )


def _counted_as_last(values: _Values, counting: _Values) -> _Flags:
    """Return the days counted the way of the last counted day of their series; all where unsaid."""
    n_days = values.shape[-1]
    held = ~np.isnan(values)
    last = n_days - 1 - held[..., ::-1].argmax(axis=-1)
    way = np.take_along_axis(counting, last[..., None], axis=-1)
    same: _Flags = np.isnan(way) | (counting == way)
    return same


def pollen_read(pollen: xr.Dataset | None, calibration: Calibration | None) -> list[dict[str, Any]]:
    """Return which concentrations a forecast was calibrated by and could be moved by.

    Parameters
    ----------
    pollen
        What was known, or None.
    calibration
        What the model learnt of it, or None.

    Returns
    -------
    list of dict
        For each allergen and kind: ``allergen``, ``kind`` (measured or modelled), ``regions``, and
        ``until``, the last day held.
    """
    if pollen is None or calibration is None:
        return []
    found: list[dict[str, Any]] = []
    for allergen in calibration.release_powers:
        if allergen not in pollen["allergen"].values:
            continue
        one = pollen.sel(allergen=allergen)
        for number, kind in enumerate(VALUE_KINDS):
            counted = one[COUNTS].notnull().any("time") & (one[MEASURED] == 1 - number)
            regions = [str(r) for r in one["region"].values[counted.values]]
            if regions:
                days = one[COUNTS].sel(region=regions).dropna("time", how="all")["time"]
                until = str(days.values[-1].astype("datetime64[D]"))
                found.append(
                    {"allergen": allergen, "kind": kind, "regions": regions, "until": until}
                )
    return found


def exposure_is_from(attrs: Mapping[str, Any]) -> str:
    """Say on what the exposure of an issue rests, from the attributes of its file."""
    read = json.loads(attrs.get("pollen_read", "[]"))
    known = catalogue()
    parts = [
        f"{known[one['allergen']].name if one['allergen'] in known else one['allergen']}, "
        f"{one['kind']} in {len(one['regions'])} "
        f"{'region' if len(one['regions']) == 1 else 'regions'} until {one['until']}"
        for one in read
    ]
    if not parts:
        return "Modelled from the weather; no pollen was measured."
    measured = any(one["kind"] == VALUE_KINDS[0] for one in read)
    rest = "" if measured else " No pollen was measured."
    return f"Modelled from the weather, and set by pollen concentrations: {'; '.join(parts)}.{rest}"
