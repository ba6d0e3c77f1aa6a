"""Closures ahead: what the diary will see of a week in which days are closed.

Consultations and flare visits are drawn as if every usual day were open; of a week whose days are
open to a share *o* each visit remains with probability *o*. Pressure stays as it is, since dogs
itch on closed days too, and so does its rate: it is held against the consultations that would have
come.

Known failures: visits that a closure moves to the days around it, or to another branch, are taken
as lost, so the weeks beside it read too low.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.flare.forecaster import VisitDraws
from models.streams import DrawStreams

_ORDER = ("draw", "region", "week")


def closed_ahead(
    drawn: VisitDraws, open_share: xr.DataArray, *, streams: DrawStreams
) -> VisitDraws:
    """Return draws of which closed days took their part; the same where none is closed.

    Parameters
    ----------
    drawn
        Draws as if every usual day were open.
    open_share
        Share of what usual days bring that comes all the same [1], dims ``(region, week)``; where
        it is NaN, not known, or left out, nothing is taken.
    streams
        Those of the draws, of which this takes last.

    Returns
    -------
    VisitDraws
        ``demand`` holds the consultations that would have come.
    """
    weeks = drawn.visits["week"]
    share = open_share.reindex(region=drawn.visits["region"], week=weeks).fillna(1.0)
    kept = share.transpose("region", "week").values.clip(0.0, 1.0)
    if (kept >= 1.0).all():
        return drawn

    def thinned(counts: xr.DataArray) -> xr.DataArray:
        whole = counts.transpose(*_ORDER)
        numbers = np.rint(whole.values).astype(np.int64)

        def take(stream: np.random.Generator, draw: int, region: int) -> NDArray[np.int64]:
            return np.asarray(stream.binomial(numbers[draw, region], kept[region]))

        return whole.copy(data=streams.own(take))

    return replace(
        drawn,
        visits=thinned(drawn.visits),
        consultations=thinned(drawn.consultations),
        members={name: thinned(one) for name, one in drawn.members.items()},
        demand=drawn.consultations,
    )
