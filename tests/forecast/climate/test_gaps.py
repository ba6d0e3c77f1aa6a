"""Short gaps: filled between known values, never past the last one."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.climate import fill_short_gaps

NAN = np.nan


def filled(house_weather, values, **options):
    weather = house_weather(regions=("north",), n_days=len(values))
    weather["tas"].values[0] = values
    result, counts = fill_short_gaps(weather, **options)
    return result["tas"].values[0], counts["tas"], result


def test_a_short_gap_is_a_straight_line(house_weather):
    """From 2 to 6 over three missing days: 3, 4, 5."""
    values, n_filled, _ = filled(house_weather, [2, NAN, NAN, NAN, 6])
    assert values.tolist() == [2, 3, 4, 5, 6]
    assert n_filled == 3


def test_a_gap_of_five_days_is_filled_and_one_of_six_is_not(house_weather):
    """The limit of the table holds unless another is given."""
    five, n_five, _ = filled(house_weather, [0, *[NAN] * 5, 6])
    six, n_six, _ = filled(house_weather, [0, *[NAN] * 6, 7])
    assert (five.tolist(), n_five) == ([0, 1, 2, 3, 4, 5, 6], 5)
    assert n_six == 0
    assert np.isnan(six[1:-1]).all()
    assert filled(house_weather, [0, *[NAN] * 6, 7], days=6)[1] == 6


def test_the_ends_stay_open(house_weather):
    """After the last value nothing is known, however short the gap."""
    values, n_filled, _ = filled(house_weather, [NAN, 1, NAN, 3, NAN])
    np.testing.assert_array_equal(values, [NAN, 1, 2, 3, NAN])
    assert n_filled == 1


def test_a_cut_at_a_gap_shows_nothing_of_what_comes_after(house_weather):
    """Cut first, then fill: the days after the cut leave no trace before it."""
    weather = house_weather(regions=("north",), n_days=6)
    weather["tas"].values[0] = [1, 2, NAN, NAN, 50, 60]
    cut = weather.isel(time=slice(0, 4))
    np.testing.assert_array_equal(fill_short_gaps(cut)[0]["tas"].values[0], [1, 2, NAN, NAN])


def test_filling_is_said_in_the_data_and_leaves_the_input_alone(house_weather):
    """Whoever gets the values can see that some were filled."""
    weather = house_weather(regions=("north",), n_days=3)
    weather["hurs"].values[0] = [50, NAN, 52]
    result, counts = fill_short_gaps(weather)
    assert result.attrs["gaps_filled"].startswith("1 values in gaps of at most 5 days")
    assert counts == {name: int(name == "hurs") for name in counts}
    assert np.isnan(weather["hurs"].values[0, 1])


@pytest.mark.parametrize("order", [("region", "time"), ("time", "region")])
def test_the_order_of_dimensions_is_kept(house_weather, order):
    """Filling goes along time wherever it stands."""
    weather = house_weather(n_days=4).transpose(*order)
    weather["tas"].loc[{"region": "south", "time": "2024-01-02"}] = NAN
    result, counts = fill_short_gaps(weather)
    assert result["tas"].dims == order
    assert counts["tas"] == 1
    assert float(result["tas"].sel(region="south", time="2024-01-02")) == 10
