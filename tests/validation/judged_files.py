"""Files of others that the models are judged by: weekly counts, dates of flowering with weather.

A bad row is told and left out, as at a practice's imports; a file that cannot be what it should be
is refused. What is not in a file is not known: a week without a row is never a week without cases.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from korea import laid_out, well_observed
from onset_protocol import in_seasons

from forecast.csv_files import CsvTable, nothing_kept, read_bytes, read_csv
from forecast.findings import Finding
from models.errors import ForepawError
from models.weeks import mondays

EARLIEST = date(1850, 1, 1)
MOST_COUNTED, COLDEST, WARMEST = 5e7, -90.0, 60.0  # plausible [count, degC, degC]
_ISO_WEEK = r"(\d{4})-?W(\d{2})"
_ONE_REGION = "all"


class JudgedFileError(ForepawError):
    """A file that the models cannot be judged by."""


def read_counts(path: Path) -> tuple[xr.DataArray, list[Finding]]:
    """Read weekly counts: columns week, count and, of several regions, region.

    Parameters
    ----------
    path
        The file; ``week`` is a day (the same day of the week in every row) or an ISO week such as
        2019-W05, ``count`` a whole number, empty where not known.

    Returns
    -------
    tuple
        Counts, dims ``(region, week)``, weeks named by the Monday that begins the ISO week of the
        day, every week on the axis; and what was found.
    """
    content, file = read_bytes(path)
    table = read_csv(content, file, required=["week", "count"], optional=["region"])
    table.rows = table.rows.assign(
        week=_from_iso_weeks(table.rows["week"]),
        region=table.rows["region"].replace("", _ONE_REGION),
    )
    table.parse_days("week", earliest=EARLIEST, latest=date.today())
    table.parse_numbers("count", lowest=0, highest=MOST_COUNTED, empty=True)
    counted = table.rows["count"]
    table.leave_out(
        counted.notna() & (counted != counted.round()),
        "count",
        check="not a whole number",
        allowed="counts; rates are not counted",
        fix="bring the counts that the rates were made of",
    )
    _require_one_weekday(table)
    table.rows = table.rows.assign(week=mondays(table.rows["week"].to_numpy()))
    table.leave_out_repeated(["region", "week"])
    rows = _kept(table)
    wide = rows.pivot(index="region", columns="week", values="count")
    weeks = pd.date_range(wide.columns.min(), wide.columns.max(), freq="7D")
    wide = wide.reindex(columns=weeks)
    lacking = int(wide.isna().sum().sum())
    if lacking:
        table.note("weeks not known", f"{lacking} of {wide.size} by region and week")
    counts = xr.DataArray(
        wide.to_numpy(float),
        dims=("region", "week"),
        coords={"region": wide.index.to_numpy(str), "week": weeks},
    )
    return counts, table.findings


def require_long_enough(counts: xr.DataArray, *, test_weeks: int, least: int, ahead: int) -> None:
    """Raise `JudgedFileError` where there is too little to learn from, or to score."""
    n_weeks = counts.sizes["week"]
    if test_weeks < ahead:
        raise JudgedFileError(
            f"{test_weeks} weeks are to be scored and every forecast is of {ahead}: score at least "
            f"{ahead} weeks (--test-weeks)"
        )
    if n_weeks - test_weeks < least:
        raise JudgedFileError(
            f"the counts span {n_weeks} weeks, of which the last {test_weeks} are scored; a "
            f"forecast learns from {least} weeks at least: bring {least + test_weeks} weeks, or "
            f"score fewer (--test-weeks {max(n_weeks - least, ahead)})"
        )
    past = counts.isel(week=slice(n_weeks - test_weeks))
    none = [str(r) for r in counts["region"].values[~(past > 0).any("week").values]]
    if none:
        raise JudgedFileError(
            f"before the weeks that are scored nothing was counted in {', '.join(none)}: leave "
            "these regions out; a season cannot be learnt from zeros"
        )
    known = past.notnull().sum("week")
    few = [str(r) for r in counts["region"].values[(known < least).values]]
    if few:
        raise JudgedFileError(
            f"before the weeks that are scored fewer than {least} weeks are known of "
            f"{', '.join(few)}: leave these regions out, or score fewer weeks (--test-weeks)"
        )


def read_onsets(
    dates_path: Path, weather_path: Path
) -> tuple[xr.Dataset, pd.DataFrame, list[Finding]]:
    """Read dates of flowering and the daily weather of their sites.

    Parameters
    ----------
    dates_path
        Columns site, lat, lon, year, day (of the year, 1 to 366) and, of several plants, species.
    weather_path
        Columns site, date, tmin, tmax [degC].

    Returns
    -------
    tuple
        Weather (``tasmin``, ``tasmax``; dims region, time), the dates that can be used as
        `in_seasons` gives them, and what was found.
    """
    dates = _dates(*read_bytes(dates_path))
    weather = _weather(*read_bytes(weather_path))
    dates.leave_out(
        ~dates.rows["site"].isin(weather.rows["site"]),
        "site",
        check="site without weather",
        allowed=f"sites of {weather.file}",
        fix="bring its weather",
    )
    rows = _kept(dates).rename(columns={"site": "region", "lat": "latitude", "lon": "longitude"})
    places = rows.groupby("region")[["latitude", "longitude"]].first()
    south = (rows["latitude"] < 0).unique()
    if len(south) > 1:
        raise JudgedFileError(
            f"{dates.file} holds sites on both sides of the equator: bring a file of each"
        )
    table = weather.rows.rename(
        columns={"site": "region", "date": "time", "tmin": "tasmin", "tmax": "tasmax"}
    )
    table = table[table["region"].isin(rows["region"])]
    days = pd.date_range(table["time"].min(), table["time"].max())
    filled, missing = laid_out(table, days)
    own = ~missing.to_numpy().T  # before a site's first day, and after its last, nothing is filled
    spans = np.logical_or.accumulate(own, axis=1)
    spans &= np.logical_or.accumulate(own[:, ::-1], axis=1)[:, ::-1]
    filled = filled.where(xr.DataArray(spans, dims=("region", "time"), coords=filled.coords))
    places = places.loc[filled["region"].values.astype(str)]
    filled = filled.assign_coords(
        latitude=("region", places["latitude"].to_numpy()),
        longitude=("region", places["longitude"].to_numpy()),
    )
    seasons = in_seasons(rows[["region", "species", "date"]], southern=bool(south[0]))
    good = well_observed(seasons, missing, seasons["begin"])
    if not good.all():
        dates.note(
            "weather not known up to the date",
            f"{int((~good).sum())} of {len(good)} dates left out (more than 5 % of days lacking)",
        )
    return filled, seasons[good].reset_index(drop=True), [*dates.findings, *weather.findings]


def _dates(content: bytes, file: str) -> CsvTable:
    table = read_csv(
        content, file, required=["site", "lat", "lon", "year", "day"], optional=["species"]
    )
    table.rows = table.rows.assign(species=table.rows["species"].replace("", "plant"))
    table.leave_out_empty("site")
    table.parse_numbers("lat", lowest=-90, highest=90)
    table.parse_numbers("lon", lowest=-180, highest=180)
    table.parse_numbers("year", lowest=EARLIEST.year, highest=date.today().year)
    table.parse_numbers("day", lowest=1, highest=366, check="not a day of the year")
    table.leave_out(
        table.rows["year"] != table.rows["year"].round(),
        "year",
        check="not a year",
        allowed="a whole number",
    )
    places = table.rows.groupby("site")[["lat", "lon"]].nunique().max(axis=1)
    if (places > 1).any():
        raise JudgedFileError(
            f"{file}: the site {places.idxmax()!r} has several places; give every row of a site "
            "the same lat and lon"
        )
    table.leave_out_repeated(["site", "species", "year"])
    first = pd.to_datetime(table.rows["year"].astype(int).astype(str) + "-01-01")
    table.rows = table.rows.assign(date=first + pd.to_timedelta(table.rows["day"] - 1, unit="D"))
    return table


def _weather(content: bytes, file: str) -> CsvTable:
    table = read_csv(content, file, required=["site", "date", "tmin", "tmax"])
    table.parse_days("date", earliest=EARLIEST, latest=date.today())
    for name in ("tmin", "tmax"):
        table.parse_numbers(name, lowest=COLDEST, highest=WARMEST, empty=True)
    table.leave_out_repeated(["site", "date"])
    rows = _kept(table)
    crossed = int((rows["tmin"] > rows["tmax"]).sum())
    if crossed:
        table.note("tmin above tmax", f"{crossed} days, taken as not known")
    return table


def _kept(table: CsvTable) -> pd.DataFrame:
    if table.rows.empty:
        raise nothing_kept(table)
    return table.rows


def _from_iso_weeks(text: pd.Series[str]) -> pd.Series[str]:
    """Return weeks such as 2019-W05 as their Monday, everything else as it is."""
    parts = text.str.extract(rf"^{_ISO_WEEK}$").dropna()
    days = [_monday(int(year), int(week)) for year, week in parts.itertuples(index=False)]
    return pd.Series(days, parts.index, dtype="str").reindex(text.index).fillna(text)


def _monday(year: int, week: int) -> str | None:
    try:
        return date.fromisocalendar(year, week, 1).isoformat()
    except ValueError:
        return None  # told as no day of the calendar


def _require_one_weekday(table: CsvTable) -> None:
    days = pd.DatetimeIndex(_kept(table)["week"]).day_name()
    if days.nunique() > 1:
        usual = days.value_counts().index[0]
        at = int(np.flatnonzero(days != usual)[0])
        raise JudgedFileError(
            f"{table.file} row {table.rows.index[at]} column week: "
            f"{table.rows['week'].iloc[at]:%Y-%m-%d} is a {days[at]}, most rows name a {usual}; "
            "name every week by the same day of it"
        )
