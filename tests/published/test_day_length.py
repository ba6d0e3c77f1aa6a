"""Day length against computed tables of the published model and against solar geometry.

Model: Forsythe et al. 1995, Ecological Modelling 80:87-95 (CBM). Its tables were not seen: the
hours below were computed once from the formula, apart from this code. What can show the constants
wrong are the two independent routes through pvlib.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.daylength import day_length

DAYS = (1, 80, 105, 172, 227, 266, 355)

# Computed from the formula, sun angle 0.8333 degrees, hours to three decimals.
HOURS = {
    0: (12.121, 12.111, 12.113, 12.121, 12.115, 12.111, 12.121),
    30: (10.245, 12.122, 12.868, 14.078, 13.264, 12.148, 10.211),
    40: (9.376, 12.136, 13.223, 15.016, 13.803, 12.174, 9.324),
    50: (8.149, 12.160, 13.710, 16.372, 14.549, 12.213, 8.070),
    52: (7.826, 12.166, 13.833, 16.735, 14.741, 12.224, 7.740),
    60: (6.010, 12.203, 14.478, 18.870, 15.756, 12.281, 5.867),
}


@pytest.mark.parametrize("latitude", HOURS)
def test_hours_of_the_cbm_model(latitude):
    """Sunrise to sunset agrees with the computed table, to the digits given."""
    hours = day_length(float(latitude), np.array(DAYS))
    np.testing.assert_allclose(hours, HOURS[latitude], rtol=0, atol=0.00051)


@pytest.mark.parametrize(
    ("latitude", "day", "hours"),
    [(40, 172, 14.846), (40, 355, 9.155), (60, 172, 18.493), (60, 355, 5.510)],
)
def test_hours_with_the_centre_of_the_sun_on_the_horizon(latitude, day, hours):
    """With sun angle 0 (computed from the formula) the solstices mirror each other around 12 h."""
    assert day_length(latitude, day, sun_angle="centre") == pytest.approx(hours, abs=0.00051)


@pytest.mark.parametrize(("latitude", "day"), [(40, 207), (45, 219), (50, 228)])
def test_day_on_which_a_short_day_weed_is_called(latitude, day):
    """First day after the solstice shorter than 14.5 h (computed), the trigger of ragweed."""
    days = np.arange(173, 300)
    shorter = day_length(float(latitude), days) < 14.5
    assert days[shorter][0] == day


@pytest.mark.parametrize(
    ("latitude", "summer", "winter"),
    [
        # Spencer's series, zenith 90.833, hours and minutes at days 172 and 355 (computed)
        (30, (14, 5), (10, 13)),
        (40, (15, 1), (9, 20)),
        (45, (15, 37), (8, 46)),
        (50, (16, 22), (8, 4)),
        (60, (18, 52), (5, 53)),
    ],
)
def test_within_a_minute_of_another_declination_series(latitude, summer, winter):
    """Solstice days differ by no more than a minute from those by Spencer's declination."""
    for day, (hour, minute) in ((172, summer), (355, winter)):
        minutes = 60.0 * day_length(latitude, day)
        assert minutes == pytest.approx(60 * hour + minute, abs=1.5)  # half a minute of rounding


@pytest.mark.parametrize("latitude", [-60.0, -35.0, 0.0, 37.5, 60.0])
def test_every_day_agrees_with_spencers_declination_in_pvlib(latitude):
    """Over all days, both hemispheres: within two minutes of an independent declination."""
    position = pytest.importorskip("pvlib.solarposition")
    days = np.arange(1, 366)
    declination = np.asarray(position.declination_spencer71(days))
    parallel = np.deg2rad(latitude)
    cosine = (np.cos(np.deg2rad(90.8333)) - np.sin(parallel) * np.sin(declination)) / (
        np.cos(parallel) * np.cos(declination)
    )
    hours = 2.0 * np.rad2deg(np.arccos(cosine)) / 15.0
    # The sun moves 0.4 degrees of declination a day at most; leap-year phase and the two series
    # leave 0.1 degrees, which is two minutes at 60 degrees.
    assert np.max(np.abs(day_length(latitude, days) - hours)) < 2.5 / 60.0


@pytest.mark.parametrize("latitude", [-33.9, 37.6, 55.7])
def test_sunrise_and_sunset_of_the_solar_position_algorithm_in_pvlib(latitude):
    """Over 2021-2024 the hours are those of an almanac at most a day and a half away.

    A number of the day in the year drifts against the sun by up to a day within four years. Once
    each year is shifted by what fits it best, less than 1.2 minutes are left.
    """
    position = pytest.importorskip("pvlib.solarposition")
    for year in range(2021, 2025):
        days = pd.date_range(f"{year}-01-03", f"{year}-12-29", tz="UTC")
        sun = position.sun_rise_set_transit_spa(days, latitude, 0.0)
        almanac = (sun["sunset"] - sun["sunrise"]).dt.total_seconds().to_numpy() / 60.0
        number = days.day_of_year.to_numpy()
        shifts = np.arange(-1.5, 1.51, 0.25)
        misfit = [np.max(np.abs(60 * day_length(latitude, number + s) - almanac)) for s in shifts]
        assert min(misfit) < 1.2
