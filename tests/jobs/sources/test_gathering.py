"""Replies laid into one dataset: where they overlap, where they leave gaps, what is none."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from jobs.sources.gathering import combined


def part(region: str, first: str, *values: float, **more: object) -> xr.Dataset:
    """Return temperatures of one region."""
    return xr.Dataset(
        {"tas": (("region", "time"), np.array([values], dtype=float), {"units": "degC"})},
        coords={
            "region": [region],
            "time": pd.date_range(first, periods=len(values)),
            **{name: ("region", [7.0]) for name in ("latitude", "longitude", "elevation")},
        },
        attrs={"credit": "them", **more},
    )


def test_parts_lie_side_by_side_and_the_days_between_stay_missing():
    """Two regions, two spans; what nobody gave is NaN."""
    whole = combined(
        [part("a", "2024-01-01", 1, 2), part("a", "2024-01-05", 5), part("b", "2024-01-02", 9)],
        ("region", "time"),
    )
    assert whole is not None
    np.testing.assert_array_equal(whole["tas"].sel(region="a"), [1, 2, np.nan, np.nan, 5])
    np.testing.assert_array_equal(whole["tas"].sel(region="b"), [np.nan, 9, *3 * [np.nan]])
    assert whole["latitude"].values.tolist() == [7, 7]
    assert whole["tas"].attrs["units"] == "degC"
    assert whole.attrs["credit"] == "them"


def test_of_two_values_the_later_stands_and_a_missing_one_takes_nothing_away():
    """Two stations stand for one place, the second with a gap."""
    parts = [part("a", "2024-01-01", 1, 2, 3), part("a", "2024-01-01", 7, np.nan, 9)]
    whole = combined(parts, ("region", "time"))
    assert whole is not None
    assert whole["tas"].values.tolist() == [[7, 2, 9]]


def test_days_without_any_value_at_the_end_are_left_off():
    """They are asked again; of nothing at all nothing is made."""
    whole = combined([part("a", "2024-01-01", 1, np.nan, np.nan)], ("region", "time"))
    assert whole is not None
    assert whole.sizes["time"] == 1
    assert combined([part("a", "2024-01-01", np.nan)], ("region", "time")) is None
    assert combined([], ("region", "time")) is None


def test_a_single_forecast_is_a_run_of_one_member():
    """So that it is kept as the others are."""
    whole = combined([part("a", "2024-01-01", 1, 2)], ("region", "member", "time"))
    assert whole is not None
    assert whole["tas"].shape == (1, 1, 2)
    assert whole["member"].values.tolist() == [0]


def test_regions_out_of_order_find_their_rows():
    """A reply names them in another order than the first did."""
    first = xr.concat(
        [part(r, "2024-01-01", v) for r, v in (("a", 1), ("b", 2), ("c", 3))], "region"
    )
    second = xr.concat([part(r, "2024-01-02", v) for r, v in (("c", 30), ("a", 10))], "region")
    whole = combined([first, second], ("region", "time"))
    assert whole is not None
    np.testing.assert_array_equal(
        whole["tas"].transpose("region", "time"), [[1, 10], [2, np.nan], [3, 30]]
    )
