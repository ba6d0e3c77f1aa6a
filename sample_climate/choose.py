"""Which stations are shipped: a rule, written before any model saw the data.

The rule looks at place and completeness only. It must never be changed because a model fits some
station better or worse.

1. A station is a candidate if its place is known (``candidates.csv``) and if minimum and maximum
   temperature are recorded on at least 99.9 % of the days of the period.
2. Each candidate falls into at most one of eight classes of climate, drawn by latitude, longitude
   and elevation (`CLASSES`). An elevation that is not known counts as not above 700 m.
3. In each class the station with the fullest record is taken: most dates of first flowering of
   cherry, forsythia and black locust in 2003-2023, then fewest missing weather values, then the
   first in the alphabet. In the highland class it is the highest station.
"""

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from sample_climate.source import SourceError

LEAST_SHARE_OF_DAYS = 0.999
COUNTED_SPECIES = ("cherry", "forsythia", "black locust")
COUNTED_YEARS = (2003, 2023)
COUNTED_WEATHER = ["avgTa", "minTa", "maxTa", "avgRhm", "avgWs", "sumSsHr"]
HIGHLAND = "highland"
HIGHLAND_ELEVATION = 700.0


@dataclass(frozen=True)
class Place:
    """Where a station stands: degrees north, degrees east, metres (NaN where not known)."""

    latitude: float
    longitude: float
    elevation: float


@dataclass(frozen=True)
class ClimateClass:
    """A class of climate and the test of place that draws it."""

    id: str
    description: str
    holds: Callable[[Place], bool]


# The lines are coarse, and a station a little inland may fall into a coastal class.
# Read in this order: the highland first, as it is drawn by elevation; the others share no ground.
CLASSES = (
    ClimateClass(
        HIGHLAND,
        "highland above 700 m",
        lambda p: p.elevation > HIGHLAND_ELEVATION,
    ),
    ClimateClass(
        "southern_island",
        "warm southern island, south of 34 N",
        lambda p: p.latitude < 34.0,
    ),
    ClimateClass(
        "west_coast",
        "west coast and its islands, north of 34 N, west of 126.75 E",
        lambda p: p.latitude >= 34.0 and p.longitude < 126.75,
    ),
    ClimateClass(
        "north_west_plain",
        "north-western inland plain, north of 37 N, 126.75 to 127.6 E",
        lambda p: p.latitude >= 37.0 and 126.75 <= p.longitude < 127.6,
    ),
    ClimateClass(
        "south_west_plain",
        "south-western plain, 35 to 36.5 N, 126.75 to 127.3 E",
        lambda p: 35.0 <= p.latitude < 36.5 and 126.75 <= p.longitude < 127.3,
    ),
    ClimateClass(
        "southern_basin",
        "inland basin of the south-east, 35.5 to 37 N, 128 to 129 E",
        lambda p: 35.5 <= p.latitude < 37.0 and 128.0 <= p.longitude < 129.0,
    ),
    ClimateClass(
        "south_coast",
        "south coast, 34 to 35.3 N, 127.3 to 129.1 E",
        lambda p: 34.0 <= p.latitude < 35.3 and 127.3 <= p.longitude < 129.1,
    ),
    ClimateClass(
        "east_coast",
        "east coast of the mainland, 36 to 37 N from 129 E, north of 37 N from 128.8 E, to 130 E",
        lambda p: (
            p.latitude >= 36.0 and (129.0 if p.latitude < 37.0 else 128.8) <= p.longitude < 130.0
        ),
    ),
)


def climate_class(place: Place) -> str | None:
    """Return the id of the class a place belongs to, or None if it belongs to none."""
    return next((one.id for one in CLASSES if one.holds(place)), None)


def records(
    candidates: pd.DataFrame, weather: pd.DataFrame, phenology: pd.DataFrame, days: pd.DatetimeIndex
) -> pd.DataFrame:
    """Return one row per station with weather: its class and how full its record is."""
    with_weather = weather.index.get_level_values("station").unique()
    table = candidates.loc[candidates.index.isin(with_weather)]
    places = map(Place, table["latitude"], table["longitude"], table["elevation"])
    classes = pd.Series([climate_class(place) for place in places], index=table.index)
    table = table.assign(climate_class=classes)
    whole = weather[["minTa", "maxTa"]].notna().all(axis=1).groupby("station").sum()
    present = weather[COUNTED_WEATHER].notna().groupby("station").sum().sum(axis=1)
    return table.assign(
        share_of_days=(whole / len(days)).reindex(table.index),
        missing_values=(len(days) * len(COUNTED_WEATHER) - present).reindex(table.index),
        first_flowerings=_first_flowerings(phenology).reindex(table.index, fill_value=0),
    )


def choose(full: pd.DataFrame) -> pd.DataFrame:
    """Return the chosen stations, one per class, from the table `records` makes."""
    candidates = full[full["climate_class"].notna()]
    candidates = candidates[candidates["share_of_days"] >= LEAST_SHARE_OF_DAYS]
    chosen = []
    for one in CLASSES:
        members = candidates[candidates["climate_class"] == one.id].reset_index()
        if members.empty:
            raise SourceError(f"no station of class {one.id} has weather on enough days")
        if one.id == HIGHLAND:
            order, rising = ["elevation", "id"], [False, True]
        else:
            order = ["first_flowerings", "missing_values", "id"]
            rising = [False, True, True]
        chosen.append(members.sort_values(order, ascending=rising).iloc[0])
    return pd.DataFrame(chosen).set_index("id").sort_index()


def _first_flowerings(phenology: pd.DataFrame) -> pd.Series:
    counted = phenology[
        phenology["species"].isin(COUNTED_SPECIES)
        & (phenology["stage"] == "flowering")
        & phenology["year"].between(*COUNTED_YEARS)
    ]
    return counted.drop_duplicates(["station", "year", "species"]).groupby("station").size()
