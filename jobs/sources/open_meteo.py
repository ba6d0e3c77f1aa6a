"""Weather of the Open-Meteo family: past days, forecast, ensemble and seasonal, daily and in UTC.

All four answer alike. Days are UTC days: a civil zone is applied there with today's offset, so the
same past day would have other limits in summer than in winter. The elevation of a place is sent
along, and temperatures come adjusted to it. Replies hold the position of the grid cell, not of the
place; places are matched by their order.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import xarray as xr

from forecast.climate.variables import Variable, variables
from forecast.findings import Finding
from jobs.sources import open_meteo_calls as calls
from jobs.sources.open_meteo_calls import set_up, words
from jobs.sources.open_meteo_reply import Section, read_section
from jobs.sources.parsing import attributes, finding, position_coordinates, require
from jobs.sources.source import (
    Parsed,
    Place,
    RawReply,
    Request,
    Source,
    SourceSettings,
    find_source,
)

__all__ = ["parse", "requests", "set_up"]

_WITH_MEMBERS = ("ensemble", "seasonal")
_DEFAULT_MODEL = "best_match"


def offered() -> dict[str, str]:
    """Return the house's variables that the service has, with its names."""
    return {
        name: str(leaf.value)
        for name, leaf in words().group("variable").items()
        if name in variables()
    }


def requests(
    source: Source,
    places: Sequence[Place],
    first: date,
    last: date,
    settings: SourceSettings,
) -> list[Request]:
    """Return the calls for daily weather of these places and days."""
    model = calls.model_of(source, settings)
    members = int(words().number(f"model.{source.id}.{model}.members"))
    names = offered()
    cut = calls.chunks(source, places, first, last, n_variables=len(names), n_members=members)
    shared = [
        ("daily", ",".join(names.values())),
        ("timezone", "GMT"),
        ("wind_speed_unit", "ms"),
        *([("models", model)] if model != _DEFAULT_MODEL else []),
    ]
    return [
        calls.check_address(
            Request(
                source_id=source.id,
                method="GET",
                url=source.base_url + str(words()[f"path.{source.id}"].value),
                params=(
                    *calls.place_parameters(some, elevation=True),
                    ("start_date", start.isoformat()),
                    ("end_date", end.isoformat()),
                    *shared,
                ),
                places=some,
                first=start,
                last=end,
                variables=tuple(names),
                weight=weight,
            )
        )
        for some, start, end, weight in cut
    ]


def parse(reply: RawReply) -> Parsed:
    """Read daily weather: dims (region, time), or (region, member, time) of many forecasts.

    Days at the end of which nothing is known yet are left off.
    """
    table = words()
    asked = {name: table[f"variable.{name}"] for name in reply.request.variables}
    units = {str(leaf.value): leaf.unit for leaf in asked.values()}
    section = read_section(reply, "daily", units, "D")
    kind = find_source(reply.request.source_id).kind
    findings = list(section.findings)
    arrays = {}
    for name, leaf in asked.items():
        values = section.values[str(leaf.value)]
        variable = variables()[name]
        values = _converted(reply, values, variable, leaf.unit)
        arrays[name] = _array(values, variable, with_members=kind in _WITH_MEMBERS)
    dataset = xr.Dataset(
        arrays,
        coords={
            **position_coordinates(reply.request.places),
            "time": ("time", section.time, {"standard_name": "time"}),
            **section.grid,
        },
        attrs=_attributes(reply),
    )
    if kind in _WITH_MEMBERS:
        dataset = dataset.assign_coords(member=_members(section))
    dataset, notes = _without_empty_end(reply, dataset)
    return Parsed(dataset, tuple(findings + notes + _note_gaps(reply, dataset, section)))


def _converted(reply: RawReply, values: np.ndarray, variable: Variable, unit: str) -> np.ndarray:
    spelling = words().parameters.get(f"spelling.{unit}")
    pair = variable.conversion(unit if spelling is None else str(spelling.value))
    require(pair is not None, reply, f"{variable.name} is in {unit!r}, which is not understood")
    factor, addend = pair or (1.0, 0.0)
    return values * factor + addend


def _array(values: np.ndarray, variable: Variable, *, with_members: bool) -> xr.DataArray:
    if with_members:
        return xr.DataArray(values, dims=("region", "member", "time"), attrs=variable.attributes)
    return xr.DataArray(values[:, 0], dims=("region", "time"), attrs=variable.attributes)


def _members(section: Section) -> xr.DataArray:
    return xr.DataArray(
        np.arange(section.n_members),
        dims="member",
        attrs={"standard_name": "realization", "long_name": "member, 0 is the control"},
    )


def _attributes(reply: RawReply) -> dict[str, str]:
    model = dict(reply.request.params).get("models", _DEFAULT_MODEL)
    found = attributes(reply, version=model)
    maker = words().parameters.get(f"model.{reply.request.source_id}.{model}.maker")
    if maker is not None and maker.value:
        found["credit"] += f" Model: {maker.value}."
    return found


def _without_empty_end(reply: RawReply, dataset: xr.Dataset) -> tuple[xr.Dataset, list[Finding]]:
    """Leave off the last days on which no place has any value."""
    known = np.zeros(dataset.sizes["time"], dtype=bool)
    for name in dataset.data_vars:
        known |= dataset[name].notnull().any([d for d in dataset[name].dims if d != "time"]).values
    n_days = int(known.nonzero()[0][-1]) + 1 if known.any() else 0
    n_empty = len(known) - n_days
    if not n_empty:
        return dataset, []
    days = dataset.indexes["time"][n_days:]
    note = finding(
        reply,
        "not out yet",
        "note",
        column="time",
        found=f"{n_empty} days without any value, {days[0]:%Y-%m-%d} to {days[-1]:%Y-%m-%d}",
        fix="they are asked again next time",
    )
    return dataset.isel(time=slice(0, n_days)), [note]


def _note_gaps(reply: RawReply, dataset: xr.Dataset, section: Section) -> list[Finding]:
    findings = []
    for name in reply.request.variables:
        missing = dataset[name].isnull()
        n_missing = int(missing.sum())
        there = str(words()[f"variable.{name}"].value)
        if n_missing and there not in section.not_offered:
            found = f"{n_missing} of {missing.size} values"
            findings.append(finding(reply, "values missing", "note", column=name, found=found))
    return findings
