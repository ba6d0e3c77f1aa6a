"""Blend: several members, one forecast.

At each level the median of the members' quantiles is taken. A median of unlike members has beaten
each of them on seasonal counts, and one member that goes wrong, or blows up in the tail, does not
move it. Weights learnt from past origins were tried on training spans of six weekly series and were
no better than the plain median; what a member is worth in votes is a number of the table.

Quantiles taken week by week would lose what happens together, so the blended values are put in the
order of given draws, those of state space: draw *i* stays the same weather-year, high where that
weather-year was high, in all regions and weeks.

References
----------
Schefzik R., Thorarinsdottir T.L. & Gneiting T. 2013, Statistical Science 28:616-640 (the ensemble
copula: ranks of one ensemble give the dependence of another's values).
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import xarray as xr

from models.streams import DrawStreams


def blend_draws(
    members: Sequence[xr.DataArray], order: xr.DataArray, *, streams: DrawStreams
) -> xr.DataArray:
    """Take the median of the members' quantiles and put it in the order of given draws.

    Parameters
    ----------
    members
        Draws, dims ``(draw, region, week)``, all of the same shape. A member that knows nothing of
        a region or week is NaN there; at least one knows of each. One that stands twice has two
        votes.
    order
        Draws of the same shape, known everywhere, that say what happens together.
    streams
        Break ties between equal counts of `order`, and round.

    Returns
    -------
    xarray.DataArray
        Whole counts, dims ``(draw, region, week)``.
    """
    first = order.transpose("draw", "region", "week")
    ranked = np.stack(
        [np.sort(m.transpose("draw", "region", "week").values.astype(float), 0) for m in members]
    )
    # a member known in some draws only has its unknown ones last: it is left out as a whole
    ranked = np.where(np.isfinite(ranked).all(1, keepdims=True), ranked, np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        blended = np.nanmedian(ranked, axis=0)
    chance = streams.own_uniform(2, first.sizes["week"])
    rank = np.argsort(np.argsort(first.values + chance[:, :, 0], axis=0), axis=0)
    values = np.take_along_axis(blended, rank, axis=0)
    # stochastic rounding keeps the mean of a half-visit a half-visit
    whole = np.floor(values + chance[:, :, 1])
    return first.copy(data=whole.astype(np.int64))
