"""MeteoSwiss phenology: the days on which observers saw plants flower, a station a file.

The observer nearest to a region in distance and height stands for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import cast

import pandas as pd

from jobs.sources import meteoswiss
from jobs.sources.parsing import drift, require
from jobs.sources.phenology import parsed_dates
from jobs.sources.source import Parsed, Place, RawReply, Request, Source, SourceSettings
from jobs.sources.spans import days_asked
from jobs.sources.stations import places_without
from models.parameters import load_table

_DATA_SET, _TABLE = "ogd-phenology", "meteoswiss_phenology.toml"
# a file of all years, or as the other data sets: recent and historical
_SPANS = ("y", "y_recent", r"y_historical(_\d{4}-\d{4})?")


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return requests for the items of the stations, or for their list."""
    return meteoswiss.first_requests(source, places, first, last, settings, data_set=_DATA_SET)


def follow_up(source: Source, reply: RawReply, settings: SourceSettings) -> list[Request]:
    """Return what comes next: items after the list of stations, yearly files after an item."""
    rules = load_table("jobs.sources", _TABLE)
    return meteoswiss.follow(source, reply, data_set=_DATA_SET, rules=rules, spans=_SPANS)


def parse(reply: RawReply) -> Parsed:
    """Read a station's file: a column a plant and phase, its cells days written YYYYMMDD.

    Raises
    ------
    FormatError
        If no column is known, or a cell is no day.
    """
    table = meteoswiss.read_table(reply, ("station_abbr",))
    meteoswiss.check_station(table, reply)
    codes = cast("list[list[str]]", load_table("jobs.sources", _TABLE)["phases.codes"].value)
    known = [code for code in codes if code[0] in table]
    require(
        bool(known), reply, f"none of its columns is known ({', '.join(table.columns[:8])} ...)"
    )
    asked = days_asked(reply)
    seen = []
    for code, species, stage in known:
        days = _days(table[code], reply)
        days = days.loc[days.isin(asked)]
        dates = pd.DataFrame({"date": days, "season": days.index})
        dates = dates.assign(species=species, stage=stage)
        seen += [dates.assign(region=place.id) for place in reply.request.places]
    return parsed_dates(reply, pd.concat(seen), places_without(reply), "the known plants")


def _days(texts: pd.Series, reply: RawReply) -> pd.Series:
    given = texts.loc[texts != ""]
    days = pd.to_datetime(given, format="%Y%m%d", errors="coerce")
    if days.isna().any():
        at = days.index[int(days.isna().to_numpy().argmax())]
        raise drift(reply, f"{texts.name} in row {at + 2} is {texts[at]!r}, no day")
    return days.astype("datetime64[ns]")
