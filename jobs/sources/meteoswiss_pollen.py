"""MeteoSwiss pollen: daily means counted at some fifteen stations of Switzerland.

Counted by machine since 2023, by eye before: the two are not directly comparable, so the dataset
says for each day how it was counted. The hourly files (stamped at the END of the hour) are not
read.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import cast

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.findings import Finding
from jobs.sources import meteoswiss
from jobs.sources.parsing import attributes, drift, finding, position_coordinates, require
from jobs.sources.source import (
    MEASURED,
    VALUE_KIND,
    Parsed,
    Place,
    RawReply,
    Request,
    Source,
    SourceSettings,
)
from jobs.sources.spans import days_asked
from jobs.sources.stations import places_without
from models.parameters import ParameterTable, load_table

_DATA_SET = "ogd-pollen"
# recent: from 1 January to yesterday; historical: until 31 December, perhaps split by decade
_SPANS = ("d_recent", r"d_historical(_\d{4}-\d{4})?")
_DAY_BEGINS = (0, 6)  # hours at which a day's stamp may stand
_MANUAL, _AUTOMATIC = 0, 1


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return requests for the items of the stations, or for their list."""
    return meteoswiss.first_requests(source, places, first, last, settings, data_set=_DATA_SET)


def follow_up(source: Source, reply: RawReply, settings: SourceSettings) -> list[Request]:
    """Return what comes next: items after the list of stations, daily files after an item.

    The files of past years are asked for only where a day of them is wanted.
    """
    wanted = cast(date, reply.request.first)
    this_year = cast(date, reply.request.last).replace(month=1, day=1)
    spans = _SPANS if wanted < this_year else _SPANS[:1]
    return meteoswiss.follow(source, reply, data_set=_DATA_SET, rules=_table(), spans=spans)


def parse(reply: RawReply) -> Parsed:
    """Read a station's daily file into the places it stands for.

    ``pollen`` has dims (region, allergen, time) [grains m-3]; ``counting`` (time) is 0 for counts
    by eye and 1 for counts by machine.

    Raises
    ------
    FormatError
        If it is no daily file of that station, or a count is no number or negative.
    """
    table = meteoswiss.read_table(reply, ("station_abbr", "reference_timestamp"))
    meteoswiss.check_station(table, reply)
    stamps = meteoswiss.read_stamps(table, reply, hours=_DAY_BEGINS)
    require(stamps.is_unique, reply, "a day stands in it twice")
    days = days_asked(reply)
    findings = places_without(reply)
    counts = _counts(table, stamps.isin(days), reply, findings).set_axis(stamps).reindex(days)
    if counts.isna().all(axis=None):
        findings.append(finding(reply, "no counts", "note", found="none of the days asked for"))
    dataset = _dataset(counts, days, reply)
    return Parsed(dataset, tuple(findings))


def _table() -> ParameterTable:
    return load_table("jobs.sources", "meteoswiss_pollen.toml")


def _counts(
    table: pd.DataFrame, asked: NDArray[np.bool_], reply: RawReply, findings: list[Finding]
) -> pd.DataFrame:
    """Return the counts by allergen, in the order of the rows; `asked` marks the rows wanted."""
    taxa = dict(cast("list[list[str]]", _table()["taxa.codes"].value))
    suffixes = cast("list[str]", _table()["day.suffixes"].value)
    found: dict[str, pd.Series] = {}
    for code, allergen in taxa.items():
        columns = [code + suffix for suffix in suffixes if code + suffix in table]
        if not allergen or not columns:
            continue
        numbers = [_numbers(table[column], reply) for column in columns]
        found[allergen] = numbers[0]
        for other in numbers[1:]:
            found[allergen] = found[allergen].fillna(other)
        best = code + suffixes[0]
        usual = numbers[0].notna() if columns[0] == best else pd.Series(False, index=table.index)
        n_other = int((found[allergen].notna() & ~usual & asked).sum())
        if n_other:
            said = f"{n_other} days are those of {columns[-1]}, not the UTC day"
            findings.append(finding(reply, "another day", "note", column=allergen, found=said))
    known = {code + suffix for code in taxa for suffix in suffixes}
    require(
        bool(found),
        reply,
        f"none of its columns is a daily count this program knows ({', '.join(table.columns[2:])})",
    )
    lacking = [allergen for allergen in taxa.values() if allergen and allergen not in found]
    if lacking:
        said = ", ".join(lacking)
        findings.append(finding(reply, "not counted here", "warning", found=said))
    others = [c for c in table.columns[2:] if c not in known and c.endswith(tuple(suffixes))]
    if others:
        said = ", ".join(others)
        findings.append(finding(reply, "codes not known", "note", found=said))
    return pd.DataFrame(found)


def _numbers(texts: pd.Series, reply: RawReply) -> pd.Series:
    given = texts != ""
    numbers = pd.to_numeric(texts.where(given), errors="coerce")
    wrong = given & ~(numbers >= 0)
    if wrong.any():
        at = int(wrong.to_numpy().argmax())
        raise drift(reply, f"{texts.name} in row {at + 2} is {texts.iloc[at]!r}, no count")
    return numbers.astype(float)


def _dataset(counts: pd.DataFrame, days: pd.DatetimeIndex, reply: RawReply) -> xr.Dataset:
    places = reply.request.places
    values = np.broadcast_to(counts.to_numpy(dtype=float).T, (len(places), *counts.T.shape))
    since = pd.Timestamp(str(_table()["counting.automatic_since"].value))
    dataset = xr.Dataset(
        {
            "pollen": (
                ("region", "allergen", "time"),
                values.copy(),
                {
                    "units": "grains m-3",
                    "long_name": "daily mean pollen concentration",
                    "cell_methods": "time: mean",
                    VALUE_KIND: MEASURED,
                },
            ),
            "counting": (
                "time",
                np.where(days < since, _MANUAL, _AUTOMATIC).astype(np.int8),
                {
                    "long_name": "how pollen was counted",
                    "flag_values": np.array([_MANUAL, _AUTOMATIC], dtype=np.int8),
                    "flag_meanings": "manual automatic",
                    "comment": "the two are not directly comparable",
                },
            ),
        },
        coords=position_coordinates(places)
        | {
            "allergen": np.array(list(counts.columns), dtype=object),
            "time": ("time", days, {"standard_name": "time"}),
        },
    )
    dataset.attrs = attributes(reply)
    return dataset
