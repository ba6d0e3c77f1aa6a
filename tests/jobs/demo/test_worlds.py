from __future__ import annotations

from typing import get_args

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from jobs.demo.places import DemoError, Places
from jobs.demo.worlds import World, describe_world, driver_names, forces, season_curve

POLLENS = driver_names("pollen")


def mean_day(driver: np.ndarray, days: pd.DatetimeIndex, *, year: int) -> float:
    """Return the mean day of the year of a driver's bump."""
    of_year = days.year == year
    weight = driver[of_year]
    return float((weight * days.day_of_year.to_numpy()[of_year]).sum() / weight.sum())


def test_an_unknown_world_is_refused_with_the_choices() -> None:
    """The message lists the three worlds."""
    with pytest.raises(DemoError, match="humidity, pollen, none"):
        describe_world("fog")  # type: ignore[arg-type]


def test_each_world_says_what_drives_it() -> None:
    """The pollen text says which pollens nobody observes; the humidity text that pollen is idle."""
    assert "observed nowhere" in describe_world("pollen")
    assert "pollen does nothing" in describe_world("humidity")
    assert "neither weather nor pollen" in describe_world("none")


@pytest.mark.parametrize("world", get_args(World))
def test_the_season_is_the_same_every_year(world: World, places: Places) -> None:
    """The season depends on the ISO week alone."""
    weeks = places.days.isocalendar()["week"].to_numpy()
    curve = season_curve(places.days, world)
    assert all(np.ptp(curve[weeks == week]) == 0 for week in range(1, 54))


def test_shocks_are_the_same_in_each_world_and_carry_over(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places
) -> None:
    """A seed's shocks do not depend on the world; this week's resembles last week's."""
    made = [
        forces(weather, flowering, places=places, world=world, seed=3) for world in get_args(World)
    ]
    for other in made[1:]:
        np.testing.assert_array_equal(made[0].shared_shock, other.shared_shock)
        np.testing.assert_array_equal(made[0].own_shock, other.own_shock)
    shared = made[0].shared_shock[::7]
    assert np.corrcoef(shared[1:], shared[:-1])[0, 1] > 0.4
    own = made[0].own_shock[::7]
    between = np.corrcoef(own.T)[~np.eye(len(places.regions), dtype=bool)]
    assert np.abs(between).max() < 0.35


def test_the_world_none_has_no_driver(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places
) -> None:
    """No array of weather or pollen exists there at all."""
    made = forces(weather, flowering, places=places, world="none", seed=3)
    assert made.names == ()
    assert made.drivers.size == 0


def test_damper_air_raises_the_humidity_driver_and_pollen_dates_do_not(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places
) -> None:
    """In the humidity world humidity moves the driver, later flowering changes nothing."""
    usual = forces(weather, flowering, places=places, world="humidity", seed=3)
    damp = forces(
        weather.assign(hurs=weather["hurs"] + 5), flowering, places=places, world="humidity", seed=3
    )
    assert (damp.drivers >= usual.drivers).all()
    assert damp.drivers.mean() > usual.drivers.mean() + 0.05
    late = forces(weather, later(flowering), places=places, world="humidity", seed=3)
    np.testing.assert_array_equal(late.drivers, usual.drivers)


def later(flowering: pd.DataFrame, days: int = 10) -> pd.DataFrame:
    moved = pd.to_datetime(flowering["date"]) + pd.Timedelta(days=days)
    return flowering.assign(date=moved)


@pytest.fixture(scope="module")
def pollen(weather: xr.Dataset, flowering: pd.DataFrame, places: Places) -> np.ndarray:
    return forces(weather, flowering, places=places, world="pollen", seed=3).drivers


def test_ten_days_later_flowering_is_ten_days_later_pollen(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places, pollen: np.ndarray
) -> None:
    """Birch-like and black locust follow the observed dates; the unobserved three do not."""
    dry = weather.assign(pr=weather["pr"] * 0)
    base = forces(dry, flowering, places=places, world="pollen", seed=3).drivers
    late = forces(dry, later(flowering), places=places, world="pollen", seed=3).drivers
    for name in ("birch_like", "black_locust"):
        k = POLLENS.index(name)
        moved = mean_day(late[:, 0, k], places.days, year=2020) - mean_day(
            base[:, 0, k], places.days, year=2020
        )
        assert moved == pytest.approx(10.0, abs=0.3)
    unobserved = [POLLENS.index(name) for name in ("grasses", "mugwort", "hop")]
    np.testing.assert_array_equal(late[:, :, unobserved], base[:, :, unobserved])


def test_pollen_rises_only_after_the_observed_date(
    flowering: pd.DataFrame, places: Places, pollen: np.ndarray
) -> None:
    """No black locust pollen on its date of first flowering, much of it a week later."""
    seen = flowering[(flowering["species"] == "black locust") & (flowering["stage"] == "flowering")]
    driver = pollen[:, :, POLLENS.index("black_locust")]
    for region, date in zip(seen["region"], pd.to_datetime(seen["date"]), strict=True):
        if region in places.regions and date.year >= 2018:
            column = driver[:, places.regions.index(region)]
            day = (date - places.days[0]).days
            assert column[day] < 0.01
            assert column[day + 8] > 0.1


def test_warm_weeks_bring_grasses_forward_and_delay_mugwort(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places, pollen: np.ndarray
) -> None:
    """A spring and summer warmer by three degrees shift the unobserved pollens as described."""
    days = pd.DatetimeIndex(weather["time"].values)
    warm = ((days.year == 2021) & (days.month >= 3) & (days.month <= 8)) * 3.0
    warmer = weather.assign(tas=weather["tas"] + xr.DataArray(warm, dims="time"))
    moved = forces(warmer, flowering, places=places, world="pollen", seed=3).drivers
    change = {
        name: mean_day(moved[:, 0, k], places.days, year=2021)
        - mean_day(pollen[:, 0, k], places.days, year=2021)
        for k, name in enumerate(POLLENS)
    }
    assert change["grasses"] < -3
    assert change["mugwort"] > 2
    assert change["birch_like"] == pytest.approx(0.0, abs=1e-9)


def test_rain_washes_pollen_out(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places, pollen: np.ndarray
) -> None:
    """Twenty millimetres more every day leave less of every pollen."""
    wet = forces(
        weather.assign(pr=weather["pr"] + 20), flowering, places=places, world="pollen", seed=3
    )
    assert (wet.drivers.sum(axis=(0, 1)) < 0.7 * pollen.sum(axis=(0, 1))).all()


def test_a_year_nobody_saw_gets_the_regions_usual_date(
    weather: xr.Dataset, flowering: pd.DataFrame, places: Places
) -> None:
    """Without the dates of 2020 the pollen of 2020 still comes, near its usual day."""
    region = places.regions[0]
    unseen = flowering[
        ~((flowering["region"] == region) & flowering["date"].astype(str).str.startswith("2020"))
    ]
    made = forces(weather, unseen, places=places, world="pollen", seed=3)
    k = POLLENS.index("birch_like")
    days = [mean_day(made.drivers[:, 0, k], places.days, year=y) for y in (2018, 2019, 2021, 2022)]
    assert min(days) - 3 < mean_day(made.drivers[:, 0, k], places.days, year=2020) < max(days) + 3
