"""Backtest: forecasts made as of past dates, held against what came.

The rule of a rolling origin is that whatever makes the forecast of an origin sees nothing later.
This module cannot enforce it, since it only receives forecasts; it gives the origins, scores what
was made at them, and keeps every score by origin, region and week, so that averages are taken
later, by name, over common cases.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.scores import (
    QUANTILE_LEVELS,
    block_bootstrap_mean,
    block_bootstrap_ratio,
    diebold_mariano,
    weighted_interval_score,
)
from models.scores.steps import share_inside
from models.weeks import DAYS_IN_WEEK

LEADS: tuple[tuple[int, int], ...] = ((1, 4), (5, 13), (14, 26))
_BANDS = ((0.25, 0.75), (0.05, 0.95))  # ends of the bands that hold 50 and 90 %
_DAYS_IN_SEASON = 364  # 52 whole weeks
_HALF_A_SEASON = 182


def rolling_origins(
    weeks: NDArray[np.datetime64] | pd.DatetimeIndex, *, first: int, every: int, n_ahead: int
) -> list[np.datetime64]:
    """Choose past origins.

    Parameters
    ----------
    weeks
        Mondays of the weeks with counts.
    first
        Number of weeks that the first origin may learn from.
    every
        Weeks between origins.
    n_ahead
        Weeks that must have come after the last origin.

    Returns
    -------
    list of numpy.datetime64
        Mondays; the week named by an origin is the first one forecast from it.
    """
    days = np.asarray(weeks).astype("datetime64[D]")
    return [np.datetime64(days[i], "D") for i in range(first, len(days) - n_ahead + 1, every)]


def quantiles_of(draws: xr.DataArray) -> xr.DataArray:
    """Return the hub quantiles of draws: ``draw`` becomes ``quantile``, in front.

    Draws that are not known (NaN) are left out; NaN where none is known.
    """
    order = draws.transpose("draw", ...)
    unknown = np.isnan(order.values)
    if (unknown == unknown[:1]).all():
        values = np.quantile(order.values, QUANTILE_LEVELS, axis=0)
    else:
        values = _quantiles_of_known(order.values, n_known=(~unknown).sum(axis=0))
    dims = ["quantile", *order.dims[1:]]
    coords = {name: c for name, c in order.coords.items() if "draw" not in c.dims}
    coords["quantile"] = np.array(QUANTILE_LEVELS)
    return xr.DataArray(values, dims=dims, coords=coords)


def _quantiles_of_known(
    values: NDArray[np.float64], *, n_known: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return linear quantiles over the first axis of what is known there."""
    ranked = np.sort(values, axis=0)  # what is not known comes last
    found = []
    for level in QUANTILE_LEVELS:
        at = level * np.maximum(n_known - 1, 0)
        below, above = (f(at).astype(int)[None] for f in (np.floor, np.ceil))
        low, high = (np.take_along_axis(ranked, place, axis=0)[0] for place in (below, above))
        found.append(low + (at - below[0]) * (high - low))
    return np.stack(found)


def score_origin(
    observed: xr.DataArray, forecasts: Mapping[str, xr.DataArray], *, origin: np.datetime64
) -> pd.DataFrame:
    """Score the forecasts of one origin.

    Parameters
    ----------
    observed
        Flare visits, dims ``(region, week)``; NaN where not reported.
    forecasts
        Draws of each model, dims ``(draw, region, week)``.
    origin
        The origin's Monday.

    Returns
    -------
    pandas.DataFrame
        One row a model, region and week that has been seen: ``origin, week, lead, region, model,
        observed, wis, within_50, within_90``.

    Notes
    -----
    The columns ``within`` hold the share of a count's probability step that lies inside the central
    interval (`models.scores.steps`); its mean is the nominal coverage for a calibrated forecast.
    """
    frames = []
    for model, draws in forecasts.items():
        quantiles = quantiles_of(draws).transpose("quantile", "region", "week")
        seen = observed.reindex(week=quantiles["week"], region=quantiles["region"])
        y = seen.transpose("region", "week").values
        levels = np.moveaxis(quantiles.values, 0, -1)
        loss = weighted_interval_score(y, levels, QUANTILE_LEVELS).total
        lead = (quantiles["week"].values.astype("datetime64[D]") - origin).astype(int) // 7 + 1
        values = draws.transpose("draw", "region", "week").values
        # draws that are not known are left out, as they are of the quantiles
        n_known = np.maximum(np.isfinite(values).sum(0), 1)
        below, upto = (values < y).sum(0) / n_known, (values <= y).sum(0) / n_known
        inside = [share_inside(below, upto, low, high) for low, high in _BANDS]
        half, most = (np.where(np.isfinite(loss), share, np.nan).ravel() for share in inside)
        frame = pd.DataFrame(
            {
                "origin": origin,
                "week": np.tile(quantiles["week"].values, y.shape[0]),
                "lead": np.tile(lead, y.shape[0]),
                "region": np.repeat(quantiles["region"].values.astype(str), y.shape[1]),
                "model": model,
                "observed": y.ravel(),
                "wis": np.asarray(loss).ravel(),
                "within_50": half,
                "within_90": most,
            }
        )
        frames.append(frame[np.isfinite(frame["observed"])])
    scores: pd.DataFrame = pd.concat(frames, ignore_index=True)
    return scores


def summarise(
    scores: pd.DataFrame, *, references: Sequence[str], leads: Sequence[tuple[int, int]] = LEADS
) -> pd.DataFrame:
    """Average scores by lead and model, relative to each reference.

    Returns
    -------
    pandas.DataFrame
        ``model, lead, cases, wis, relative to <reference> ..., cover 50, cover 90``; relative
        scores are ratios of mean scores on the cases both models have.
    """
    rows = []
    bands = [(f"{a}-{b}", a, b) for a, b in leads] + [("all", leads[0][0], leads[-1][1])]
    key = ["origin", "week", "region"]
    for label, a, b in bands:
        part = scores[(scores["lead"] >= a) & (scores["lead"] <= b)]
        table = part.pivot_table(index=key, columns="model", values="wis").dropna()
        common = part.set_index(key).loc[table.index]
        for model in table.columns:
            own = common[common["model"] == model]
            row = {"model": model, "lead": label, "cases": len(table), "wis": table[model].mean()}
            row |= {f"relative to {r}": table[model].mean() / table[r].mean() for r in references}
            row |= {"cover 50": own["within_50"].mean(), "cover 90": own["within_90"].mean()}
            rows.append(row)
    return pd.DataFrame(rows)


def compare(
    scores: pd.DataFrame,
    *,
    model: str,
    reference: str,
    seed: int,
    leads: Sequence[tuple[int, int]] = LEADS,
) -> pd.DataFrame:
    """Compare a model with a reference, pair by pair, by lead and over all leads.

    Parameters
    ----------
    scores
        What `score_origin` returned, of all origins.
    model, reference
        Names in the column ``model``.
    seed
        Of the resampling.
    leads
        First and last lead of each band [weeks].

    Returns
    -------
    pandas.DataFrame
        ``lead``, ``cases``, ``relative`` (mean score over the reference's), ``low`` and ``high``
        (90 %, from whole seasons, widened for their number), ``seasons``, ``p_value``
        (Diebold-Mariano over origins, errors of overlapping origins taken as alike; NaN with too
        few of them), then coverage of the model with its interval: ``cover_50``, ``low_50``,
        ``high_50``, ``cover_90``, ...
    """
    table = scores.pivot_table(index=["origin", "week", "region", "lead"], columns="model")
    pairs = table.dropna(subset=[("wis", model), ("wis", reference)])
    lead = pairs.index.get_level_values("lead")
    bands = [(f"{a}-{b}", a, b) for a, b in leads] + [("all", leads[0][0], leads[-1][1])]
    rows = []
    for label, first, last in bands:
        part = pairs[(lead >= first) & (lead <= last)]
        rows.append({"lead": label} | _paired(part, model, reference, last, seed))
    return pd.DataFrame(rows)


def _paired(
    part: pd.DataFrame, model: str, reference: str, last_lead: int, seed: int
) -> dict[str, float]:
    blocks = season_blocks(part.index.get_level_values("week").to_numpy())
    ours, theirs = part["wis"][model], part["wis"][reference]
    ratio = block_bootstrap_ratio(
        ours.to_numpy(), theirs.to_numpy(), blocks, seed=seed, few_blocks=True
    )
    found = {
        "cases": ratio.cases,
        "relative": ratio.ratio,
        "low": max(ratio.low, 0.0),  # widened, it may pass below what a ratio can be
        "high": ratio.high,
        "seasons": ratio.blocks,
        "p_value": _over_origins(ours, theirs, last_lead),
    }
    for level in (50, 90):
        held = block_bootstrap_mean(
            part[f"within_{level}"][model].to_numpy(), blocks, seed=seed, few_blocks=True
        )
        low, high = (float(np.clip(end, 0.0, 1.0)) for end in (held.low, held.high))
        found |= {f"cover_{level}": held.mean, f"low_{level}": low, f"high_{level}": high}
    return found


def _over_origins(ours: pd.Series[float], theirs: pd.Series[float], last_lead: int) -> float:
    by_origin = [losses.groupby("origin").mean() for losses in (ours, theirs)]
    origins = by_origin[0].index.to_numpy().astype("datetime64[D]")
    if len(origins) < 3:
        return float("nan")
    apart = max(int(np.median(np.diff(origins).astype(int))) // 7, 1)
    overlap = -(-last_lead // apart)
    if len(origins) <= overlap + 1:
        return float("nan")
    return diebold_mariano(
        by_origin[0].to_numpy(), by_origin[1].to_numpy(), steps_ahead=overlap
    ).p_value


def season_blocks(weeks: NDArray[np.datetime64] | pd.DatetimeIndex) -> NDArray[np.int64]:
    """Return the season of each week, from 0: years that begin with the first of the weeks.

    Weeks of one season are alike, so an interval is drawn from whole seasons. Of the last year less
    than half is no season: counted as one it would promise a narrower interval, so its weeks belong
    to the year before.
    """
    days = np.asarray(weeks).astype("datetime64[D]")
    if not days.size:
        return np.zeros(0, dtype=np.int64)
    since = (days - days.min()).astype(np.int64)
    season = np.asarray(since // _DAYS_IN_SEASON)
    is_begun = since.max() % _DAYS_IN_SEASON + DAYS_IN_WEEK < _HALF_A_SEASON
    return np.minimum(season, season.max() - 1) if is_begun and season.max() else season
