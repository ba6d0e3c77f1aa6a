r"""Recalibration: how much wider, or narrower, forecasts should have been in earlier seasons.

Members are fitted to the past and drawn with its own spread; how far seasons to come differ from
that only forecasts of seasons that came can tell. So past weeks are foretold from origins half a
year apart, each by a fit to the weeks before it alone, of the members that are asked today
(:mod:`models.flare.count_forecaster`), with the drivers of other years' weather. On the scale of
the square root, where the noise of counts hardly depends on their size, draws *d* around their
median *m* are taken as

.. math:: \sqrt{d'} = \sqrt m + \kappa \left( \sqrt d - \sqrt m \right).

*kappa* is the factor of the table's grid with the smallest mean CRPS of the square roots over all
regions and weeks, drawn to one: of *S* seasons its log counts ``S / (S + s)``. With fewer seasons
than it takes to speak of skill nothing is changed. The order of the draws stays, so what happens
together stays together; the median stays, so that no week becomes high by it on its own.

Nothing of the season to be forecast enters: weeks up to the review day
(:mod:`models.flare.yearly_review`) are foretold, and the factor stands for the year after it.

Known failures: one factor for all leads and regions; a few seasons tell a spread to within a
fifth or so at best. What other vets, alerts or cover did to past visits is in it too.

References
----------
Gneiting T., Balabdaoui F. & Raftery A.E. 2007, Journal of the Royal Statistical Society B
69:243-268 (calibration and sharpness); Bosse N.I. et al. 2023, PLoS Computational Biology
19:e1011393 (scores on transformed scales).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.parameters import load_table
from models.streams import DrawStreams
from models.weeks import WEEKS_IN_YEAR

Array = NDArray[np.float64]


class Recalibration(NamedTuple):
    """By how much the draws of pressure and of consultations are spread, and what tells it.

    Attributes
    ----------
    pressure, consultations
        The factors *kappa*; one changes nothing.
    seasons
        Earlier seasons that were foretold.
    """

    pressure: float = 1.0
    consultations: float = 1.0
    seasons: int = 0


AS_DRAWN = Recalibration()


def spread_again(draws: xr.DataArray, factor: float, *, streams: DrawStreams) -> xr.DataArray:
    """Spread draws of counts about their median; the same draws, and no chance used up, at one.

    Parameters
    ----------
    draws
        Whole counts, dims ``(draw, region, week)``.
    factor
        The *kappa* of the module.
    streams
        Round: the mean of a part of a visit stays it.
    """
    if factor == 1.0:
        return draws
    order = draws.transpose("draw", "region", "week")
    moved = _spread(np.sqrt(order.values), factor) ** 2
    chance = streams.own_uniform(order.sizes["week"])
    return order.copy(data=np.floor(moved + chance).astype(np.int64))


def _spread(root: Array, factor: float) -> Array:
    middle = np.median(root, axis=0)
    return np.clip(middle + factor * (root - middle), 0.0, None)


def best_factor(roots: list[tuple[Array, Array]], *, seasons: int) -> float:
    """Return the factor with the smallest CRPS, drawn to one.

    Parameters
    ----------
    roots
        Of each look square roots of the draws ``(draw, region, week)`` and of what came ``(region,
        week)``, NaN where not known.
    seasons
        Seasons that the looks span.
    """
    table = load_table("models.flare", "flare.toml")
    grid = np.array(cast(list[float], table["recalibration.factors"].value))
    losses = np.array([_loss(roots, factor) for factor in grid])
    if not np.isfinite(losses).all():  # nothing of what was foretold is known
        return 1.0
    weight = seasons / (seasons + table.number("recalibration.prior_seasons"))
    return float(grid[int(np.argmin(losses))] ** weight)


def _loss(roots: list[tuple[Array, Array]], factor: float) -> float:
    """Return the mean CRPS of the spread draws, from the draws as an ensemble."""
    total, number = 0.0, 0
    for drawn, came in roots:
        ranked = np.sort(_spread(drawn, factor), axis=0)
        n = len(ranked)
        off = np.abs(ranked - came).mean(0)
        # mean absolute difference of two different draws, from their ranks
        rank = (2.0 * np.arange(n) - n + 1.0)[:, None, None]
        apart = 2.0 * (rank * ranked).sum(0) / (n * (n - 1.0))
        score = off - 0.5 * apart
        known = np.isfinite(score)
        total, number = total + float(score[known].sum()), number + int(known.sum())
    return total / number if number else np.nan


def other_years(
    anomalies: xr.DataArray, weeks: NDArray[np.datetime64], *, n_draws: int
) -> xr.DataArray:
    """Return the drivers of the same weeks in earlier years as futures, one a draw, in turn.

    Parameters
    ----------
    anomalies
        Dims ``(driver, region, week)``; weeks from the first of `weeks` on are not looked at.
    weeks
        Weeks ahead (Mondays).
    n_draws
        Number of draws.

    Returns
    -------
    xarray.DataArray
        Dims ``(draw, driver, region, week)``, as usual (zero) where no year tells.
    """
    known = anomalies.sel(week=anomalies["week"] < weeks[0]).transpose("driver", "region", "week")
    index = known.indexes["week"]
    years = list(_whole_years(index.values, weeks))
    moved = []
    for year in years or [0]:
        back = weeks - np.timedelta64(7 * round(year * WEEKS_IN_YEAR), "D")
        at = index.get_indexer(back.astype("datetime64[ns]"))
        values = np.where(at >= 0, known.values[..., at] if len(index) else np.nan, np.nan)
        moved.append(np.nan_to_num(values))
    draws = np.stack(moved)[np.arange(n_draws) % len(moved)]
    return xr.DataArray(
        draws,
        dims=("draw", "driver", "region", "week"),
        coords={"driver": known["driver"], "region": known["region"], "week": weeks},
    )


def _whole_years(held: NDArray[np.datetime64], weeks: NDArray[np.datetime64]) -> Iterator[int]:
    """Yield how many years back all of the weeks are held."""
    if not len(held):
        return
    ahead = int((weeks[-1] - weeks[0]) / np.timedelta64(7, "D")) + 1
    year = -(-ahead // 52)  # the last of the weeks must lie before the first
    while weeks[0] - np.timedelta64(7 * round(year * WEEKS_IN_YEAR), "D") >= held[0]:
        yield year
        year += 1
