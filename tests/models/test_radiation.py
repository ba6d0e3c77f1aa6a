import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.radiation import (
    RadiationError,
    extraterrestrial_radiation,
    possible_sunshine,
    radiation_from_sunshine,
)

DAYS = ["2023-01-05", "2023-03-21", "2023-06-21", "2023-08-10", "2023-10-10", "2023-11-15"]
LATITUDES = [-43.0, -15.0, 0.0, 33.5, 37.6, 52.0]


def _time(days=DAYS) -> xr.DataArray:
    return xr.DataArray(pd.DatetimeIndex(days), dims="time", name="time")


def _sunshine(values, days) -> xr.DataArray:
    return xr.DataArray(values, dims="time", coords={"time": pd.DatetimeIndex(days)})


def _independent_day(latitude: float, day: str) -> tuple[float, float]:
    """Return mean radiation [W m-2] and hours of sun by pvlib, summed over five-minute steps."""
    from pvlib.irradiance import get_extra_radiation
    from pvlib.solarposition import get_solarposition

    steps = pd.date_range(day, periods=288, freq="5min", tz="UTC") + pd.Timedelta("150s")
    height = np.cos(np.deg2rad(get_solarposition(steps, latitude, 0.0)["zenith"]))
    # The solar constant of FAO-56, 0.0820 MJ m-2 min-1, in W m-2.
    day_of_year = pd.Timestamp(day).day_of_year
    beam = get_extra_radiation(day_of_year, solar_constant=0.0820e6 / 60, method="spencer")
    return float((beam * height.clip(lower=0)).mean()), float((height > 0).mean() * 24)


@pytest.mark.parametrize("latitude", LATITUDES)
def test_astronomy_agrees_with_an_independent_library(latitude):
    """Ra lies within 11 W m-2 of pvlib's sun and N within a quarter of an hour, all year.

    The allowance is for the paper's one-term declination, 1.5 degrees off in October; at the
    June solstice, where the term is right, they agree within 2 W m-2 and a tenth of an hour.
    """
    ours = extraterrestrial_radiation(xr.DataArray(latitude), _time())
    hours = possible_sunshine(xr.DataArray(latitude), _time())
    theirs = np.array([_independent_day(latitude, day) for day in DAYS])
    np.testing.assert_allclose(ours.values, theirs[:, 0], rtol=0, atol=11.0)
    np.testing.assert_allclose(hours.values, theirs[:, 1], rtol=0, atol=0.25)
    june = DAYS.index("2023-06-21")
    assert ours.values[june] == pytest.approx(theirs[june, 0], abs=2.0)
    assert hours.values[june] == pytest.approx(theirs[june, 1], abs=0.1)


def test_an_overcast_day_gets_a_quarter_and_a_clear_day_three_quarters():
    """With no sun 25 % of Ra arrives, with all possible sun 75 % (a_s, a_s + b_s)."""
    latitude, days = xr.DataArray(37.6), ["2023-05-01", "2023-05-02"]
    longest = possible_sunshine(latitude, _time(days)).values
    radiation = radiation_from_sunshine(_sunshine([0.0, longest[1]], days), latitude)
    share = radiation / extraterrestrial_radiation(latitude, _time(days)).values
    np.testing.assert_allclose(share.values, [0.25, 0.75])


def test_more_sun_than_possible_counts_as_all_of_it():
    """A recorder that saw the refracted sun longer than N gives a clear day, not more."""
    latitude, days = xr.DataArray(37.6), ["2023-05-01"]
    longest = possible_sunshine(latitude, _time(days)).item()
    above = radiation_from_sunshine(_sunshine([longest + 0.3], days), latitude)
    exact = radiation_from_sunshine(_sunshine([longest], days), latitude)
    assert above.item() == exact.item()


def test_missing_sunshine_stays_missing_even_in_the_polar_night():
    """No sunshine reading gives no radiation, also where the sun never rises."""
    days = ["2023-12-21", "2023-12-22"]
    radiation = radiation_from_sunshine(_sunshine([np.nan, 0.0], days), xr.DataArray(78.0))
    assert np.isnan(radiation.values[0])
    assert radiation.values[1] == 0.0


def test_the_polar_day_and_night_have_all_or_no_hours():
    """Beyond the polar circle N is 24 h in June and 0 h in December; no NaN arises."""
    hours = possible_sunshine(xr.DataArray(78.0), _time(["2023-06-21", "2023-12-21"]))
    assert hours.values.tolist() == [24.0, 0.0]


def test_southern_summer_is_in_december():
    """At 35 S December gets more than twice the radiation of June."""
    radiation = extraterrestrial_radiation(xr.DataArray(-35.0), _time(["2023-12-21", "2023-06-21"]))
    assert radiation.values[0] > 2 * radiation.values[1]


def test_stations_and_days_broadcast_and_keep_the_order_of_dims():
    """Sunshine (station, time) and latitude (station) give radiation (station, time) in W m-2."""
    sunshine = xr.DataArray(
        [[5.0, 6.0, 7.0], [1.0, np.nan, 3.0]],
        dims=("station", "time"),
        coords={"time": pd.date_range("2023-05-01", periods=3)},
    )
    radiation = radiation_from_sunshine(sunshine, xr.DataArray([33.5, 37.6], dims="station"))
    assert radiation.dims == ("station", "time")
    assert radiation.attrs["units"] == "W m-2"
    single = radiation_from_sunshine(sunshine.isel(station=1), xr.DataArray(37.6))
    np.testing.assert_array_equal(radiation.values[1], single.values)


@pytest.mark.parametrize("value", [-999.0, 24.5])
def test_impossible_sunshine_is_refused_with_its_value(value):
    """A sentinel or more than 24 hours is an error that names the value."""
    with pytest.raises(RadiationError, match=f"{value:g}"):
        radiation_from_sunshine(_sunshine([5.0, value], DAYS[:2]), xr.DataArray(37.6))


def test_a_longitude_in_place_of_latitude_is_refused():
    """A latitude of 127 degrees is an error that suggests the swap."""
    with pytest.raises(RadiationError, match=r"127.*swapped"):
        possible_sunshine(xr.DataArray(127.0), _time())


def test_sunshine_without_dates_is_refused():
    """Without a time coordinate, or with undecoded time, there is no sun to compute."""
    with pytest.raises(RadiationError, match="time coordinate"):
        radiation_from_sunshine(xr.DataArray([5.0], dims="time"), xr.DataArray(37.6))
    with pytest.raises(RadiationError, match="datetime64"):
        possible_sunshine(xr.DataArray(37.6), xr.DataArray([1, 2], dims="time"))
