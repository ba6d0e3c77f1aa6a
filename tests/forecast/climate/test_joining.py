"""Several sources made into one series: who fills, by how much it is moved, and that it is told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.climate import disagreements, join_in_parts, join_sources, joining_report
from forecast.climate.variables import variables

FIRST, LAST = "2021-01-01", "2022-12-31"
DAYS = pd.date_range(FIRST, LAST)
USUAL = {"tas": 10.0, "tasmin": 5.0, "tasmax": 15.0, "pr": 2.0, "hurs": 60.0, "sfcWind": 3.0}


def layer(**values: object) -> xr.Dataset:
    """Return two years of constant weather of one region; arrays over the days replace a value."""
    usual = USUAL | {"rsds": 150.0, "tdps": 3.0} | values
    return xr.Dataset(
        {
            name: (
                ("region", "time"),
                np.broadcast_to(np.asarray(usual[name], dtype=float), (1, len(DAYS))).copy(),
                dict(variable.attributes),
            )
            for name, variable in variables().items()
        },
        coords={"region": ["north"], "time": DAYS},
    )


def stacked(**named: xr.Dataset) -> xr.Dataset:
    """Return layers in the order given."""
    found = xr.concat(named.values(), dim="source")
    return found.assign_coords(source=list(named))


def until(day: str, values: object) -> np.ndarray:
    """Return values up to and with a day, missing after it."""
    return np.where(pd.Timestamp(day) >= DAYS, values, np.nan)


def test_one_source_comes_out_as_it_is():
    """Nothing is filled, nothing is fitted."""
    joined = join_sources(stacked(stations=layer(tas=until("2022-06-30", 10.0))))
    assert joined.fitted.empty
    assert joined.sentences == []
    assert int(joined.weather["tas"].isnull().sum()) == 184  # July to December
    used = joined.source_used.sel(variable="tas", region="north")
    assert used.sel(time="2022-06-30") == 0
    assert used.sel(time="2022-07-01") == -1


def test_a_second_source_fills_only_where_the_first_has_nothing_and_says_so():
    """By hand: 2 degC on 365 + 181 days, drawn to none by 30 days, and each month to that by 30."""
    stations = layer(tas=until("2022-06-30", 10.0))
    joined = join_sources(stacked(stations=stations, model=layer(tas=12.0)))
    tas = joined.weather["tas"].sel(region="north")
    assert (tas.sel(time=slice(None, "2022-06-30")) == 10.0).all()
    n_shared = 365 + 181
    in_all = -2.0 * n_shared / (n_shared + 30)
    august = (31 * -2.0 + 30 * in_all) / (31 + 30)
    assert float(tas.sel(time="2022-08-15")) == pytest.approx(12.0 + august)
    assert abs(august + 2.0) < 0.06
    used = joined.source_used.sel(variable="tas", region="north")
    assert (used.sel(time=slice(None, "2022-06-30")) == 0).all()
    assert (used.sel(time=slice("2022-07-01", None)) == 1).all()
    assert used.attrs["flag_meanings"] == "stations model"
    fitted = joined.fitted.set_index("variable").loc["tas"]
    assert fitted["n_filled"] == 184
    assert fitted["n_both"] == n_shared
    assert joined.sentences == [
        "model fills 184 values, moved by month to the sources before it, on average tas -2.0 degC"
    ]


def test_the_difference_is_that_of_the_month():
    """A source too warm in summer only is moved in summer only."""
    warm = np.where(DAYS.month.isin([6, 7, 8]), 14.0, 10.0)
    stations = layer(tas=np.where((DAYS.year == 2022) & (DAYS.day > 15), np.nan, 10.0))
    joined = join_sources(stacked(stations=stations, model=layer(tas=warm)))
    tas = joined.weather["tas"].sel(region="north")
    # 46 days of a July, 45 of other months, are shared: 46 / (46 + 30) of the way to its own
    assert float(tas.sel(time="2022-07-20")) == pytest.approx(10.0, abs=1.5)
    assert float(tas.sel(time="2022-01-20")) == pytest.approx(10.0, abs=0.5)
    plain = 14.0 - 10.0
    assert abs(float(tas.sel(time="2022-07-20")) - 10.0) < 0.4 * plain


def test_rain_wind_and_radiation_are_fitted_by_a_ratio():
    """A model with twice the rain is halved, its dry days stay dry; a difference would not do."""
    wet = np.where(DAYS.day % 2 == 0, 4.0, 0.0)
    stations = layer(pr=until("2022-06-30", wet / 2))
    joined = join_sources(stacked(stations=stations, model=layer(pr=wet)))
    pr = joined.weather["pr"].sel(region="north", time=slice("2022-07-01", None))
    dry = pr["time"].dt.day % 2 == 1
    assert (pr.where(dry, drop=True) == 0).all()
    assert pr.where(~dry, drop=True).values == pytest.approx(2.0, rel=0.06)
    assert "pr times 0.5" in joined.sentences[0]


def test_few_shared_days_move_nothing_and_that_is_told():
    """29 days say too little, 30 a little."""
    for last, moved in (("2021-01-29", False), ("2021-01-30", True)):
        stations = layer(tas=until(last, 10.0))
        joined = join_sources(stacked(stations=stations, model=layer(tas=12.0)))
        assert (float(joined.weather["tas"][0, -1]) != 12.0) is moved
        assert ("share too few days" in joined.sentences[0]) is not moved


def test_a_ratio_has_a_bound_and_limits_hold():
    """Ten times the wind is no fit; humidity moved beyond the plausible stays within it."""
    stations = layer(sfcWind=until("2022-06-30", 30.0), hurs=until("2022-06-30", 104.0))
    model = layer(sfcWind=3.0, hurs=np.where(DAYS.year == 2022, 104.0, 80.0))
    joined = join_sources(stacked(stations=stations, model=model))
    assert float(joined.weather["sfcWind"][0, -1]) == pytest.approx(9.0)
    assert float(joined.weather["hurs"][0, -1]) == variables()["hurs"].highest


def test_the_order_of_temperatures_holds_on_days_that_are_filled_in_part():
    """The maximum comes from a colder source: it is raised to the mean, which was observed."""
    gone = np.where(DAYS.year == 2021, np.nan, 15.0)
    stations = layer(tasmax=gone, tas=np.where(DAYS.year == 2021, 18.0, 10.0))
    joined = join_sources(stacked(stations=stations, model=layer(tasmax=15.0)))
    day = joined.weather.sel(region="north", time="2021-05-05")
    assert float(day["tas"]) == 18.0
    assert float(day["tasmax"]) == 18.0
    assert float(joined.weather["tasmax"].sel(region="north", time="2022-05-05")) == 15.0


def test_a_third_source_fills_what_two_have_not():
    """In their order, each fitted to what stands there already."""
    layers = stacked(
        stations=layer(hurs=until("2021-12-31", 60.0)),
        near=layer(hurs=until("2022-06-30", 60.0)),
        far=layer(hurs=60.0),
    )
    used = join_sources(layers).source_used.sel(variable="hurs", region="north")
    assert [int(used.sel(time=d)) for d in ("2021-12-31", "2022-06-30", "2022-12-31")] == [0, 1, 2]


def test_sources_that_tell_different_weather_are_told():
    """A constant difference is a matter of fitting; one that changes from day to day is not."""
    rng = np.random.default_rng(1)
    weather = 10.0 + rng.normal(0, 5, len(DAYS))
    same = stacked(stations=layer(tas=weather), model=layer(tas=weather + 4))
    assert disagreements(same) == []
    other = stacked(stations=layer(tas=weather), model=layer(tas=rng.permutation(weather)))
    found = disagreements(other)
    assert [(f.file, f.column, f.severity) for f in found] == [("model", "tas", "warning")]
    assert "in north a day differs from stations" in found[0].sentence


def test_a_filled_dew_point_is_no_higher_than_the_mean_temperature():
    """By hand: the model is 1 degC moister where both are, so its 12 degC become 11; tas is 10."""
    stations = layer(tdps=until("2021-12-31", 3.0))
    model = layer(tdps=np.where(DAYS.year == 2021, 4.0, 12.0))
    dew = join_sources(stacked(stations=stations, model=model)).weather["tdps"].sel(region="north")
    assert float(dew.sel(time="2021-12-31")) == 3.0
    assert float(dew.sel(time="2022-12-31")) == 10.0


def test_the_report_of_some_regions_at_a_time_is_that_of_all():
    """Two regions in two parts: 184 days each are filled; what disagrees in both is said once."""
    layers = stacked(
        stations=layer(tas=until("2022-06-30", 10.0), hurs=np.where(DAYS.day % 2 == 0, 30.0, 90.0)),
        model=layer(),
    )
    south = layers.assign_coords(region=["south"])
    whole = xr.concat([layers, south], dim="region")
    report = joining_report([layers, south])
    assert report == joining_report([whole])
    assert report[0].startswith("model fills 368 values")
    assert [line.endswith("(and 1 more regions)") for line in report] == [False, True]
    assert joining_report([]) == []


@pytest.mark.parametrize("size", [1, 2, 3, 7])
def test_regions_joined_some_at_a_time_are_to_the_bit_what_they_are_among_all(size):
    """Seven regions with gaps, no two alike; their layers come back as they were, too."""
    rng = np.random.default_rng(5)
    regions = [f"r{number}" for number in range(7)]
    layers = xr.concat([stacked(a=layer(), b=layer())] * len(regions), dim="region")
    layers = layers.assign_coords(
        region=regions, latitude=("region", np.arange(7.0), {"units": "degrees_north"})
    )
    layers.attrs["credit"] = "them"
    for name in layers.data_vars:
        values = rng.gamma(2.0, 3.0, layers[name].shape)
        values[rng.random(values.shape) < 0.2] = np.nan
        layers[name] = layers[name].copy(data=values.astype(np.float32))
    parts = [layers.isel(region=slice(at, at + size)) for at in range(0, 7, size)]
    weather, kept = join_in_parts(iter(parts), keep_layers=True)
    assert weather.identical(join_sources(layers).weather)
    assert kept is not None
    assert kept.identical(layers)
    alone, none = join_in_parts([part.isel(source=[0]) for part in parts], keep_layers=True)
    assert none is None
    assert alone.identical(join_sources(layers.isel(source=[0])).weather)


def test_variables_that_are_not_given_are_not_joined():
    """Those that are come out as they do among all."""
    layers = stacked(stations=layer(tas=until("2022-06-30", 10.0)), model=layer(tas=12.0))
    some = join_sources(layers[["tas", "tasmax"]])
    assert list(some.weather.data_vars) == ["tas", "tasmax"]
    assert some.weather["tas"].identical(join_sources(layers).weather["tas"])
    assert some.source_used["variable"].values.tolist() == ["tas", "tasmax"]
