"""Seasons of the catalogue fall into the months that calendars give, where the plants grow.

Months are those of Korean and Mediterranean pollen calendars, from memory (that of hazel and alder
in Korea also Oh et al. 2012, Allergy Asthma Immunol Res 4:5-11, abstract: earliest in the south, in
February). It is a check of plausibility; the onsets' spreads in the catalogue stay wide.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.allergens import allergen
from models.season import season_dates, season_rate


def median_dates(weather, identity):
    """Return median start and end by region, as (month, day) in the year they fall in."""
    item = allergen(identity)
    dates = season_dates(season_rate(weather, item), item).sel(year=slice(2003, 2022))
    found = {}
    for region in dates["region"].values:
        ends = []
        for name in ("start", "end"):
            days = pd.DatetimeIndex(dates[name].sel(region=region).values).dropna()
            # counted from 1 October, so that a winter is not cut at New Year
            since = [(d - pd.Timestamp(d.year - (d.month < 10), 10, 1)).days for d in days]
            middle = pd.Timestamp(2001, 10, 1) + pd.Timedelta(days=float(np.median(since)))
            ends.append((middle.month, middle.day))
        found[str(region)] = tuple(ends)
    return found


@pytest.mark.parametrize(
    ("identity", "earliest", "latest"),
    [
        ("alder", (2, 10), (4, 10)),
        ("hazel", (1, 20), (3, 31)),
        ("ash", (3, 10), (5, 5)),
        ("goosefoot", (7, 25), (10, 20)),
        ("cladosporium", (5, 1), (11, 15)),
    ],
)
def test_seasons_in_korea(sample_weather, identity, earliest, latest):
    """Alder February to early April, hazel to March, ash April, goosefoot August and September."""
    found = median_dates(sample_weather, identity)
    assert len(found) == 7
    for start, end in found.values():
        assert earliest <= start < end <= latest


def test_spring_trees_come_to_the_south_first(sample_weather):
    """Alder, hazel and ash start earlier in Jeju than in Seoul, hazel before alder before ash."""
    starts = {
        name: {r: start for r, (start, _) in median_dates(sample_weather, name).items()}
        for name in ("hazel", "alder", "ash")
    }
    assert all(dates["jeju"] < dates["seoul"] for dates in starts.values())
    for region in ("jeju", "seoul"):
        assert starts["hazel"][region] < starts["alder"][region] < starts["ash"][region]


@pytest.mark.parametrize(
    ("identity", "earliest", "latest"),
    [
        ("cypress", (1, 15), (4, 15)),
        ("ash", (2, 1), (4, 15)),
        ("olive", (4, 25), (6, 15)),
        ("pellitory", (3, 1), (7, 31)),
        ("goosefoot", (7, 1), (10, 15)),
    ],
)
def test_seasons_in_a_mediterranean_climate(make_mild_winter_weather, identity, earliest, latest):
    """Cypress February and March, olive May and June, pellitory from March into summer."""
    ((start, end),) = median_dates(make_mild_winter_weather(), identity).values()
    assert earliest <= start < end <= latest


def test_olive_is_weeks_later_where_it_is_two_degrees_cooler(make_mild_winter_weather):
    """From Andalusia to central Italy flowering moves from May into June."""
    ((warm, _),) = median_dates(make_mild_winter_weather(), "olive").values()
    ((cool, end),) = median_dates(make_mild_winter_weather(mean=16.0), "olive").values()
    assert warm < cool
    assert (6, 1) <= end <= (6, 20)


def test_the_cypress_season_runs_within_one_winter(make_mild_winter_weather):
    """Its window begins in November, so seasons carry the year before; each sums to one."""
    item = allergen("cypress")
    dates = season_dates(season_rate(make_mild_winter_weather(), item), item).squeeze("region")
    whole = dates.sel(year=slice(2001, 2021))
    np.testing.assert_allclose(whole["total"], 1.0)
    assert (whole["start"].dt.year == whole["year"] + 1).all()
