"""Observed dates: from what observers saw to one date a region, plant, stage and season."""

from __future__ import annotations

import pandas as pd
import xarray as xr

from forecast.findings import Finding
from jobs.sources.parsing import attributes, finding
from jobs.sources.source import Parsed, RawReply

COLUMNS = ("region", "species", "stage", "date")
_TYPES = {**dict.fromkeys(COLUMNS[:-1], "str"), "date": "datetime64[ns]"}
_NONE = pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _TYPES.items()})


def region_dates(seen: pd.DataFrame) -> pd.DataFrame:
    """Return the median date of each region, species, stage and season.

    `seen` has these columns and date, one row an observer. Of two dates in the middle the earlier
    is taken: a date somebody saw, and the same whatever the order of the rows.
    """
    if seen.empty:
        return _NONE.copy()
    key = ["region", "species", "stage", "season"]
    ordered = seen.sort_values([*key, "date"])
    place = ordered.groupby(key).cumcount()
    size = ordered.groupby(key)["date"].transform("size")
    middle = ordered.loc[place == (size - 1) // 2, list(COLUMNS)].reset_index(drop=True)
    return middle.astype(_TYPES)


def parsed_dates(reply: RawReply, seen: pd.DataFrame, findings: list[Finding], what: str) -> Parsed:
    """Return dates as a source gives them; where there is none, that is noted."""
    frame = region_dates(seen)
    if frame.empty:
        note = finding(reply, "no dates", "note", found=f"none of {what} near these regions")
        findings = [*findings, note]
    return Parsed(xr.Dataset(attrs=attributes(reply)), tuple(findings), frame)
