"""Reading a weather file: CF NetCDF in, the house convention out, or one sentence why not."""

from __future__ import annotations

import difflib
import io
from collections.abc import Hashable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate.errors import ClimateError
from forecast.climate.variables import Variable, rules, variables
from forecast.findings import Finding

_CLASSIC, _HDF5 = b"CDF", b"\x89HDF"
_POSITIONS = {
    "latitude": (("latitude",), ("latitude", "lat"), (-90.0, 90.0)),
    "longitude": (("longitude",), ("longitude", "lon"), (-180.0, 360.0)),
    "elevation": (
        ("altitude", "surface_altitude", "height_above_mean_sea_level"),
        ("elevation", "alt", "altitude"),
        (-500.0, 9000.0),
    ),
}
_KEPT_ATTRIBUTES = ("title", "institution", "source", "licence", "license", "credit", "history")


def read_weather_file(
    path: Path | str, *, today: date | None = None
) -> tuple[xr.Dataset, list[Finding]]:
    """Read daily weather of stations into dims (region, time), NaN where a value is missing.

    Any fault refuses the whole file with one sentence (`ClimateError`); what was done to it (units
    converted, days inserted, shares missing) comes back as notes. With `today`, days after it are
    refused.
    """
    path = Path(path)
    file = path.name
    raw = open_netcdf(path)
    station = _station_dimension(raw, file)
    house = xr.Dataset(coords=_coordinates(raw, station, file, today))
    findings: list[Finding] = []
    for variable in variables().values():
        if variable.optional and variable.name not in raw.data_vars:
            continue
        house[variable.name] = _converted(raw, variable, station, file, findings)
    _check_order(house, file)
    house = _every_day(house, file, findings)
    _note_missing(house, file, findings)
    house.attrs = {key: raw.attrs[key] for key in _KEPT_ATTRIBUTES if key in raw.attrs}
    house.attrs["day_definition"] = str(raw.attrs.get("day_definition", "not stated"))
    return house, findings


def open_netcdf(path: Path) -> xr.Dataset:
    """Read a NetCDF file, classic or HDF5, whole; one sentence where it is none or broken."""
    try:
        with path.open("rb") as opened:
            start = opened.read(4)
    except OSError as error:
        raise ClimateError(f"{path} cannot be read: {(error.strerror or '').lower()}") from error
    if not start.startswith((_CLASSIC, _HDF5)):
        found = "is no NetCDF file" if start else "is empty"
        raise ClimateError(
            f"{path.name} {found}; daily weather comes as a CF NetCDF file with the dimensions "
            "station and time (what it holds: sample_climate/README.md)"
        )
    try:
        if start.startswith(_CLASSIC):
            # read whole: the reader of classic files leaves a broken one open and mapped
            return xr.load_dataset(io.BytesIO(path.read_bytes()), **_options("scipy"))
        return xr.load_dataset(path, **_options("h5netcdf"))
    except (OSError, ValueError, KeyError, EOFError, RuntimeError, TypeError, IndexError) as error:
        cause = (str(error).strip() or type(error).__name__).splitlines()[0]
        raise ClimateError(
            f"{path.name} is broken, cut short or not CF ({cause}); fetch it again"
        ) from error


def _options(engine: str) -> dict[str, Any]:
    return {"engine": engine, "decode_timedelta": False}


# ------------------------------------------------------------------------------ where and when
def _station_dimension(raw: xr.Dataset, file: str) -> Hashable:
    named = [n for n, v in raw.variables.items() if v.attrs.get("cf_role") == "timeseries_id"]
    if len(named) != 1 or raw[named[0]].ndim != 1:
        raise ClimateError(
            f"{file} has {len(named)} variables of one dimension with cf_role 'timeseries_id'; "
            "exactly one must hold the station ids"
        )
    return raw[named[0]].dims[0]


def _coordinates(
    raw: xr.Dataset, station: Hashable, file: str, today: date | None
) -> dict[str, xr.DataArray]:
    name = next(n for n, v in raw.variables.items() if v.attrs.get("cf_role") == "timeseries_id")
    ids = [_text(value) for value in raw[name].values]
    wrong = [i for i in ids if not i or ids.count(i) > 1]
    if wrong:
        raise ClimateError(
            f"{file} names the station {wrong[0]!r} twice or not at all; each needs its own id"
        )
    coordinates = {
        "region": xr.DataArray(np.array(ids, dtype=object), dims="region"),
        "time": _days(raw, file, today),
    }
    for position in _POSITIONS:
        coordinates[position] = _position(raw, position, station, ids, file)
    return coordinates


def _text(value: object) -> str:
    return (value.decode() if isinstance(value, bytes) else str(value)).strip("\x00 ")


def _position(
    raw: xr.Dataset, position: str, station: Hashable, ids: list[str], file: str
) -> xr.DataArray:
    standard_names, names, (lowest, highest) = _POSITIONS[position]
    found = [
        n
        for n, v in raw.variables.items()
        if v.dims == (station,) and (v.attrs.get("standard_name") in standard_names or n in names)
    ]
    if not found and position == "elevation":
        return xr.DataArray(np.full(len(ids), np.nan), dims="region", attrs={"units": "m"})
    if not found:
        raise ClimateError(
            f"{file} has no {position} of its stations; add a variable over them with "
            f"standard_name '{standard_names[0]}'"
        )
    values = raw[found[0]].values.astype(float)
    wrong = ~((values >= lowest) & (values <= highest))
    if position == "elevation":
        wrong &= ~np.isnan(values)
    if wrong.any():
        at = int(np.argmax(wrong))
        raise ClimateError(
            f"{file}: {position} of station {ids[at]} is {values[at]:g}; allowed is "
            f"{lowest:g} to {highest:g}"
        )
    if position == "longitude":
        values = (values + 180.0) % 360.0 - 180.0
    unit = {"latitude": "degrees_north", "longitude": "degrees_east", "elevation": "m"}[position]
    attributes = {"units": unit, "standard_name": standard_names[0]}
    return xr.DataArray(values, dims="region", attrs=attributes)


def _days(raw: xr.Dataset, file: str, today: date | None) -> xr.DataArray:
    if "time" not in raw.dims or "time" not in raw.coords:
        raise ClimateError(f"{file} has no coordinate variable 'time'; its days are not known")
    if not np.issubdtype(raw["time"].dtype, np.datetime64):
        raise ClimateError(
            f"{file}: time is not in days of the standard calendar (units "
            f"{raw['time'].attrs.get('units', raw['time'].encoding.get('units'))!r}); write it as "
            "'days since 1970-01-01', calendar 'standard'"
        )
    times = pd.DatetimeIndex(raw["time"].values)
    n_missing = int(np.isnat(times.to_numpy()).sum())
    if n_missing or len(times) == 0:
        raise ClimateError(
            f"{file}: {n_missing} of {len(times)} times are missing; each day needs its date"
        )
    days = times.floor("D")
    steps = np.diff(days.to_numpy()) / np.timedelta64(1, "D")
    if (steps <= 0).any():
        at = int(np.argmax(steps <= 0))
        raise ClimateError(
            f"{file}: time must go up day by day, but {days[at + 1]:%Y-%m-%d} follows "
            f"{days[at]:%Y-%m-%d}; sort the days and keep one row each"
        )
    if today is not None and days[-1] > pd.Timestamp(today):
        raise ClimateError(
            f"{file} holds observed weather of {days[-1]:%Y-%m-%d}, after today ({today}); "
            "leave forecasts out"
        )
    attributes = {"standard_name": "time"}
    return xr.DataArray(days.astype("datetime64[ns]"), dims="time", attrs=attributes)


# ------------------------------------------------------------------------------ values
def _converted(
    raw: xr.Dataset, variable: Variable, station: Hashable, file: str, findings: list[Finding]
) -> xr.DataArray:
    found = _variable(raw, variable, file)
    if set(found.dims) != {station, "time"}:
        raise ClimateError(
            f"{file}: {variable.name} has dimensions {found.dims}; it must have ({station}, time)"
        )
    unit = str(found.attrs.get("units", ""))
    pair = variable.conversion(unit)
    if pair is None:
        raise ClimateError(
            f"{file}: {variable.name} is in {unit!r}; units that are understood are "
            f"{', '.join(variable.units_read)}"
        )
    values = found.transpose(station, "time").values.astype(float)
    if pair != (1.0, 0.0):
        values = values * pair[0] + pair[1]
        findings.append(_note("units", file, variable.name, f"{unit} converted to {variable.unit}"))
    _check_limits(values, variable, raw, file)
    return xr.DataArray(values, dims=("region", "time"), attrs=variable.attributes)


def _variable(raw: xr.Dataset, variable: Variable, file: str) -> xr.DataArray:
    if variable.name in raw.data_vars:
        return raw[variable.name]
    present = [str(name) for name in raw.data_vars]
    near = difflib.get_close_matches(variable.name, present, n=1)
    hint = f"; rename {near[0]!r}" if near else ""
    raise ClimateError(
        f"{file} has no variable {variable.name!r} ({variable.long_name}); it holds "
        f"{', '.join(present) or 'none'}{hint}"
    )


def _check_limits(values: np.ndarray, variable: Variable, raw: xr.Dataset, file: str) -> None:
    wrong = (values < variable.lowest) | (values > variable.highest)
    if wrong.any():
        raise ClimateError(
            f"{file}: {variable.name} {_place(wrong, raw, values)} {variable.unit}; plausible is "
            f"{variable.lowest:g} to {variable.highest:g}; correct the value or its unit, or "
            "leave it missing"
        )


def _check_order(house: xr.Dataset, file: str) -> None:
    room = rules().number("temperature_order.tolerance")
    low, mean, high = (house[name].values for name in ("tasmin", "tas", "tasmax"))
    for lower, upper, words in (
        (low, high, "tasmin is above tasmax"),
        (low, mean, "tasmin is above tas"),
        (mean, high, "tas is above tasmax"),
    ):
        wrong = lower > upper + room
        if wrong.any():
            raise ClimateError(
                f"{file}: {words} {_place(wrong, house, lower, upper)} degC; the order "
                "tasmin <= tas <= tasmax must hold; correct those days or leave them missing"
            )
    if "tdps" in house:
        dew, room = house["tdps"].values, rules().number("dew_point.tolerance")
        wrong = dew > mean + room
        if wrong.any():
            raise ClimateError(
                f"{file}: tdps is above tas {_place(wrong, house, dew, mean)} degC; air cannot be "
                "more than saturated; correct those days or leave them missing"
            )


def _place(wrong: np.ndarray, dataset: xr.Dataset, *values: np.ndarray) -> str:
    """Say where the first of the wrong values stands, and how many there are."""
    first = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
    day = pd.Timestamp(dataset["time"].values[first[1]])
    shown = " against ".join(f"{value[first]:g}" for value in values)
    total = int(wrong.sum())
    more = f" ({total} such values in all)" if total > 1 else ""
    return f"at station number {first[0] + 1} on {day:%Y-%m-%d}{more}: {shown}"


def _every_day(house: xr.Dataset, file: str, findings: list[Finding]) -> xr.Dataset:
    days = house.indexes["time"]
    full = pd.date_range(days[0], days[-1], freq="D")
    n_absent = len(full) - len(days)
    if n_absent:
        findings.append(_note("days left out", file, "time", f"{n_absent} days added as missing"))
        house = house.reindex(time=full)
    return house


def _note_missing(house: xr.Dataset, file: str, findings: list[Finding]) -> None:
    for name in (n for n in variables() if n in house):
        missing = np.isnan(house[name].values)
        if missing.any():
            worst = int(missing.mean(axis=1).argmax())
            found = (
                f"{missing.mean():.1%} of its values, most at "
                f"{house['region'].values[worst]} ({missing[worst].mean():.1%})"
            )
            findings.append(_note("values missing", file, name, found))


def _note(check: str, file: str, column: str, found: str) -> Finding:
    return Finding(check, "note", file, None, column, found, "", "")
