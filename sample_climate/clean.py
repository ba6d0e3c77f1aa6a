"""From raw rows to shipped values: stated rules, each counted in the manifest."""

from collections import Counter
from typing import Any, cast

import numpy as np
import pandas as pd
import xarray as xr

from models.parameters import load_table
from models.radiation import radiation_from_sunshine

_LIMITS = load_table("sample_climate", "plausible.toml")
_DATES = ["station", "year", "species"]


def clean_weather(raw: pd.DataFrame, days: pd.DatetimeIndex, counts: Counter[str]) -> pd.DataFrame:
    """Return one station's days, all present, with shipped names; faults are counted."""
    rows = raw.reindex(days)
    counts["days without a row"] += len(days) - len(raw.index.intersection(days))
    table = pd.DataFrame(
        {
            "tas": _within(rows["avgTa"], "temperature", counts),
            "tasmin": _within(rows["minTa"], "temperature", counts),
            "tasmax": _within(rows["maxTa"], "temperature", counts),
            "pr": _within(_rain(rows, counts), "precipitation", counts),
            "hurs": _within(rows["avgRhm"], "relative_humidity", counts),
            "sfcWind": _within(rows["avgWs"], "wind_speed", counts),
            "sunshine": _within(rows["sumSsHr"], "sunshine", counts),
        }
    )
    return _ordered_temperatures(table, counts)


def add_radiation(weather: xr.Dataset) -> xr.Dataset:
    """Replace hours of sunshine by the radiation estimated from them."""
    radiation = radiation_from_sunshine(weather["sunshine"], weather["latitude"])
    return weather.drop_vars("sunshine").assign(rsds=radiation)


def clean_flowering(raw: pd.DataFrame, counts: Counter[str]) -> pd.DataFrame:
    """Return believable dates as rows of region, species, stage, date.

    Dropped, in this order: the budding of cosmos (a sown annual: it is germination); dates outside
    the year of their row; a date given twice differently; dates outside the windows of
    ``plausible.toml``; the other stages of a plant and year whose flowering was dropped; budding
    after flowering, and full bloom before it.
    """
    table = raw[~((raw["species"] == "cosmos") & (raw["stage"] == "budding"))]
    table = _drop(table, table["date"].dt.year != table["year"], "date in another year", counts)
    twice = table.duplicated([*_DATES, "stage"], keep=False)
    table = _drop(table, twice, "two dates for one stage", counts)
    outside = ~_in_window(table)
    lost = table[outside & (table["stage"] == "flowering")]
    table = _drop(table, outside, "date outside the window of its stage", counts)
    keys = pd.MultiIndex.from_frame(lost[_DATES])
    orphan = pd.Series(pd.MultiIndex.from_frame(table[_DATES]).isin(keys), index=table.index)
    table = _drop(table, orphan, "flowering of that plant and year dropped", counts)
    table = _drop(table, _out_of_order(table), "stages out of order", counts)
    table = table.rename(columns={"station": "region"})
    order = ["region", "species", "date", "stage"]
    return table.sort_values(order, ignore_index=True)[["region", "species", "stage", "date"]]


def _rain(rows: pd.DataFrame, counts: Counter[str]) -> pd.Series:
    """Return rain, with zero where the source leaves a dry day's rain empty.

    Empty stays missing on a day without a row, on a day whose other readings are empty as well,
    and where another column says that it did rain.
    """
    others = ["avgTa", "minTa", "maxTa", "avgRhm", "avgWs"]
    observed = rows[others].notna().any(axis=1)
    rained = (rows[["sumRnDur", "hr1MaxRn", "mi10MaxRn"]] > 0).any(axis=1)
    empty = rows["sumRn"].isna()
    counts["rain empty on a day with signs of rain, left missing"] += int((empty & rained).sum())
    counts["rain empty, taken as zero"] += int((empty & observed & ~rained).sum())
    return rows["sumRn"].mask(empty & observed & ~rained, 0.0)


def _within(values: pd.Series, limit: str, counts: Counter[str]) -> pd.Series:
    low, high = _pair(f"weather.{limit}")
    outside = (values < low) | (values > high)
    counts[f"{limit.replace('_', ' ')} outside its limits"] += int(outside.sum())
    return values.mask(outside)


def _ordered_temperatures(table: pd.DataFrame, counts: Counter[str]) -> pd.DataFrame:
    """Make minimum <= mean <= maximum true: clamp rounding, drop what is worse."""
    crossed = table["tasmin"] > table["tasmax"]
    counts["minimum above maximum, both dropped"] += int(crossed.sum())
    table.loc[crossed, ["tasmin", "tasmax"]] = np.nan
    below, above = table["tasmin"] - table["tas"], table["tas"] - table["tasmax"]
    excess = pd.concat([below, above], axis=1).max(axis=1)
    # A small allowance: tenths are not exact in binary.
    rounding = excess.between(0, _LIMITS.number("weather.rounding") + 1e-6, inclusive="right")
    counts["mean outside minimum and maximum by rounding, clamped"] += int(rounding.sum())
    wrong = (excess > 0) & ~rounding
    counts["mean outside minimum and maximum, dropped"] += int(wrong.sum())
    clamped = table["tas"].clip(lower=table["tasmin"], upper=table["tasmax"])
    table["tas"] = table["tas"].mask(rounding, clamped).mask(wrong)
    return table


def _in_window(table: pd.DataFrame) -> pd.Series:
    lead = pd.Timedelta(days=_LIMITS.number("other_stages.budding_lead"))
    lag = pd.Timedelta(days=_LIMITS.number("other_stages.full_bloom_lag"))
    windows = {
        species.replace("_", " "): _pair(f"first_flowering.{species}")
        for species in _LIMITS.group("first_flowering")
    }
    opens = table["species"].map({species: pair[0] for species, pair in windows.items()})
    closes = table["species"].map({species: pair[1] for species, pair in windows.items()})
    year = table["year"].astype(str) + "-"
    first, last = pd.to_datetime(year + opens), pd.to_datetime(year + closes)
    first = first.mask(table["stage"] == "budding", first - lead)
    last = last.mask(table["stage"] == "full bloom", last + lag)
    return table["date"].between(first, last)


def _out_of_order(table: pd.DataFrame) -> pd.Series:
    flowering = table[table["stage"] == "flowering"].set_index(_DATES)["date"]
    reference = flowering.reindex(pd.MultiIndex.from_frame(table[_DATES])).to_numpy()
    early = (table["stage"] == "full bloom") & (table["date"] < reference)
    late = (table["stage"] == "budding") & (table["date"] > reference)
    return early | late


def _pair(key: str) -> tuple[Any, Any]:
    """Return a limit's lower and upper value."""
    low, high = cast("list[Any]", _LIMITS[key].value)
    return low, high


def _drop(table: pd.DataFrame, wrong: pd.Series, reason: str, counts: Counter[str]) -> pd.DataFrame:
    counts[reason] += int(wrong.sum())
    return table[~wrong]
