"""The German weather service's phenology: when observers saw wild plants flower.

Volunteers report at once (the running year) or by the year (checked, later). Three steps: the list
of stations, the listing of a folder, a file a plant. The date of a region is the median of the
observers near it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from datetime import date, timedelta
from typing import Any, cast
from urllib.parse import unquote

import pandas as pd

from forecast.findings import Finding
from jobs.sources.parsing import drift, finding, require
from jobs.sources.phenology import parsed_dates
from jobs.sources.source import Parsed, Place, RawReply, Request, Source, SourceSettings
from jobs.sources.spans import days_asked
from jobs.sources.stations import (
    Reach,
    Station,
    check_options,
    choose_stations,
    places_without,
    served,
)
from models.parameters import ParameterTable, load_table

_ROOT = "/climate_environment/CDC"
_DATA = _ROOT + "/observations_germany/phenology/{reporters}_reporters/wild/{span}/"
_STATIONS = _ROOT + "/help/PH_Beschreibung_Phaenologie_Stationen_{people}.txt"
_PEOPLE = {"Sofortmelder": "immediate", "Jahresmelder": "annual"}
_FILE = re.compile(
    r"PH_(?P<people>Sofortmelder|Jahresmelder)_Wildwachsende_Pflanze_(?P<plant>.+?)_"
    r"(?:(?P<first>\d{4})_(?P<last>\d{4})_hist|akt)\.txt"
)
_LINK = re.compile(r'href="([^"?]+)"', re.IGNORECASE)
_END = "eor"
_COLUMNS = (
    "stations_id",
    "referenzjahr",
    "qualitaetsniveau",
    "objekt_id",
    "phase_id",
    "eintrittsdatum",
    "eintrittsdatum_qb",
    "jultag",
)
_STATION_COLUMNS = ("stations_id", "geograph.breite", "geograph.laenge", "stationshoehe")


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return requests for the lists of stations.

    Days of the year in which `last` lies come from those who report at once, earlier ones from
    those who report by the year.
    """
    check_options(source, settings, ())
    new_year = last.replace(month=1, day=1)
    spans = {"Sofortmelder": (max(first, new_year), last)}
    if first < new_year:
        spans["Jahresmelder"] = (first, new_year - timedelta(days=1))
    return [
        Request(
            source_id=source.id,
            method="GET",
            url=source.base_url + _STATIONS.format(people=people),
            places=tuple(places),
            first=begin,
            last=end,
            content="text",
            role="listing",
            conditional=True,
        )
        for people, (begin, end) in spans.items()
    ]


def follow_up(source: Source, reply: RawReply, settings: SourceSettings) -> list[Request]:
    """Return what comes next: folders after a list of stations, files after a folder."""
    if reply.request.content == "text":
        return _folders(source, reply)
    return _files(source, reply)


def parse(reply: RawReply) -> Parsed:
    """Read one plant's file into dates of the regions: the median of their stations.

    Seasons (reference years) are taken whole, from the first asked for to its last day.
    Rows that were objected to are left out and counted; a row whose day of the year does not fit
    its date is left out and told.

    Raises
    ------
    FormatError
        If the name of the file, a column or a row is not as documented.
    """
    species = _species(reply)
    rows = _rows(reply, _COLUMNS, only=set(served(reply)))
    findings = places_without(reply)
    if rows.empty:
        return parsed_dates(reply, rows, findings, species)
    numbers = _numbers(rows, reply)
    kept = _checked(rows, numbers, reply, findings)
    stages = dict(cast("list[list[Any]]", _table()["phases.stages"].value))
    kept = kept.loc[kept["phase_id"].isin(list(stages)) & _wanted(kept, reply)]
    seen = _at_regions(kept, reply).assign(species=species)
    seen = seen.assign(stage=seen["phase_id"].map(stages))
    return parsed_dates(reply, seen, findings, species)


def _table() -> ParameterTable:
    return load_table("jobs.sources", "dwd_phenology.toml")


def _plants(key: str) -> dict[str, str]:
    return dict(cast("list[list[str]]", _table()[f"plants.{key}"].value))


# ------------------------------------------------------------------------------ listings
def _folders(source: Source, reply: RawReply) -> list[Request]:
    asked = reply.request
    people = next(name for name in _PEOPLE if name in asked.url)
    rules = _table()
    reach = Reach(
        rules.number("station.within"),
        rules.number("station.metres"),
        int(rules.number("station.most")),
    )
    pairs = choose_stations(source, asked.places, _stations(reply), reach)
    spans = ("recent",) if people == "Sofortmelder" else ("recent", "historical")
    return [
        Request(
            source_id=source.id,
            method="GET",
            url=source.base_url + _DATA.format(reporters=_PEOPLE[people], span=span),
            places=asked.places,
            first=asked.first,
            last=asked.last,
            stations=pairs,
            content="binary",  # a page of links
            role="listing",
        )
        for span in spans
    ]


def _stations(reply: RawReply) -> list[Station]:
    rows = _rows(reply, _STATION_COLUMNS)
    numbers = rows[list(_STATION_COLUMNS[1:])].apply(pd.to_numeric, errors="coerce")
    placed = numbers["geograph.breite"].notna() & numbers["geograph.laenge"].notna()
    require(bool(placed.any()), reply, "no station of the list has a position")
    return [
        Station(_plain(name), latitude, longitude, height)
        for name, latitude, longitude, height in zip(
            rows["stations_id"][placed],
            numbers["geograph.breite"][placed],
            numbers["geograph.laenge"][placed],
            numbers["stationshoehe"][placed],
            strict=True,
        )
    ]


def _plain(station: str) -> str:
    """Return a station's id without the zeros that some files put before it."""
    return station.strip().lstrip("0") or "0"


def _files(source: Source, reply: RawReply) -> list[Request]:
    """Return requests for the newest file of each plant in a folder."""
    page = reply.body.decode("utf-8", errors="replace")
    names = [unquote(link).rpartition("/")[2] for link in _LINK.findall(page)]
    newest: dict[str, re.Match[str]] = {}
    for match in filter(None, map(_FILE.fullmatch, names)):
        held = newest.get(match["plant"])
        if held is None or (match["last"] or "9999") > (held["last"] or "9999"):
            newest[match["plant"]] = match
    missing = [plant for plant in _plants("needed") if plant not in newest]
    if missing:
        found = ", ".join(newest) or f"no file of plants among {len(names)} links"
        raise drift(reply, f"the folder has no file of {', '.join(missing)}, only {found}")
    wanted = [p for p in (*_plants("needed"), *_plants("taken_if_there")) if p in newest]
    asked = reply.request
    return [
        Request(
            source_id=source.id,
            method="GET",
            url=asked.url + newest[plant][0],
            places=asked.places,
            first=asked.first,
            last=asked.last,
            stations=asked.stations,
            content="text",
            conditional=True,
        )
        for plant in wanted
        if newest[plant]["last"] is None or _overlaps(newest[plant], asked)
    ]


def _overlaps(match: re.Match[str], asked: Request) -> bool:
    first, last = cast(date, asked.first).year, cast(date, asked.last).year
    return int(match["first"]) <= last and int(match["last"]) >= first


# ------------------------------------------------------------------------------ a file
def _species(reply: RawReply) -> str:
    name = unquote(reply.request.url).rpartition("/")[2]
    match = _FILE.fullmatch(name)
    known = _plants("needed") | _plants("taken_if_there")
    if match is None or match["plant"] not in known:
        raise drift(reply, f"{name!r} is no file of a plant that is known")
    return known[match["plant"]]


def _rows(
    reply: RawReply, columns: Sequence[str], *, only: Collection[str] | None = None
) -> pd.DataFrame:
    """Return the rows of a file as texts, its headings in small letters; the index is their number.

    With `only`, those of these stations. Cells are padded with blanks and end in a semicolon, rows
    in ``eor``; a last line without any is no row. Newer files are UTF-8, older ones Latin-1.
    """
    try:
        text = reply.body.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = reply.body.decode("latin-1")
    lines = text.splitlines()
    header = [cell.strip().lower() for cell in lines[0].split(";")] if lines else []
    missing = [column for column in (*columns, _END) if column not in header]
    require(
        not missing, reply, f"column {', '.join(missing)} is missing, it has {', '.join(header)}"
    )
    end = header.index(_END)
    while len(lines) > 1 and ";" not in lines[-1]:
        lines.pop()
    found = {}
    for number, line in enumerate(lines[1:], start=2):
        if only is not None and _plain(line.partition(";")[0]) not in only:
            continue
        cells = [cell.strip() for cell in line.split(";")]
        if len(cells) <= end or cells[end] != _END:
            raise drift(reply, f"row {number} does not end in {_END} as its {end + 1}th cell")
        found[number] = cells[:end]
    return pd.DataFrame(
        list(found.values()), index=list(found), columns=pd.Index(header[:end]), dtype="str"
    )


def _numbers(rows: pd.DataFrame, reply: RawReply) -> pd.DataFrame:
    numbers: pd.DataFrame = rows[list(_COLUMNS)].apply(pd.to_numeric, errors="coerce")
    wrong = numbers.isna().any(axis=1)
    if wrong.any():
        row = int(wrong.to_numpy().argmax())
        column = str(numbers.columns[int(numbers.iloc[row].isna().to_numpy().argmax())])
        value = rows[column].iloc[row]
        raise drift(reply, f"{column} in row {rows.index[row]} is {value!r}, no number")
    plants = sorted(set(numbers["objekt_id"].astype("int64").tolist()))
    require(len(plants) == 1, reply, f"one plant was asked, the file has Objekt_id {plants}")
    return numbers.astype("int64")


def _checked(
    rows: pd.DataFrame, numbers: pd.DataFrame, reply: RawReply, findings: list[Finding]
) -> pd.DataFrame:
    """Return the rows that were not objected to and whose two dates agree."""
    days = pd.to_datetime(rows["eintrittsdatum"], format="%Y%m%d", errors="coerce")
    good = numbers["eintrittsdatum_qb"] == int(_table().number("quality.kept"))
    fits = days.notna() & (days.dt.day_of_year == numbers["jultag"])
    if (~good).any():
        flags = sorted(set(rows.loc[~good, "eintrittsdatum_qb"]))
        found = f"{int((~good).sum())} rows left out (Eintrittsdatum_QB {', '.join(flags)})"
        findings.append(finding(reply, "objected to", "warning", found=found))
    unfit = good & ~fits
    if unfit.any():
        row = int(unfit.to_numpy().argmax())
        day, number = rows["eintrittsdatum"].iloc[row], rows["jultag"].iloc[row]
        found = (
            f"{int(unfit.sum())} rows left out; the first, row {rows.index[row]}, has "
            f"Eintrittsdatum {day} and Jultag {number}"
        )
        findings.append(finding(reply, "two dates that differ", "error", found=found))
    table = pd.DataFrame(
        {
            "station": rows["stations_id"].map(_plain),
            "phase_id": numbers["phase_id"],
            "season": numbers["referenzjahr"],
            "date": days,
        }
    )
    keep: pd.Series[bool] = good & fits
    return table.loc[keep]


def _wanted(rows: pd.DataFrame, reply: RawReply) -> pd.Series:
    """Say which rows are of the seasons asked for: a median of half a season is no median."""
    days = days_asked(reply)
    in_season = rows["season"].between(days[0].year, days[-1].year)
    return in_season & (rows["date"] <= days[-1])


def _at_regions(rows: pd.DataFrame, reply: RawReply) -> pd.DataFrame:
    """Return the rows once for each region that their station stands for."""
    pairs = pd.DataFrame(
        [(station, place) for station, places in served(reply).items() for place in places],
        columns=["station", "region"],
    )
    return pairs.merge(rows, on="station")
