"""Blend: several members, one forecast.

Quantiles are averaged member by member, level by level: the result is as sharp as its members on
average, not wider, and a median of unlike members has beaten each of them on seasonal counts.
Averaging quantiles would lose what happens together, so the blended values are put back in the
order of the regression member's draws: draw *i* stays the same weather-year, high where that
weather-year was high, in all regions and weeks.

References
----------
Schefzik R., Thorarinsdottir T.L. & Gneiting T. 2013, Statistical Science 28:616-640 (the ensemble
copula: ranks of one ensemble give the dependence of another's values).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr

from models.streams import DrawStreams


def blend_draws(
    members: Sequence[xr.DataArray], *, weights: Sequence[float], streams: DrawStreams
) -> xr.DataArray:
    """Average the members' quantiles and keep the order of the first member's draws.

    Parameters
    ----------
    members
        Draws, dims ``(draw, region, week)``, all of the same shape; the first gives the order.
    weights
        Weight of each member; they are scaled to sum to one.
    streams
        Break ties between equal counts of the first member, and round.

    Returns
    -------
    xarray.DataArray
        Whole counts, dims ``(draw, region, week)``.
    """
    share = np.asarray(weights, dtype=float) / np.sum(weights)
    first = members[0].transpose("draw", "region", "week")
    blended = sum(
        w * np.sort(m.transpose("draw", "region", "week").values.astype(float), axis=0)
        for w, m in zip(share, members, strict=True)
    )
    blended = np.asarray(blended)
    chance = streams.own_uniform(2, first.sizes["week"])
    order = np.argsort(np.argsort(first.values + chance[:, :, 0], axis=0), axis=0)
    values = np.take_along_axis(blended, order, axis=0)
    # stochastic rounding keeps the mean of a half-visit a half-visit
    whole = np.floor(values + chance[:, :, 1])
    return first.copy(data=whole.astype(np.int64))
