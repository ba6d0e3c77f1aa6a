r"""The counting engine on weekly surveillance counts with seasons, against the bar.

Run by hand, about three minutes on two cores (how to get the data: ``surveillance.py``)::

    FOREPAW_SURVEILLANCE=<folder of its data> \
        pytest -m validation -n 0 -s tests/validation/test_weekly_counts.py

No open weekly series of allergic visits was found; these check the counting machinery, not the
skill to expect of a practice. The engine is the shipped one, without drivers and with nothing known
of the mean; it knows nothing of any disease. Every choice was made on the weeks before the last 156
of the series (and of the total of salmNewport); each time the last 156 were scored stands in
``weekly_counts_scorings.csv`` and in the page made from the result.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from record import keep, text_table
from surveillance import weekly_series

from models.backtest import LEADS, rolling_origins, score_origin, season_blocks
from models.flare.climatology import (
    draw_climatology,
    draw_last_season,
    draw_last_value,
    draw_trend_climatology,
)
from models.flare.count_forecaster import CountDraws, CountForecaster, is_long
from models.flare.recalibration import best_factor, spread_again
from models.flare.yearly_review import seasons_needed
from models.scores import block_bootstrap_mean, block_bootstrap_ratio, diebold_mariano
from models.streams import DrawStreams

pytestmark = pytest.mark.validation

SCORINGS = Path(__file__).with_name("weekly_counts_scorings.csv")
TEST_WEEKS, BETWEEN_ORIGINS, AHEAD, DRAWS, SEED = 156, 6, 26, 1000, 8
LEAST_WEEKS = 104  # of counts, for a forecast
FIRST = "salmonellosis in hospital, Germany"
BAR = 0.35  # best of the single models tried by others on this protocol, relative to climatology
WEIGHTS_TRIED = (
    "Weights of the members from past origins only (by group of leads, shrunk to equal) were "
    "tried on the training weeks of six series, scored at 232 origins: geometric mean 0.716 at "
    "best, the plain median 0.720. One series (salmonellosis by day of onset) made the "
    "difference; on the other five none of the weights was better, and on salmonellosis in "
    "hospital 0.662 against 0.661. So the median stays, and the test weeks were not scored again."
)
STRUCTURES_TRIED = (
    "Other structures were tried on the training weeks of eight panels (these four; salmonellosis "
    "by day of onset, cut where the test weeks of the first series begin; Salmonella Newport from "
    "2000, from 2004, and in six states), 277 origins: an endemic-epidemic member with a level and "
    "a trend whose spreads the counts choose (alone 0.60 on salmonellosis in hospital, where the "
    "median had 0.67); a common drift drawn to zero by its evidence; means of quantiles; other "
    "spreads. Geometric means 0.770 to 0.785, the median 0.780: nothing clear. Trend-climatology "
    "left out one to eight weeks ahead helped there (0.685 to about 0.67 in the first four), and "
    "is left out since."
)
SHORT_PASTS = (
    "On the training weeks of eighteen panels (with influenza of all Germany, mortality by age, "
    "salmonella agona and hadar, cryptosporidia and noroviruses), 465 origins, the regression "
    "alone was 0.92 of the median (90 % interval over panels 0.86 to 0.99) after 130 to 181 weeks "
    "of counts, most of it where the median went badly wrong, and 1.04 of it (1.01 to 1.08) from "
    "200 weeks on: so before 182 weeks it is the forecast. No origin of the table is that early. "
    "Tried there besides, and nothing clearly better from 200 weeks on (median 0.811): a direct "
    "lag whose likelihood is tempered, taken off the regression's season or told of the year "
    "before, alone or as fifth member (0.814 to 0.830); a regression with a looser level or of the "
    "last four or five years, in place of the first (0.808 to 0.817) or beside it (0.815 to "
    "0.821); means of the roots of quantiles (0.812)."
)
STATE_SPACE = (
    "State space came in on the training weeks of fourteen panels (290 origins after 200 weeks and "
    "more): the median of regression, direct lag, smoothing and trend-climatology had 0.811, with "
    "state space twice in place of regression and smoothing it has 0.785. What was tried there of "
    "its own form: four waves or six in place of three and the turn of the year (0.811, 0.816 "
    "against 0.805 in an early form), a season that wobbles about its mean (0.868), levels that do "
    "not return, no slope (within 1 % of each other), no bend (0.834 against 0.803), the "
    "likelihood to powers of 1, 0.5, 0.25 and 0.1 (0.789, 0.785, 0.797, 0.812)."
)
ABOUT = (
    "Weekly counts from the R package surveillance 1.20.3: 22 origins, every six weeks over the "
    "last 156 weeks of each series, 26 weeks ahead, 23 quantiles. Relative: mean weighted interval "
    "score over that of climatology (the same week and two on either side, all past years). "
    "Intervals: 90 %, bootstrap of seasons, widened for their number (three). Made by `FOREPAW_"
    "SURVEILLANCE=<folder> pytest -m validation -n 0 -s tests/validation/test_weekly_counts.py`."
)


@pytest.fixture(scope="module")
def series() -> dict[str, xr.DataArray]:
    folder = os.environ.get("FOREPAW_SURVEILLANCE")
    if not folder:
        pytest.skip("FOREPAW_SURVEILLANCE names no folder with the package's data")
    pytest.importorskip("rdata")
    with warnings.catch_warnings():
        # R objects of classes that rdata does not know are read as plain tables
        warnings.simplefilter("ignore")
        return weekly_series(Path(folder))


def test_the_engine_reaches_the_bar(series):
    """Salmonellosis: relative score at or below 0.35. Three more series with the same engine."""
    scores = {name: _scores(counts) for name, counts in series.items()}
    reached = {name: _row(name, scored) for name, scored in scores.items()}
    tables = [
        {
            "title": "Relative weighted interval score by weeks ahead, and coverage",
            "columns": [
                *("series", "1-4", "5-13", "14-26", "all", "5 %", "95 %"),
                *("in 50 %", "5 %", "95 %", "in 90 %", "5 %", "95 %"),
            ],
            "rows": list(reached.values()),
        },
        {
            "title": "Against each reference, all leads: relative score and Diebold-Mariano p",
            "columns": ["series", *(c for r in REFERENCES for c in (r, "p"))],
            "rows": [_against(name, scored) for name, scored in scores.items()],
        },
        {
            "title": "Members alone, relative to climatology, all leads",
            "columns": ["series", *_members(scores[FIRST])],
            "rows": [_alone(name, scored) for name, scored in scores.items()],
        },
    ]
    for table in tables:
        print("\n" + text_table(table))
    keep(
        "weekly_counts",
        title="Weekly counts with seasons",
        about=ABOUT,
        tables=tables,
        notes=_notes(),
    )
    assert round(reached[FIRST][4], 2) <= BAR
    # whatever the bar: each series beats climatology over all leads
    assert all(row[4] < 1.0 for row in reached.values())


REFERENCES = ("climatology", "trend-climatology", "last value", "last season")


def _scores(counts: xr.DataArray) -> pd.DataFrame:
    n_weeks = counts.sizes["week"]
    origins = rolling_origins(
        counts["week"].values, first=n_weeks - TEST_WEEKS, every=BETWEEN_ORIGINS, n_ahead=AHEAD
    )
    # one factor a year of origins, from weeks before it: as a practice's is
    years = {pd.Timestamp(origin).year for origin in origins}
    factors = {year: _factor(counts, year) for year in sorted(years)}
    print({year: round(factor, 2) for year, factor in factors.items()})
    frames = [_one(counts, o, factors[pd.Timestamp(o).year]) for o in origins]
    return pd.concat(frames, ignore_index=True)


def _factor(counts: xr.DataArray, year: int) -> float:
    """Return by how much draws are spread for origins of a year, from the half years before it."""
    before = counts.sel(week=counts["week"] + np.timedelta64(7, "D") <= np.datetime64(f"{year}"))
    n_weeks, roots = before.sizes["week"], []
    least_weeks = 0.0 if is_long(before, before) else None  # of the members that are asked then
    for start in range(n_weeks % AHEAD, n_weeks, AHEAD):
        if start < LEAST_WEEKS:
            continue
        past, ahead = before.isel(week=slice(start)), before["week"].values[start : start + AHEAD]
        drawn = _drawn(past, ahead, least_weeks=least_weeks)
        came = before.isel(week=slice(start, start + AHEAD)).transpose("region", "week")
        roots.append((np.sqrt(drawn.blended.values), np.sqrt(came.values)))
    seasons = len(roots) * AHEAD // 52
    return best_factor(roots, seasons=seasons) if seasons >= seasons_needed() else 1.0


def _one(counts: xr.DataArray, origin: np.datetime64, factor: float) -> pd.DataFrame:
    past = counts.sel(week=counts["week"] < origin)
    ahead = counts["week"].values[counts["week"].values >= origin][:AHEAD]
    names = [str(r) for r in past["region"].values]
    streams = _streams(past, ahead)
    drawn = _drawn(past, ahead, streams)
    known = _nothing_known(names, ahead)
    one = np.exp(known)
    forecasts = {
        "climatology": draw_climatology(past, one, streams=streams),
        "trend-climatology": draw_trend_climatology(past, one, streams=streams),
        "last value": draw_last_value(past, one, streams=streams),
        "last season": draw_last_season(past, one, streams=streams),
    }
    # last, so that what the references are drawn with does not hang on it
    forecasts["forepaw"] = spread_again(drawn.blended, factor, streams=streams)
    members = {f"member: {name}": draws for name, draws in drawn.members.items()}
    return score_origin(counts, forecasts | members, origin=origin)


def _streams(past: xr.DataArray, ahead: np.ndarray) -> DrawStreams:
    number = int(ahead[0].astype("datetime64[D]").astype(int))
    return DrawStreams([SEED, number], DRAWS, [str(r) for r in past["region"].values])


def _drawn(
    past: xr.DataArray,
    ahead: np.ndarray,
    streams: DrawStreams | None = None,
    *,
    least_weeks: float | None = None,
) -> CountDraws:
    """Fit the engine to counts and draw the weeks ahead."""
    names = [str(r) for r in past["region"].values]
    nothing = _no_drivers(past["week"].values, names)
    engine = CountForecaster(least_weeks=least_weeks).fit(past, xr.zeros_like(past), nothing)
    return engine.draw(
        _nothing_known(names, ahead),
        _no_drivers(ahead, names, DRAWS),
        streams=_streams(past, ahead) if streams is None else streams,
    )


def _nothing_known(names: list[str], ahead: np.ndarray) -> xr.DataArray:
    return xr.DataArray(
        np.zeros((DRAWS, len(names), len(ahead))),
        dims=("draw", "region", "week"),
        coords={"region": names, "week": ahead},
    )


def _no_drivers(weeks, regions, draws=None) -> xr.DataArray:
    empty = xr.DataArray(
        np.zeros((1, len(regions), len(weeks))),
        dims=("driver", "region", "week"),
        coords={"driver": ["none"], "region": list(regions), "week": weeks},
    )
    return empty if draws is None else empty.expand_dims(draw=draws)


def _table(scored: pd.DataFrame) -> pd.DataFrame:
    return scored.pivot_table(index=["origin", "week", "region", "lead"], columns="model")


def _row(name: str, scored: pd.DataFrame) -> list:
    wis = _table(scored)["wis"]
    lead = wis.index.get_level_values("lead")
    own = scored[scored["model"] == "forepaw"]
    by_lead = [
        float(wis["forepaw"][part].mean() / wis["climatology"][part].mean())
        for part in ((lead >= a) & (lead <= b) for a, b in LEADS)
    ]
    blocks = season_blocks(wis.index.get_level_values("week").to_numpy())
    ratio = block_bootstrap_ratio(
        wis["forepaw"].to_numpy(), wis["climatology"].to_numpy(), blocks, seed=SEED, few_blocks=True
    )
    row = [name, *by_lead, ratio.ratio, ratio.low, ratio.high]
    for level in ("within_50", "within_90"):
        held = block_bootstrap_mean(
            own[level].to_numpy(),
            season_blocks(own["week"].to_numpy()),
            seed=SEED,
            few_blocks=True,
        )
        row += [held.mean, max(held.low, 0.0), min(held.high, 1.0)]
    return row


def _against(name: str, scored: pd.DataFrame) -> list:
    by_origin = _table(scored)["wis"].groupby("origin").mean()
    row: list = [name]
    for reference in REFERENCES:
        test = diebold_mariano(
            by_origin["forepaw"], by_origin[reference], steps_ahead=-(-AHEAD // BETWEEN_ORIGINS)
        )
        row += [float(by_origin["forepaw"].mean() / by_origin[reference].mean()), test.p_value]
    return row


def _members(scored: pd.DataFrame) -> list[str]:
    return [m.removeprefix("member: ") for m in scored["model"].unique() if m[:7] == "member:"]


def _alone(name: str, scored: pd.DataFrame) -> list:
    mean = scored.groupby("model")["wis"].mean()
    return [name, *(float(mean[f"member: {m}"] / mean["climatology"]) for m in _members(scored))]


def _notes() -> list[str]:
    return [
        f"bar for {FIRST}: {BAR:.2f}, the best single model (picked on the test weeks).",
        "Influenza is forecast worse than before state space came in (0.86), by its member alone "
        "worst; on the training weeks of three influenza panels it had been the best or near it "
        "(0.72 to 0.77 of climatology). Two of the three winters of the test weeks hold up to "
        "twice as many reports as any before. Nothing was changed for it: the choice was made on "
        "the training weeks.",
        STATE_SPACE,
        WEIGHTS_TRIED,
        STRUCTURES_TRIED,
        SHORT_PASTS,
        "Draws are spread about their median by one factor a year, learnt from half years "
        "before it. Three seasons are few: deaths are below climatology, and their interval "
        "reaches one.",
        "p: two-sided, mean loss of each origin, errors of origins up to 24 weeks apart taken "
        "as alike, small-sample correction; nan where the variance so taken is not positive.",
        *_scorings(),
    ]


def _scorings() -> list[str]:
    table = pd.read_csv(SCORINGS)
    return [
        f"scored on the test weeks, {row['date']}: {row['what']}: {row['result']}"
        for row in table.to_dict("records")
    ]
