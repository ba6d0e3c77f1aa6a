"""Closed days ahead take their part of what the diary sees, and none of the pressure."""

from __future__ import annotations

import numpy as np
import xarray as xr

from models.flare.closures import closed_ahead
from models.flare.forecaster import VisitDraws
from models.streams import DrawStreams
from models.weeks import week_range

WEEKS = week_range(np.datetime64("2024-07-01").astype(object), 3)
N_DRAWS = 200


def drawn() -> VisitDraws:
    """Give 40 consultations and 10 flares in every draw and week of two regions."""
    coords = {"draw": np.arange(N_DRAWS), "region": ["north", "south"], "week": WEEKS}
    dims = ("draw", "region", "week")

    def of(n: int) -> xr.DataArray:
        return xr.DataArray(np.full((N_DRAWS, 2, 3), n), dims=dims, coords=coords)

    return VisitDraws(of(10), of(10), of(40), {"climatology": of(10)})


def share(*north: float) -> xr.DataArray:
    """Give the open share of the weeks of one region; nothing is said of the other."""
    return xr.DataArray(
        [list(north)], dims=("region", "week"), coords={"region": ["north"], "week": WEEKS}
    )


def streams() -> DrawStreams:
    return DrawStreams([1], N_DRAWS, ["north", "south"])


def test_where_nothing_is_closed_nothing_is_drawn_anew():
    """The very same draws come back, without a demand apart."""
    whole = drawn()
    assert closed_ahead(whole, share(1.0, np.nan, 1.0), streams=streams()) is whole


def test_each_visit_of_a_week_remains_with_the_share_that_is_open():
    """Of 40 a day closed in five leaves 32 on average: sd of the mean sqrt(40*.8*.2/200) = 0.18."""
    whole = drawn()
    left = closed_ahead(whole, share(1.0, 0.8, 0.0), streams=streams())
    north = left.consultations.sel(region="north").mean("draw").values
    np.testing.assert_allclose(north, [40.0, 32.0, 0.0], atol=4 * 0.18)
    for one in (left.visits, left.members["climatology"]):
        np.testing.assert_allclose(
            one.sel(region="north").mean("draw"), [10.0, 8.0, 0.0], atol=4 * 0.09
        )
    # dogs itch on closed days too, and their rate is held against what would have come
    xr.testing.assert_identical(left.pressure, whole.pressure)
    assert left.demand is not None
    xr.testing.assert_identical(left.demand, whole.consultations)
    # of another region nothing is closed
    assert (left.consultations.sel(region="south") == 40).all()
