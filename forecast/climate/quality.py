"""Quality of pulled weather: what cannot be is set missing and told, what looks odd is told.

In a file brought by hand the same fault refuses the whole file, since somebody can correct it; of
a service's reply the rest is kept. Checks: plausible limits (``variables.toml``), a spike of one
day, the order of the three temperatures (``rules.toml``), the same value for many days
(``quality.toml``). Spikes and what breaks the order are set missing, a long streak too; of a dew
point above the mean temperature the dew point alone.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.climate.variables import Variable, rules, variables
from forecast.findings import Finding
from models.parameters import ParameterTable, load_table

_Array = NDArray[np.float64]
_Mask = NDArray[np.bool_]
_TEMPERATURES = ("tasmin", "tas", "tasmax")


def quality_table() -> ParameterTable:
    """Return the table of checks and of fitting one source to another."""
    return load_table("forecast.climate", "quality.toml")


def check_weather(dataset: xr.Dataset, *, source: str) -> tuple[xr.Dataset, list[Finding]]:
    """Set missing what cannot be; tell what was, and where the first of it stands.

    Parameters
    ----------
    dataset
        Weather in house form, dims ending in ``time``, days in a row; not changed.
    source
        Named in the findings in place of a file.
    """
    checked = dataset.copy()
    findings: list[Finding] = []
    for name in (n for n in variables() if n in dataset):
        series = dataset[name].transpose(..., "time")
        values = series.values.astype(float)
        for check, find in _CHECKS.items():
            wrong = find(values, variables()[name])
            if wrong.any():
                findings.append(_told(check, series, wrong, values, source))
                values = np.where(wrong, np.nan, values)
        checked[name] = series.copy(data=values).transpose(*dataset[name].dims)
    return _ordered(checked, source, findings)


# ------------------------------------------------------------------------------ one variable
def _beyond(values: _Array, variable: Variable) -> _Mask:
    with np.errstate(invalid="ignore"):
        return (values < variable.lowest) | (values > variable.highest) | np.isinf(values)


def _spikes(values: _Array, variable: Variable) -> _Mask:
    """Find days far above, or far below, both the day before and the day after."""
    wrong = np.zeros(values.shape, dtype=bool)
    limit = quality_table().parameters.get(f"spike.{variable.name}")
    if limit is not None and values.shape[-1] > 2:
        up = values[..., 1:-1] - values[..., :-2]
        down = values[..., 1:-1] - values[..., 2:]
        with np.errstate(invalid="ignore"):
            above = (up >= limit.number) & (down >= limit.number)
            below = (up <= -limit.number) & (down <= -limit.number)
        wrong[..., 1:-1] = above | below
    return wrong


def _streaks(values: _Array, variable: Variable) -> _Mask:
    """Find runs of the very same value that last too long."""
    table = quality_table()
    longest = int(table.number(f"streak.{variable.name}"))
    n_days = values.shape[-1]
    if n_days < longest:
        return np.zeros(values.shape, dtype=bool)
    same = np.zeros(values.shape, dtype=bool)
    same[..., 1:] = values[..., 1:] == values[..., :-1]
    if not _may_be_long(same, longest):
        return np.zeros(values.shape, dtype=bool)
    day = np.broadcast_to(np.arange(n_days), values.shape)
    began = np.maximum.accumulate(np.where(same, 0, day), axis=-1)
    ends = np.ones(values.shape, dtype=bool)
    ends[..., :-1] = ~same[..., 1:]
    ended = np.minimum.accumulate(np.where(ends, day, n_days)[..., ::-1], axis=-1)[..., ::-1]
    lasting = (ended - began + 1 >= longest) & ~np.isnan(values)
    usual = table.parameters.get(f"may_last.{variable.name}")
    if usual is None:
        return lasting
    at_end = values >= usual.number if usual.number > 0 else values <= usual.number
    return lasting & ~at_end


def _may_be_long(same: _Mask, longest: int) -> bool:
    """Whether some run could be as long, by a look at every so many days only."""
    return bool(same[..., longest - 1 :: longest - 1].any())


_CHECKS: dict[str, Callable[[_Array, Variable], _Mask]] = {
    "not plausible": _beyond,
    "spike of one day": _spikes,
    "same value for too long": _streaks,
}


# ------------------------------------------------------------------------------ the temperatures
def _ordered(
    dataset: xr.Dataset, source: str, findings: list[Finding]
) -> tuple[xr.Dataset, list[Finding]]:
    given = [name for name in _TEMPERATURES if name in dataset]
    room = rules().number("temperature_order.tolerance")
    for lower, upper in ((a, b) for i, a in enumerate(given) for b in given[i + 1 :]):
        wrong = (dataset[lower] > dataset[upper] + room).transpose(..., "time")
        if bool(wrong.any()):
            low = dataset[lower].transpose(..., "time")
            check = f"{lower} above {upper}"
            findings.append(_told(check, low, wrong.values, low.values, source))
            for name in given:  # which of them is wrong is not known
                dataset[name] = dataset[name].where(~wrong)
    return _not_above_saturation(dataset, source, findings)


def _not_above_saturation(
    dataset: xr.Dataset, source: str, findings: list[Finding]
) -> tuple[xr.Dataset, list[Finding]]:
    if "tas" in dataset and "tdps" in dataset:
        room = rules().number("dew_point.tolerance")
        wrong = (dataset["tdps"] > dataset["tas"] + room).transpose(..., "time")
        if bool(wrong.any()):
            dew = dataset["tdps"].transpose(..., "time")
            findings.append(_told("tdps above tas", dew, wrong.values, dew.values, source))
            dataset["tdps"] = dataset["tdps"].where(~wrong)
    return dataset, findings


def _told(check: str, series: xr.DataArray, wrong: _Mask, values: _Array, source: str) -> Finding:
    first = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
    day = pd.Timestamp(series["time"].values[first[-1]])
    region = series["region"].values[first[series.dims.index("region")]]
    variable = variables()[str(series.name)]
    return Finding(
        check,
        "warning",
        source,
        None,
        variable.name,
        f"{variable.long_name}, {int(wrong.sum())} values set missing, the first at "
        f"{region} on {day:%Y-%m-%d}: {values[first]:g} {variable.unit}",
        f"{variable.lowest:g} to {variable.highest:g}" if check == "not plausible" else "",
        "",
    )
