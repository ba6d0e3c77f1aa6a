"""Reading station days as NCEI's access service gives them: texts, flags, metric units.

Every value is a text padded with blanks; an element that was not reported that day has no key. The
attributes of a value are ``measurement flag, quality flag, source flag[, time of observation]``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate.variables import variables
from forecast.findings import Finding
from jobs.sources.parsing import (
    attributes,
    drift,
    finding,
    position_coordinates,
    read_json,
    require,
)
from jobs.sources.source import Parsed, RawReply
from jobs.sources.spans import days_asked
from jobs.sources.stations import Station, distance, places_without, served
from models.parameters import ParameterTable, load_table

_TEMPERATURES = ("tasmin", "tasmax")
_SLOTS = 3  # measurement, quality and source flag; the time of observation may follow


def read_elements(reply: RawReply, elements: Mapping[str, str]) -> Parsed:
    """Read the reply; `elements` are the service's names of the variables asked for."""
    rows = _rows(reply)
    findings = places_without(reply)
    days = days_asked(reply)
    stations = served(reply)
    found: dict[str, pd.DataFrame] = {}
    for name, element in elements.items():
        if element in rows:
            values = _values(rows, name, element, reply, findings)
            wide = values.unstack("STATION")
            found[name] = wide.reindex(index=days, columns=list(stations))
    _check_tenths(rows, elements, reply)
    if "tasmin" in found and "tasmax" in found:
        half = load_table("jobs.sources", "ghcn_daily.toml").number("tas.half_sum")
        found["tas"] = (found["tasmin"] + found["tasmax"]) * half
    dataset = _dataset(found, days, reply)
    findings += _about(rows, found, stations, reply)
    return Parsed(dataset, tuple(findings))


def _rows(reply: RawReply) -> pd.DataFrame:
    """Return the station days as texts, one row each, checked against what was asked for."""
    tree = read_json(reply)
    said = tree.get("errorMessage", tree) if isinstance(tree, dict) else type(tree).__name__
    require(isinstance(tree, list), reply, f"a list of station days was expected, found {said}")
    require(all(isinstance(row, dict) for row in tree), reply, "a row of its list is no object")
    rows = pd.DataFrame(tree, dtype=object)
    if rows.empty:
        return pd.DataFrame({"STATION": [], "DATE": pd.DatetimeIndex([])}, dtype=object)
    for column in ("STATION", "DATE"):
        whole = column in rows and all(isinstance(text, str) for text in rows[column])
        require(whole, reply, f"{column} is missing in some of its {len(rows)} rows")
    others = set(rows["STATION"]) - {station for _, station in reply.request.stations}
    require(not others, reply, f"station {', '.join(sorted(others))} was not asked for")
    days = pd.to_datetime(rows["DATE"], format="%Y-%m-%d", errors="coerce")
    asked = days.isin(days_asked(reply))
    if not asked.all():
        day = rows["DATE"].iloc[int(np.argmin(asked))]
        raise drift(reply, f"DATE is {day!r}, not one of the days asked for")
    repeated = rows.assign(DATE=days).duplicated(["STATION", "DATE"])
    require(not repeated.any(), reply, f"{int(repeated.sum())} station days come twice")
    return rows.assign(DATE=days)


def _values(
    rows: pd.DataFrame, name: str, element: str, reply: RawReply, findings: list[Finding]
) -> pd.Series:
    """Return an element's values by day and station; what failed a check is dropped and told."""
    table = load_table("jobs.sources", "ghcn_daily.toml")
    given = rows[["STATION", "DATE", element]].dropna(subset=[element])
    numbers = pd.to_numeric(given[element].astype("str").str.strip(), errors="coerce")
    if numbers.isna().any():
        at = given.loc[numbers.isna()].iloc[0]
        where = f"{at['STATION']} on {at['DATE']:%Y-%m-%d}"
        raise drift(reply, f"{element} is {at[element]!r} at {where}")
    flags = _flags(rows, given.index, element, reply)
    zero = str(table["flags.taken_as_zero"].value)
    reasons = {
        "failed a check of the archive": flags[1] != "",
        "blank at the station, taken as zero by the archive": flags[0] == zero,
        "a fill value": numbers.isin(cast("list[Any]", table["flags.fill_values"].value)),
    }
    for reason, dropped in reasons.items():
        if dropped.any():
            findings.append(_dropped(reply, name, reason, given.loc[dropped], flags[1]))
    bad = pd.concat(reasons.values(), axis=1).any(axis=1)
    kept = numbers.where(~bad)
    return kept.set_axis(pd.MultiIndex.from_frame(given[["DATE", "STATION"]]))


def _flags(
    rows: pd.DataFrame, index: pd.Index, element: str, reply: RawReply
) -> dict[int, pd.Series]:
    """Return the parts of the attributes of an element's values."""
    column = f"{element}_ATTRIBUTES"
    whole = column in rows and not rows.loc[index, column].isna().any()
    require(whole, reply, f"{column} is missing: which values of {element} failed is not known")
    parts = rows.loc[index, column].astype("str").str.split(",")
    short = parts.str.len() < _SLOTS
    if short.any():
        text = rows.loc[index, column].loc[short].iloc[0]
        raise drift(reply, f"{column} is {text!r}, not at least {_SLOTS} flags with commas")
    return {slot: parts.str.get(slot).str.strip() for slot in range(_SLOTS)}


def _dropped(
    reply: RawReply, name: str, reason: str, rows: pd.DataFrame, quality: pd.Series
) -> Finding:
    first = rows.iloc[0]
    flags = "".join(sorted(set(quality.loc[rows.index]) - {""}))
    found = (
        f"{len(rows)} dropped{f' (flag {flags})' if flags else ''}, the first at "
        f"{first['STATION']} on {first['DATE']:%Y-%m-%d}"
    )
    return finding(reply, reason, "warning", column=name, found=found)


def _check_tenths(rows: pd.DataFrame, elements: Mapping[str, str], reply: RawReply) -> None:
    """Refuse temperatures none of which has a decimal point: those are tenths, stored as such."""
    texts = [
        rows[elements[name]].dropna().astype("str")
        for name in _TEMPERATURES
        if elements.get(name) in rows
    ]
    together = pd.concat(texts) if texts else pd.Series(dtype="str")
    table: ParameterTable = load_table("jobs.sources", "ghcn_daily.toml")
    if len(together) >= table.number("tenths.least_values"):
        metric = together.str.contains(".", regex=False).any()
        require(
            bool(metric),
            reply,
            f"no temperature has a decimal point (such as {together.iloc[0].strip()!r}): they are "
            "tenths of a degree, although metric units were asked for",
        )


def _dataset(
    found: Mapping[str, pd.DataFrame], days: pd.DatetimeIndex, reply: RawReply
) -> xr.Dataset:
    places = reply.request.places
    station_of = {place: station for place, station in reply.request.stations if station}
    dataset = xr.Dataset(
        coords=position_coordinates(places) | {"time": ("time", days, {"standard_name": "time"})}
    )
    for name in (name for name in variables() if name in found):
        columns = [station_of[place.id] for place in places]
        values = found[name][columns].to_numpy(dtype=float).T
        dataset[name] = (("region", "time"), values, dict(variables()[name].attributes))
    if "tas" in dataset:
        dataset["tas"].attrs["comment"] = "half the sum of the day's minimum and maximum"
    dataset.attrs = attributes(reply)
    return dataset


# ------------------------------------------------------------------------------ what to say
def _about(
    rows: pd.DataFrame,
    found: Mapping[str, pd.DataFrame],
    stations: Mapping[str, list[str]],
    reply: RawReply,
) -> list[Finding]:
    findings = []
    for station, places in stations.items():
        own = rows.loc[rows["STATION"] == station]
        if own.empty:
            findings.append(
                finding(
                    reply,
                    "nothing reported",
                    "warning",
                    found=f"station {station} (region {', '.join(places)})",
                    fix="see whether its id has changed in ghcnd-stations.txt, or name another",
                )
            )
            continue
        findings += _about_lateness(station, own, reply)
        findings += _about_position(station, places, own, reply)
        findings += _about_hours(station, own, reply)
    absent = [name for name in reply.request.variables if name not in found]
    if absent and not rows.empty:
        findings.append(
            finding(reply, "not measured here", "note", found=", ".join(absent), fix="")
        )
    return findings


def _about_lateness(station: str, own: pd.DataFrame, reply: RawReply) -> list[Finding]:
    table = load_table("jobs.sources", "ghcn_daily.toml")
    newest = own["DATE"].max()
    late = (days_asked(reply)[-1] - newest).days
    if late < table.number("late.told_from"):
        return []
    found = f"station {station} has nothing after {newest:%Y-%m-%d}"
    fix = "its id may have changed (see ghcnd-stations.txt), or it was closed; name another"
    return [finding(reply, "stopped reporting", "warning", found=found, fix=fix)]


def _about_position(
    station: str, places: list[str], own: pd.DataFrame, reply: RawReply
) -> list[Finding]:
    """Say how far off the station lies, as its rows tell."""
    table = load_table("jobs.sources", "ghcn_daily.toml")
    told = {name: own[name].iloc[0] for name in ("LATITUDE", "LONGITUDE") if name in own}
    numbers = pd.to_numeric(pd.Series(told, dtype="str").str.strip(), errors="coerce")
    if len(numbers) < len(("LATITUDE", "LONGITUDE")) or numbers.isna().any():
        return []
    text = str(own["ELEVATION"].iloc[0]).strip() if "ELEVATION" in own else ""
    height = float(pd.to_numeric(text, errors="coerce"))
    here = Station(station, numbers["LATITUDE"], numbers["LONGITUDE"], height)
    findings = []
    for place in (p for p in reply.request.places if p.id in places):
        away = distance(place.latitude, place.longitude, here)
        step = height - place.elevation
        high = abs(step) >= table.number("station.height_told_from")
        far = away > table.number("station.within")
        found = f"region {place.id}: {station}, {away:.0f} km away"
        found += "" if np.isnan(step) else f", {step:+.0f} m"
        severity = "warning" if high or far else "note"
        check = "station far from the region" if high or far else "station of the region"
        findings.append(finding(reply, check, cast(Any, severity), found=found))
    return findings


def _about_hours(station: str, own: pd.DataFrame, reply: RawReply) -> list[Finding]:
    """Say at what hours the station's day ends, where it tells."""
    columns = [c for c in own if str(c).endswith("_ATTRIBUTES")]
    hours: set[str] = set()
    for column in columns:
        parts = [str(text).split(",") for text in own[column].dropna()]
        hours |= {part[_SLOTS].strip() for part in parts if len(part) > _SLOTS} - {""}
    if not hours:
        return []
    found = f"station {station}: its day ends at {', '.join(sorted(hours))} local time"
    return [finding(reply, "another day", "note", found=found)]
