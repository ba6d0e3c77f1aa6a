"""Where and when the invented practice is: its regions, branches, days and closures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.errors import ForepawError
from models.parameters import load_table

TABLE = load_table("jobs.demo", "demo.toml")

_NEEDED = ("tas", "hurs", "pr")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class DemoError(ForepawError):
    """The invented practice cannot be made from what was given."""


def listed(key: str) -> list[Any]:
    """Return a list of the table."""
    value = TABLE[key].value
    assert isinstance(value, list)
    return value


def stream(seed: int, *numbers: int) -> np.random.Generator:
    """Return one of a seed's independent random streams, so that one part cannot shift another."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=numbers))


def observed_flowering(flowering: pd.DataFrame) -> pd.DataFrame:
    """Return region, species (in the table's words), year and date of the first open flowers."""
    missing = {"region", "species", "stage", "date"} - set(flowering.columns)
    if missing:
        raise DemoError(
            f"the flowering dates lack the columns {sorted(missing)}; give region, species, stage "
            "and date"
        )
    words = {
        column: flowering[column].str.lower().str.replace("_", " ")
        for column in ("species", "stage")
    }
    kept = words["species"].isin(listed("region_choice.species")) & words["stage"].isin(
        listed("region_choice.stages")
    )
    frame = flowering.assign(species=words["species"])[kept]
    dates = pd.to_datetime(frame["date"])
    return frame.assign(date=dates, year=dates.dt.year)[["region", "species", "year", "date"]]


def choose_regions(weather: xr.Dataset, flowering: pd.DataFrame) -> list[str]:
    """Return the regions of the branches, chosen by rule and not by taste.

    Eligible is a region with nearly whole weather since the start and observed dates of both
    species in most years. First comes the eligible one with the most dates (then by name); each
    next one is the farthest in climate from those already chosen, climate being the mean, the
    yearly range of temperature, and the mean humidity, each in standard deviations over the
    eligible.
    """
    start, n = str(TABLE["practice.start"].value), int(TABLE.number("practice.branches"))
    since = weather.sel(time=slice(start, None))
    climate = _climate(since)
    dates = observed_flowering(flowering)
    dates = dates[dates["year"] >= pd.Timestamp(start).year]
    years = dates.groupby(["region", "species"])["year"].nunique().unstack(fill_value=0)
    years = years.reindex(columns=listed("region_choice.species"), fill_value=0)
    enough = years.loc[(years >= TABLE.number("region_choice.flowering_years")).all(axis=1)]
    eligible = sorted(set(enough.index) & set(climate.index))
    if len(eligible) < n:
        raise DemoError(
            f"the invented practice needs {n} regions with whole weather and flowering dates since "
            f"{start}; found {len(eligible)}: {', '.join(eligible) or 'none'}; give more regions"
        )
    chosen = [str(enough.loc[eligible].sum(axis=1).idxmax())]
    scaled = climate.loc[eligible] / climate.loc[eligible].std().replace(0.0, 1.0)
    while len(chosen) < n:
        apart = [((scaled - scaled.loc[c]) ** 2).sum(axis=1) for c in chosen]
        nearest = pd.concat(apart, axis=1).min(axis=1).drop(chosen)
        chosen.append(str(nearest.idxmax()))
    return chosen


def _climate(since: xr.Dataset) -> pd.DataFrame:
    present = since[list(_NEEDED)].notnull().mean("time").to_array().min("variable")
    whole = since.sel(region=present >= TABLE.number("region_choice.complete_share"))
    monthly = whole["tas"].groupby("time.month").mean()
    return pd.DataFrame(
        {
            "mean": whole["tas"].mean("time").values,
            "range": (monthly.max("month") - monthly.min("month")).values,
            "humidity": whole["hurs"].mean("time").values,
        },
        index=pd.Index(whole["region"].values, name="region"),
    )


@dataclass(frozen=True)
class Places:
    """The branches (one a region), the days of the whole invention, and which days are open."""

    regions: list[str]
    branches: pd.DataFrame
    days: pd.DatetimeIndex
    open: NDArray[np.bool_]
    opens_on: NDArray[np.int64]

    @property
    def n_days(self) -> int:
        """Return the length of the invention, whole weeks."""
        return len(self.days)

    def index(self, day: date) -> int:
        """Return the number of that day, counted from the first one."""
        return int((pd.Timestamp(day) - self.days[0]).days)


def lay_out(weather: xr.Dataset, flowering: pd.DataFrame) -> Places:
    """Return the places and the days: from the start to the last whole week of the weather."""
    _check(weather)
    regions = choose_regions(weather, flowering)
    start = pd.Timestamp(str(TABLE["practice.start"].value))
    last = pd.Timestamp(weather["time"].values[-1])
    whole_weeks = ((last - start).days + 1) // 7
    days = pd.date_range(start, periods=whole_weeks * 7, freq="D")
    names = listed("practice.branch_names")[: len(regions)]
    branches = pd.DataFrame(
        {
            "id": [name.lower() for name in names],
            "name": names,
            "region": regions,
            "open_days": listed("practice.open_days")[: len(regions)],
        }
    )
    opens_on = np.zeros(len(regions), dtype=np.int64)
    opens_on[-1] = (pd.Timestamp(str(TABLE["practice.late_branch_opens"].value)) - start).days
    return Places(regions, branches, days, _open(branches, days, opens_on), opens_on)


def _check(weather: xr.Dataset) -> None:
    lacking = [name for name in _NEEDED if name not in weather]
    if lacking or not {"region", "time"} <= set(weather.dims):
        raise DemoError(
            f"the weather must have the dimensions region and time and {', '.join(_NEEDED)}; "
            f"found dimensions {sorted(map(str, weather.dims))} without {lacking}"
        )
    start = pd.Timestamp(str(TABLE["practice.start"].value))
    needed = start - pd.Timedelta(days=int(TABLE.number("pollen.preceding_days")))
    first = pd.Timestamp(weather["time"].values[0])
    if first > needed:
        raise DemoError(
            f"the weather must start by {needed.date()}, it starts on {first.date()}; give earlier "
            "weather"
        )


def _open(
    branches: pd.DataFrame, days: pd.DatetimeIndex, opens_on: NDArray[np.int64]
) -> NDArray[np.bool_]:
    weekly = np.array([[w in words.split() for w in WEEKDAYS] for words in branches["open_days"]])
    holiday = np.isin(days.strftime("%m-%d").to_numpy(), listed("practice.holidays"))
    begun = np.arange(len(days))[:, None] >= opens_on[None, :]
    is_open: NDArray[np.bool_] = weekly.T[days.day_of_week.to_numpy()] & ~holiday[:, None] & begun
    return is_open


def closures(places: Places) -> pd.DataFrame:
    """Return the practice's holidays within the days, for all branches."""
    holiday = np.isin(places.days.strftime("%m-%d").to_numpy(), listed("practice.holidays"))
    return pd.DataFrame({"date": places.days[holiday], "reason": "practice holiday"})


def whole_weather(weather: xr.Dataset, places: Places, *, name: str) -> NDArray[np.float64]:
    """Return a variable [day, region] with the lead before the first day and no gap.

    Gaps are bridged in time, and at the ends by the region's mean of that day of the year: the
    practice is invented, so a smooth guess does no harm here.
    """
    lead = int(TABLE.number("pollen.preceding_days"))
    wanted = pd.date_range(places.days[0] - pd.Timedelta(days=lead), places.days[-1])
    series = weather[name].sel(region=places.regions).transpose("time", "region")
    frame = pd.DataFrame(series.values, index=pd.DatetimeIndex(series["time"].values))
    frame = frame.reindex(wanted).interpolate(limit_area="inside")
    usual = frame.groupby(wanted.day_of_year).transform("mean")
    return np.where(frame.isna(), usual, frame).astype(np.float64)
