"""Pollen seasons on a made series whose dates were worked out by hand from the rules.

No worked example of the clinical rule was found published. Rule: Pfaar et al. 2017, Allergy
72:713-722, constants as commonly implemented (the paper's own table was not opened). Percent rules:
Nilsson & Persson 1981, Grana 20:179-182 (90 %); Andersen 1991, Grana 30:269-275 (95 %); Galan et
al. 1995, Grana 34:189-198 (98 %). Sums from the first day: Driessen et al. 1990, Grana 29:79-86.
"""

from __future__ import annotations

import pandas as pd
import pytest

from models.parameters import load_table
from models.pollen_season import clinical_season, day_of_cumulative_sum, percent_season

GRASS = [0, 2, 3, 0, 4, 7, 2, 9, 12, 5, 20, 55, 60, 52, 30, 8, 2, 5, 9, 3, 1, 4, 3, 3, 0, 3, 0, 0]


def series(values):
    index = pd.date_range("2001-05-01", periods=len(values))
    return pd.Series(values, index=index, dtype=float)


def day(number):
    return pd.Timestamp("2001-04-30") + pd.Timedelta(days=number)


def test_the_series_is_the_one_worked_out():
    """Its 28 days hold 302 grains in all."""
    assert (len(GRASS), sum(GRASS)) == (28, 302)


def test_clinical_season_of_grasses():
    """Day 3 begins: of days 3 to 9, 3, 5, 6, 8, 9 qualify with 3+4+7+9+12 = 35; day 20 ends."""
    season = clinical_season(series(GRASS), "grasses")
    assert (season.start, season.end) == (day(3), day(20))
    assert season.peak is not None
    assert (season.peak.start, season.peak.end) == (day(12), day(14))
    assert season.high_days == 3
    assert (season.start_known, season.end_known) == (True, True)


def test_the_near_miss_does_not_end_the_season():
    """Day 22 looks back on 8, 2, 5, 9, 3, 1, 4: five days qualify, but 8+5+9+3+4 = 29 < 30."""
    assert clinical_season(series(GRASS), "grasses").end == day(20)
    one_grain_more = [*GRASS]
    one_grain_more[21] += 1
    assert clinical_season(series(one_grain_more), "grasses").end == day(22)


def test_a_year_below_the_rule_has_no_season():
    """A tenth of the counts never qualifies: no season, said as such, and no dates."""
    season = clinical_season(series(GRASS) / 10, "grasses")
    assert season.state == "no season"
    assert (season.start, season.end, season.peak, season.high_days) == (None, None, None, 0)


def test_the_same_counts_are_no_olive_season():
    """With the constants of olive (20, sum 200) days 11 to 15 qualify with 20+55+60+52+30 = 217.

    One of the five below the threshold, and the rule holds nowhere.
    """
    assert clinical_season(series(GRASS), "olive").start == day(11)
    fewer = [*GRASS]
    fewer[10] = 19
    assert clinical_season(series(fewer), "olive").state == "no season"


@pytest.mark.parametrize(
    ("taxon", "daily", "total", "high"),
    [
        # Pfaar et al. 2017, as commonly implemented
        ("birch", 10, 100, 100),
        ("grasses", 3, 30, 50),
        ("cypress", 20, 200, 100),
        ("olive", 20, 200, 100),
        ("ragweed", 3, 30, 50),
    ],
)
def test_constants_of_the_clinical_rule(taxon, daily, total, high):
    """Daily threshold, sum of five days and high day of each taxon."""
    table = load_table("models", "pollen_season.toml")
    assert [table.number(f"{taxon}.{name}") for name in ("daily", "sum", "high")] == [
        daily,
        total,
        high,
    ]


@pytest.mark.parametrize(("percent", "start", "end"), [(98, 3, 24), (95, 5, 23), (90, 6, 20)])
def test_percent_seasons(percent, start, end):
    """By hand: of 302, 1 % is 3.02, 2.5 % is 7.55, 5 % is 15.1; the ends likewise from below."""
    season = percent_season(series(GRASS), percent=percent)
    assert (season.start, season.end) == (day(start), day(end))


@pytest.mark.parametrize(("level", "number"), [(30, 9), (50, 11), (75, 12), (100, 12)])
def test_cumulative_sums(level, number):
    """Running sums reach 30 on day 9 (39), 50 on day 11 (64), 75 and 100 on day 12 (119)."""
    assert day_of_cumulative_sum(series(GRASS), level) == day(number)
