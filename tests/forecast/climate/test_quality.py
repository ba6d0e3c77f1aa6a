"""What cannot be is set missing and told; what is only unusual stays."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.climate import check_weather
from forecast.climate.quality import quality_table


def varied(house_weather, n_days: int = 60, seed: int = 1):
    """Return weather that changes from day to day in every variable, in order."""
    weather = house_weather(n_days=n_days)
    rng = np.random.default_rng(seed)
    shift = rng.normal(0, 2, (2, n_days))
    for name in ("tas", "tasmin", "tasmax", "tdps"):
        weather[name] = weather[name] + shift
    for name in ("pr", "hurs", "sfcWind", "rsds"):
        weather[name] = weather[name] * rng.uniform(0.8, 1.2, (2, n_days))
    return weather


def test_usual_weather_passes_untouched(house_weather):
    """Nothing is set missing, nothing is told, gaps stay gaps."""
    weather = varied(house_weather)
    weather["hurs"].loc[{"region": "north", "time": "2024-01-05"}] = np.nan
    checked, findings = check_weather(weather, source="stations")
    assert findings == []
    assert checked.identical(weather)


@pytest.mark.parametrize(
    ("name", "value"), [("hurs", 250.0), ("pr", -1.0), ("sfcWind", 100.0), ("rsds", np.inf)]
)
def test_a_value_beyond_the_plausible_is_set_missing_and_told(house_weather, name, value):
    """Only that value: the rest of the delivery is kept."""
    weather = varied(house_weather)
    weather[name].loc[{"region": "south", "time": "2024-01-09"}] = value
    checked, findings = check_weather(weather, source="stations")
    assert int(checked[name].isnull().sum()) == 1
    assert checked[name].sel(region="south", time="2024-01-09").isnull()
    assert [(f.check, f.severity, f.column) for f in findings] == [
        ("not plausible", "warning", name)
    ]
    assert "south on 2024-01-09" in findings[0].sentence
    assert weather[name].notnull().all()  # what was given is not changed


def test_a_spike_of_one_day_is_missing_a_cold_front_is_not(house_weather):
    """25 degC and more against both neighbours; a drop that lasts is weather."""
    weather = varied(house_weather)
    calm = weather.copy(deep=True)
    for name, at in (("tas", 10), ("tasmin", 5), ("tasmax", 15)):
        weather[name][0, 20] = at + 40
        calm[name][0, 20:] = calm[name][0, 20:] - 30
    calm["tdps"][0, 20:] = calm["tdps"][0, 20:] - 30
    checked, findings = check_weather(weather, source="stations")
    assert {f.check for f in findings} == {"spike of one day"}
    assert int(checked["tas"].isnull().sum()) == 1
    assert check_weather(calm, source="stations")[1] == []


@pytest.mark.parametrize(("n_days", "n_missing"), [(19, 0), (20, 20), (21, 21)])
def test_the_same_value_for_twenty_days_is_missing(house_weather, n_days, n_missing):
    """Wherever the run begins, at either end of the record too."""
    assert quality_table().number("streak.tas") == 20
    for first in (0, 7, 60 - n_days):
        weather = varied(house_weather)
        weather["hurs"][1, first : first + n_days] = 61.0
        checked, findings = check_weather(weather, source="stations")
        assert int(checked["hurs"].isnull().sum()) == n_missing
        assert bool(findings) == bool(n_missing)


def test_drought_fog_and_polar_night_may_last(house_weather):
    """Zero rain, saturated air and no sun are weather, however long."""
    weather = varied(house_weather)
    for name, value in (("pr", 0.0), ("hurs", 100.0), ("rsds", 0.0)):
        weather[name][:] = value
    assert check_weather(weather, source="stations")[1] == []
    weather["sfcWind"][0] = 0.0
    _, findings = check_weather(weather, source="stations")
    assert [f.column for f in findings] == ["sfcWind"]


def test_temperatures_out_of_order_are_missing_all_three(house_weather):
    """Which of them is wrong is not known; a tenth within the tolerance is rounding."""
    weather = varied(house_weather)
    weather["tasmin"][0, 3] = weather["tasmax"][0, 3] + 1
    weather["tasmin"][0, 5] = weather["tas"][0, 5] + 0.15
    checked, findings = check_weather(weather, source="stations")
    for name in ("tas", "tasmin", "tasmax"):
        assert np.flatnonzero(checked[name].isnull().values[0]).tolist() == [3]
    assert checked["hurs"].notnull().all()
    assert findings[0].check == "tasmin above tas"


def test_a_dew_point_above_the_mean_temperature_is_missing_alone(house_weather):
    """By two degrees and no less: half the sum of the extremes may lie a degree below the mean."""
    weather = varied(house_weather)
    weather["tdps"][0, 3] = weather["tas"][0, 3] + 2.1
    weather["tdps"][0, 5] = weather["tas"][0, 5] + 1.9
    checked, findings = check_weather(weather, source="stations")
    assert np.flatnonzero(checked["tdps"].isnull().values[0]).tolist() == [3]
    assert checked["tas"].notnull().all()
    assert [(f.check, f.column) for f in findings] == [("tdps above tas", "tdps")]
