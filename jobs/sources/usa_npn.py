"""USA National Phenology Network: when volunteers saw plants flower or let pollen go.

Used only where the practice says that it has read the network's terms (``terms_read = true``):
whether a practice that charges fees may use the observations was not verified. One request a
species and year, over a box around all regions; the observations near a region are its own.

An onset is the first day on which a plant was seen in a phase. It counts only if the same plant was
looked at and not yet in it shortly before: the first look of a late observer is no onset. The date
of a region is the median of its plants.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, cast

import pandas as pd

from forecast.findings import Finding
from jobs.sources.parsing import drift, finding, inside, read_json, require
from jobs.sources.phenology import parsed_dates
from jobs.sources.source import (
    Parsed,
    Place,
    RawReply,
    RefusedError,
    Request,
    Source,
    SourceSettings,
)
from jobs.sources.stations import Reach, Station, box_around, check_options, nearby
from models.parameters import ParameterTable, load_table

_PATH = "/npn_portal/observations/getObservations.json"
_OPTIONS = ("terms_read",)
_NUMBERS = (
    "latitude",
    "longitude",
    "elevation_in_meters",
    "species_id",
    "individual_id",
    "phenophase_id",
    "phenophase_status",
)
_NEEDED = (*_NUMBERS, "observation_date")


def set_up(source: Source, settings: SourceSettings) -> Source:
    """Return the source with the address set, where the practice has read its terms."""
    _check_terms(source, settings)
    if settings.base_url is None:
        return source
    return replace(source, base_url=settings.base_url.rstrip("/"))


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return a request for each species and year; a year is always asked from its beginning."""
    _check_terms(source, settings)
    before = timedelta(days=_table().number("season.looked_before"))
    south, west, north, east = box_around(places, _table().number("area.within"))
    years = range(max(first, source.earliest or first).year, last.year + 1)
    asked = []
    for number, phases in ((n, _stages()) for n in _species()):
        for year in years:
            begin, end = date(year, 1, 1), min(date(year, 12, 31), last)
            params = {
                "request_src": "forepaw",
                "start_date": (begin - before).isoformat(),
                "end_date": end.isoformat(),
                "climate_data": "0",
                "species_id[1]": str(number),
                **{f"phenophase_id[{n}]": str(p) for n, p in enumerate(phases, start=1)},
                # x is the latitude there, y the longitude
                "bottom_left_x1": f"{south:.4f}",
                "bottom_left_y1": f"{west:.4f}",
                "upper_right_x2": f"{north:.4f}",
                "upper_right_y2": f"{east:.4f}",
            }
            asked.append(
                Request(
                    source_id=source.id,
                    method="GET",
                    url=source.base_url + _PATH,
                    params=tuple(params.items()),
                    places=tuple(places),
                    first=begin,
                    last=end,
                    variables=(str(number),),
                )
            )
    return asked


def parse(reply: RawReply) -> Parsed:
    """Read one species and year into dates of the regions: the median onset of their plants.

    Raises
    ------
    FormatError
        If it is no list of observations, a field is missing, a species was not asked for, or a
        status is unknown.
    """
    rows = _rows(reply)
    findings: list[Finding] = []
    what = f"species {reply.request.variables[0]} in {cast(date, reply.request.first).year}"
    if rows.empty:
        return parsed_dates(reply, rows, findings, what)
    rows = _known(rows, reply, findings)
    onsets = _onsets(rows, reply, findings)
    seen = _at_regions(onsets, reply)
    return parsed_dates(reply, seen, findings, what)


def _check_terms(source: Source, settings: SourceSettings) -> None:
    check_options(source, settings, _OPTIONS)
    if settings.options.get("terms_read") is not True:
        raise RefusedError(
            f"{source.name}: {source.terms} If they allow your use, say terms_read = true in its "
            "settings"
        )


def _table() -> ParameterTable:
    return load_table("jobs.sources", "usa_npn.toml")


def _species() -> dict[int, str]:
    return dict(cast("list[list[Any]]", _table()["species.names"].value))


def _stages() -> dict[int, str]:
    return dict(cast("list[list[Any]]", _table()["phases.stages"].value))


# ------------------------------------------------------------------------------ observations
def _rows(reply: RawReply) -> pd.DataFrame:
    """Return the observations with their fields as numbers and days."""
    tree = read_json(reply)
    require(
        isinstance(tree, list), reply, f"a list of observations was expected, found {tree!r:.80}"
    )
    if not tree:
        return pd.DataFrame(columns=pd.Index(_NEEDED))
    for number, item in enumerate(tree, start=1):
        lacking = [name for name in _NEEDED if inside(item, name) is None]
        if lacking:
            raise drift(reply, f"observation {number} has no {', '.join(lacking)}")
    rows = pd.DataFrame([[item[name] for name in _NEEDED] for item in tree], columns=list(_NEEDED))
    numbers = rows[list(_NUMBERS)].apply(pd.to_numeric, errors="coerce")
    if numbers.isna().any(axis=None):
        column = str(numbers.columns[int(numbers.isna().any().to_numpy().argmax())])
        value = rows[column][numbers[column].isna()].iloc[0]
        raise drift(reply, f"{column} is {value!r}, no number")
    return rows.assign(**{name: numbers[name].astype(float) for name in _NUMBERS})


def _known(rows: pd.DataFrame, reply: RawReply, findings: list[Finding]) -> pd.DataFrame:
    """Return the observations whose place, day and status are known; others are counted."""
    fill = _table().number("status.missing")
    needed = [name for name in _NEEDED if name != "elevation_in_meters"]
    texts = rows[needed].astype("str").apply(lambda column: column.str.strip())
    lacking = (rows[needed] == fill).any(axis=1) | (texts == f"{fill:.0f}").any(axis=1)
    if lacking.any():
        found = f"{int(lacking.sum())} of {len(rows)} observations lack a place, a day or a status"
        findings.append(finding(reply, "left out", "note", found=found))
    rows = rows.loc[~lacking]
    days = pd.to_datetime(
        texts.loc[~lacking, "observation_date"], format="%Y-%m-%d", errors="coerce"
    )
    if days.isna().any():
        value = rows["observation_date"][days.isna()].iloc[0]
        raise drift(reply, f"observation_date is {value!r}, not written YYYY-MM-DD")
    rows = rows.assign(observation_date=days)
    others = set(rows["species_id"]) - {float(name) for name in reply.request.variables}
    require(not others, reply, f"species {sorted(others)} was not asked for")
    allowed = {_table().number(f"status.{name}") for name in ("seen", "not_seen", "unsure")}
    strange = set(rows["phenophase_status"]) - allowed
    require(not strange, reply, f"phenophase_status is {sorted(strange)}, not 1, 0 or -1")
    return rows.loc[rows["phenophase_id"].isin(list(_stages()))]


def _onsets(rows: pd.DataFrame, reply: RawReply, findings: list[Finding]) -> pd.DataFrame:
    """Return the onset of each plant and phase: the first yes, if a no came shortly before it."""
    table = _table()
    within = pd.Timedelta(days=table.number("season.looked_before"))
    key = ["individual_id", "phenophase_id"]
    seen = rows.loc[rows["phenophase_status"] == table.number("status.seen")]
    first = seen.sort_values("observation_date").drop_duplicates(key)
    noes = rows.loc[rows["phenophase_status"] == table.number("status.not_seen")]
    pairs = first.merge(noes[[*key, "observation_date"]], on=key, suffixes=("", "_no"))
    gap = pairs["observation_date"] - pairs["observation_date_no"]
    sure = pairs.loc[(gap > pd.Timedelta(0)) & (gap <= within)].drop_duplicates(key)
    in_year = sure["observation_date"] >= pd.Timestamp(cast(date, reply.request.first))
    n_unsure = len(first) - len(sure)
    if n_unsure:
        found = (
            f"{n_unsure} of {len(first)} plants were first seen in a phase without a look before"
        )
        findings.append(finding(reply, "no onset", "note", found=found))
    return sure.loc[in_year]


def _at_regions(onsets: pd.DataFrame, reply: RawReply) -> pd.DataFrame:
    """Return the onset of each plant and stage, once for each region it stands near."""
    reach = Reach(_table().number("area.within"), _table().number("area.metres"), len(onsets))
    plants = _plants(onsets)
    pairs = pd.DataFrame(
        [(near.id, p.id) for p in reply.request.places for near in nearby(p, plants, reach)],
        columns=["plant", "region"],
    )
    named = pd.DataFrame(
        {
            "plant": onsets["individual_id"].astype("str"),
            "stage": onsets["phenophase_id"].map(_stages()),
            "date": onsets["observation_date"],
        }
    )
    # of two phases of one stage the earlier is the plant's
    first = named.sort_values("date").drop_duplicates(["plant", "stage"])
    name = _species()[int(reply.request.variables[0])]
    year = cast(date, reply.request.first).year
    return pairs.merge(first, on="plant").assign(species=name, season=year)


def _plants(onsets: pd.DataFrame) -> list[Station]:
    """Return the plants as stations: where they stand, height not known where it is missing."""
    fill = _table().number("status.missing")
    height = onsets["elevation_in_meters"].where(onsets["elevation_in_meters"] != fill)
    table = onsets.assign(height=height).drop_duplicates("individual_id")
    return [
        Station(str(name), latitude, longitude, metres)
        for name, latitude, longitude, metres in zip(
            table["individual_id"],
            table["latitude"],
            table["longitude"],
            table["height"],
            strict=True,
        )
    ]
