"""Pollen files in a folder: the practice's own trap, or a national bulletin it may use.

The folder is named in the settings (``folder``, which whoever builds them has made a full path).
Every file in it is read, and read again as a whole when it has changed. Two layouts:

A table (``.csv`` as text, or ``.xlsx``), one row a region, day and allergen:

=========  =========================================================================
region     id of a region in practice.toml
date       the day, written 2026-04-14
allergen   id of the catalogue, such as birch or grasses
value      daily mean in grains a cubic metre; empty: not counted; 0: counted, none
unit       optional; grains/m3 and its spellings, nothing else
=========  =========================================================================

A NetCDF file (``.nc``) with a variable ``pollen`` over the dimensions ``region``, ``allergen`` and
``time``, their coordinates as above, ``units`` as above. The attribute ``value_kind`` of the
variable may be ``measured`` or ``modelled``; else the settings (``value_kind``) say it, and else it
is measured. An index (0 to 3, low to high) is no concentration and is refused.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import cast
from urllib.parse import unquote, urlsplit

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate.weather_file import open_netcdf
from forecast.csv_files import is_number, nothing_kept, read_csv
from forecast.findings import Finding
from jobs.sources.limits import Clock
from jobs.sources.parsing import attributes, finding, position_coordinates
from jobs.sources.raw_archive import RawArchive
from jobs.sources.source import (
    MEASURED,
    MODELLED,
    VALUE_KIND,
    FormatError,
    Parsed,
    Place,
    RawReply,
    RefusedError,
    Request,
    Source,
    SourceSettings,
    TemporaryError,
    find_source,
)
from jobs.sources.stations import check_options
from models.allergens import catalogue
from models.errors import ForepawError
from models.parameters import ParameterTable, load_table

_DIMS = ("region", "allergen", "time")
_COLUMNS = ("region", "date", "allergen", "value")
_KINDS = (MEASURED, MODELLED)
_EARLIEST = date(1900, 1, 1)


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return a request for each file of the folder; the days wanted are of no matter.

    Raises
    ------
    RefusedError
        If no folder is named, or there is none.
    """
    check_options(source, settings, ("folder", VALUE_KIND))
    named = settings.options.get("folder")
    kind = settings.options.get(VALUE_KIND, MEASURED)
    if kind not in _KINDS:
        raise RefusedError(
            f"{source.name}: {VALUE_KIND} is {kind!r}; it may be {' or '.join(_KINDS)}"
        )
    folder = Path(str(named)) if named else None
    if folder is None or not folder.is_absolute() or not folder.is_dir():
        raise RefusedError(
            f"{source.name}: there is no folder {str(named or '')!r}; make it, or name another as "
            "folder in its settings"
        )
    endings = cast("list[str]", _table()["folder.endings"].value)
    files = sorted(f for f in folder.iterdir() if f.is_file() and f.suffix.lower() in endings)
    return [
        Request(
            source_id=source.id,
            method="GET",
            url=file.as_uri(),
            params=((VALUE_KIND, str(kind)),),
            places=tuple(places),
            first=first,
            last=last,
            content="binary",
            conditional=True,
        )
        for file in files
        if not file.name.startswith((".", "~"))
    ]


def get(request: Request, *, archive: RawArchive | None, clock: Clock) -> RawReply:
    """Read a file in place of asking a service, and archive it if it is new.

    Raises
    ------
    TemporaryError
        If the file is gone, cannot be read, or was changed just now.
    RefusedError
        If it is larger than the source allows.
    """
    source, file = find_source(request.source_id), _path(request)
    try:
        about = file.stat()
        if clock.now().timestamp() - about.st_mtime < _table().number("folder.at_rest"):
            raise TemporaryError(
                f"{source.name}: {file.name} is being written; it is read next time"
            )
        if about.st_size > source.limits.largest_reply_bytes:
            raise RefusedError(
                f"{source.name}: {file.name} has {about.st_size} bytes; at most "
                f"{source.limits.largest_reply_bytes} are read; cut it into several files"
            )
        body = file.read_bytes()
    except OSError as error:
        raise TemporaryError(
            f"{source.name}: {file.name} cannot be read: {(error.strerror or '').lower()}"
        ) from error
    reply = RawReply(
        request=request,
        url=request.url,
        status=200,
        content_type="",
        body=body,
        sha256=hashlib.sha256(body).hexdigest(),
        retrieved_at=clock.now(),
        last_modified=datetime.fromtimestamp(about.st_mtime, UTC).isoformat(),
    )
    held = archive.newest(request) if archive is not None else None
    if held is not None and held.sha256 == reply.sha256:
        return replace(reply, status=304)
    if archive is not None:
        archive.keep(reply)
    return reply


def parse(reply: RawReply) -> Parsed:
    """Read a file into ``pollen``, dims (region, allergen, time) [grains m-3], NaN not counted.

    Time is every day from the first to the last of the file. A bad row of a table is left out and
    told; a bad file is refused.

    Raises
    ------
    FormatError
        If the file is not of one of the two layouts.
    """
    name = _path(reply.request).name
    if name.lower().endswith(".nc"):
        pollen, findings = _from_netcdf(reply, name)
    else:
        pollen, findings = _from_table(reply, name)
    days = pollen.indexes["time"]
    pollen = pollen.reindex(time=pd.date_range(days.min(), days.max(), freq="D"))
    places = [p for p in reply.request.places if p.id in set(pollen["region"].values)]
    kind = pollen.attrs.get(VALUE_KIND, dict(reply.request.params)[VALUE_KIND])
    pollen = pollen.sel(region=[place.id for place in places]).transpose(*_DIMS)
    pollen.attrs = {
        "units": "grains m-3",
        "long_name": f"daily mean pollen concentration, {kind}",
        "cell_methods": "time: mean",
        VALUE_KIND: kind,
    }
    dataset = xr.Dataset(
        {"pollen": (_DIMS, pollen.values, pollen.attrs)},
        coords=position_coordinates(places)
        | {
            "allergen": pollen["allergen"].values.astype(object),
            "time": ("time", pollen["time"].values, {"standard_name": "time"}),
        },
        attrs=attributes(reply) | {VALUE_KIND: kind, "file": name},
    )
    return Parsed(dataset, tuple(findings))


def _table() -> ParameterTable:
    return load_table("jobs.sources", "files.toml")


def _units() -> list[str]:
    return cast("list[str]", _table()["units.read"].value)


def _path(request: Request) -> Path:
    return Path(unquote(urlsplit(request.url).path))


# ------------------------------------------------------------------------------ a table
def _from_table(reply: RawReply, name: str) -> tuple[xr.DataArray, list[Finding]]:
    try:
        table = read_csv(reply.body, name, required=_COLUMNS, optional=("unit",))
        table.leave_out_unknown("region", [place.id for place in reply.request.places])
        table.leave_out_unknown("allergen", list(catalogue()))
        table.leave_out_unknown("unit", _units(), empty=True)
        table.parse_days("date", earliest=_EARLIEST, latest=reply.retrieved_at.date())
        filled = table.rows["value"] != ""
        no_count = filled & ~is_number(table.rows["value"])
        no_count |= table.rows["value"].str.startswith("-")
        allowed = "a number from 0, with a point, or nothing where it was not counted"
        table.leave_out(no_count, "value", check="no concentration", allowed=allowed)
        table.leave_out_repeated(["region", "allergen", "date"])
        if table.rows.empty:
            raise nothing_kept(table)
    except ForepawError as error:
        raise FormatError(f"{find_source(reply.request.source_id).name}: {error}") from error
    values = pd.to_numeric(table.rows["value"].where(table.rows["value"] != ""))
    key = pd.MultiIndex.from_frame(
        table.rows[["region", "allergen", "date"]].astype({"region": "str", "allergen": "str"}),
        names=_DIMS,
    )
    return values.astype(float).set_axis(key).to_xarray(), table.findings


# ------------------------------------------------------------------------------ NetCDF
def _from_netcdf(reply: RawReply, name: str) -> tuple[xr.DataArray, list[Finding]]:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / name
        copy.write_bytes(reply.body)
        try:
            raw = open_netcdf(copy)
        except ForepawError as error:
            raise FormatError(f"{find_source(reply.request.source_id).name}: {error}") from error
    held = ", ".join(map(str, raw.data_vars)) or "none"
    _require("pollen" in raw.data_vars, reply, f"{name} has no variable 'pollen', it holds {held}")
    pollen = raw["pollen"]
    same = set(pollen.dims) == set(_DIMS) and all(dim in pollen.coords for dim in _DIMS)
    _require(same, reply, f"{name}: pollen has dimensions {pollen.dims}, not {_DIMS} with values")
    unit = pollen.attrs.get("units")
    _require(unit in _units(), reply, f"{name}: pollen is in {unit!r}, not {', '.join(_units())}")
    kind = pollen.attrs.get(VALUE_KIND, MEASURED)
    _require(kind in _KINDS, reply, f"{name}: {VALUE_KIND} is {kind!r}, not {' or '.join(_KINDS)}")
    days = pollen["time"]
    dated = np.issubdtype(days.dtype, np.datetime64) and days.size and days.to_index().is_unique
    _require(bool(dated), reply, f"{name}: time holds no days, or a day twice")
    pollen = pollen.assign_coords(time=days.dt.floor("D").astype("datetime64[ns]"))
    numeric = np.issubdtype(pollen.dtype, np.number) and not bool((pollen < 0).any())
    _require(numeric, reply, f"{name}: pollen holds negative values, or no numbers")
    findings = []
    known = {"region": [p.id for p in reply.request.places], "allergen": list(catalogue())}
    for dim, allowed in known.items():
        words = [_word(word) for word in pollen[dim].values]
        pollen = pollen.assign_coords({dim: words})
        others = [word for word in words if word not in allowed]
        if others:
            found = f"{dim} {', '.join(others)}"
            note = finding(reply, "not known, left out", "error", column=dim, found=found)
            findings.append(note)
        kept = [word for word in words if word in allowed]
        _require(bool(kept), reply, f"{name}: no {dim} is known, it has {', '.join(words)}")
        pollen = pollen.sel({dim: kept})
    return pollen.astype(float), findings


def _word(label: object) -> str:
    """Return a label as text: classic files hold them as bytes."""
    text = label.decode("utf-8", errors="replace") if isinstance(label, bytes) else str(label)
    return text.strip("\x00 ")


def _require(condition: bool, reply: RawReply, sentence: str) -> None:
    if not condition:
        name = find_source(reply.request.source_id).name
        sentence = " ".join(sentence.split())
        raise FormatError(f"{name}: {sentence}; nothing of it was taken, mend the file")
