"""Weather files: CF NetCDF read into house form, or refused in one sentence."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import sample_climate
from forecast.climate import ClimateError, read_weather_file
from forecast.climate.variables import variables

VALUES = {"tas": 10, "tasmin": 5, "tasmax": 15, "pr": 2, "hurs": 60, "sfcWind": 3, "rsds": 150}
N_DAYS = 6


def station_file() -> xr.Dataset:
    """Return a file of two stations as the CF conventions (chapter 9) lay it out."""
    units = {name: variable.unit for name, variable in variables().items()}
    data = {
        name: (("station", "time"), np.full((2, N_DAYS), float(value)), {"units": units[name]})
        for name, value in VALUES.items()
    }
    return xr.Dataset(
        data
        | {
            "station_id": ("station", np.array(["north", "south"], object),
                           {"cf_role": "timeseries_id"}),
            "lat": ("station", [37.5, 36.0], {"standard_name": "latitude"}),
            "lon": ("station", [127.0, 128.0], {"standard_name": "longitude"}),
            "alt": ("station", [40.0, 50.0], {"standard_name": "altitude"}),
        },
        coords={"time": pd.date_range("2024-02-27", periods=N_DAYS)},
        attrs={"Conventions": "CF-1.11", "licence": "open", "day_definition": "local day"},
    )  # fmt: skip


@pytest.fixture
def read(tmp_path) -> Callable[..., tuple]:
    """Give a function that writes a file and reads it back."""

    def write_and_read(dataset: xr.Dataset, **options: object) -> tuple:
        path = tmp_path / "weather.nc"
        dataset.to_netcdf(path, engine="scipy")  # the classic kind, written five times as fast
        return read_weather_file(path, **options)

    return write_and_read


def with_value(name: str, value: float, *, unit: str | None = None) -> xr.Dataset:
    """Return the file with one value of the second station's third day replaced."""
    dataset = station_file()
    dataset[name].values[1, 2] = value
    if unit is not None:
        dataset[name].attrs["units"] = unit
    return dataset


def test_a_good_file_comes_out_in_house_form_without_a_finding(read):
    """Stations become regions; places, licence and the definition of a day come along."""
    house, findings = read(station_file(), today=date(2024, 6, 1))
    assert findings == []
    assert house["region"].values.tolist() == ["north", "south"]
    for name, value in VALUES.items():
        assert house[name].dims == ("region", "time")
        np.testing.assert_allclose(house[name], value)
        assert house[name].attrs == variables()[name].attributes
    assert house["elevation"].values.tolist() == [40.0, 50.0]
    assert house.attrs == {"licence": "open", "day_definition": "local day"}


@pytest.mark.parametrize(
    ("name", "unit", "given", "expected"),
    [
        ("tas", "K", 283.15, 283.15 - 273.15),
        ("tas", "degF", 50.0, (50.0 - 32.0) * 5.0 / 9.0),
        ("pr", "kg m-2 s-1", 2 / 86400, 2.0),
        ("pr", "m", 0.002, 0.002 * 1000),
        ("hurs", "1", 0.6, 0.6 * 100),
        ("sfcWind", "km/h", 18.0, 18.0 / 3.6),
        ("rsds", "MJ m-2 day-1", 8.64, 8.64e6 / 86400),
        ("rsds", "kWh m-2 day-1", 2.4, 2.4 * 1000 / 24),
    ],
)
def test_other_units_are_converted_and_said(read, name, unit, given, expected):
    """Each conversion by hand; a note tells of it."""
    dataset = station_file()
    dataset[name] = dataset[name].copy(data=np.full((2, N_DAYS), given))
    dataset[name].attrs["units"] = unit
    if name == "tas":
        dataset["tasmin"] = dataset["tasmin"] * 0 + 9.0
        dataset["tasmin"].attrs["units"] = "degC"
    house, findings = read(dataset)
    np.testing.assert_allclose(house[name], expected, rtol=1e-9)
    assert house[name].attrs["units"] == variables()[name].unit
    assert [(f.severity, f.column) for f in findings] == [("note", name)]
    assert unit in findings[0].found


@pytest.mark.parametrize(
    ("dataset", "words"),
    [
        (with_value("tas", 10, unit="parsec"), ["tas", "'parsec'", "degC"]),
        (with_value("tas", 10, unit=""), ["tas", "''", "degC"]),
        (station_file().drop_vars("hurs"), ["'hurs'", "relative humidity", "sfcWind"]),
        (station_file().rename(sfcWind="sfcwind"), ["'sfcWind'", "rename 'sfcwind'"]),
        (with_value("tas", 70), ["tas", "2024-02-29", "number 2", "70", "60"]),
        (with_value("hurs", 600), ["hurs", "600", "105"]),
        (with_value("pr", -1), ["pr", "-1", "0 to 2000"]),
        (with_value("tasmin", 16), ["tasmin is above tasmax", "2024-02-29", "16 against 15"]),
        (with_value("tas", 4), ["tasmin is above tas ", "5 against 4"]),
        (with_value("tas", 16), ["tas is above tasmax", "16 against 15"]),
        (station_file().isel(time=[0, 1, 1, 2]), ["2024-02-28 follows 2024-02-28"]),
        (station_file().isel(time=[0, 2, 1]), ["2024-02-28 follows 2024-02-29"]),
        (station_file().drop_vars("station_id"), ["cf_role 'timeseries_id'"]),
        (station_file().drop_vars("lat"), ["latitude"]),
        (station_file().assign(lat=("station", [37.5, 91.0])), ["latitude", "south", "91"]),
        (station_file().drop_vars("time"), ["time"]),
        (station_file().isel(station=[0, 0]), ["'north'", "twice"]),
    ],
)  # fmt: skip
def test_a_fault_refuses_the_file_in_one_sentence(read, dataset, words):
    """The sentence says what, where, what was found and what is allowed."""
    with pytest.raises(ClimateError) as refused:
        read(dataset)
    sentence = str(refused.value)
    assert sentence.startswith("weather.nc")
    assert "\n" not in sentence
    for word in words:
        assert word in sentence


def test_several_wrong_values_are_counted(read):
    """One is shown, all are counted."""
    dataset = station_file()
    dataset["hurs"].values[:, :2] = 999
    with pytest.raises(ClimateError, match=r"station number 1 on 2024-02-27 \(4 such values"):
        read(dataset)


def test_a_mean_a_tenth_beyond_an_extreme_is_rounding_not_a_fault(read):
    """Minimum, mean and maximum are rounded each for itself."""
    house, findings = read(with_value("tas", 15.1))
    assert findings == []
    assert float(house["tas"].values[1, 2]) == pytest.approx(15.1)


def test_weather_of_tomorrow_is_not_observed(read):
    """The first day after today refuses the file."""
    with pytest.raises(ClimateError, match=r"2024-03-03, after today \(2024-03-02\)"):
        read(station_file(), today=date(2024, 3, 2))
    assert read(station_file(), today=date(2024, 3, 3))[1] == []


def test_missing_values_and_days_are_kept_missing_and_said(read):
    """The leap day is left out of the file: it comes back as missing, not closed up."""
    dataset = with_value("rsds", np.nan).isel(time=[0, 1, 3, 4, 5])
    house, findings = read(dataset)
    assert house.sizes["time"] == N_DAYS
    assert np.isnan(house["tas"].sel(time="2024-02-29")).all()
    said = {f.check: f for f in findings}
    assert said["days left out"].found == "1 days added as missing"
    assert said["values missing"].severity == "note"


def test_a_file_of_the_current_kind_is_read_as_the_classic_one(tmp_path, read):
    """NetCDF 4 holds strings, NetCDF 3 knows characters only: both give the same."""
    path = tmp_path / "current.nc"
    station_file().to_netcdf(path, engine="h5netcdf")
    house, findings = read_weather_file(path)
    assert findings == []
    xr.testing.assert_identical(house, read(station_file())[0])


@pytest.mark.parametrize("engine", ["h5netcdf", "scipy"])
@pytest.mark.parametrize("part", [0.1, 0.5, 0.95])
def test_a_file_cut_short_is_refused_in_one_sentence(tmp_path, engine, part):
    """Whatever the place of the cut and the kind of file."""
    whole = tmp_path / "whole.nc"
    station_file().to_netcdf(whole, engine=engine)
    content = whole.read_bytes()
    path = tmp_path / "half.nc"
    path.write_bytes(content[: int(len(content) * part)])
    with pytest.raises(ClimateError) as refused:
        read_weather_file(path)
    assert "half.nc" in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("content", [b"", b"day,temperature\n1,2\n", b"PK\x03\x04"])
def test_a_file_of_another_kind_is_refused(tmp_path, content):
    """The sentence says what is wanted."""
    path = tmp_path / "weather.nc"
    path.write_bytes(content)
    with pytest.raises(ClimateError, match=r"is empty|is no NetCDF file"):
        read_weather_file(path)


def test_a_path_without_a_file_is_refused(tmp_path):
    """No traceback for a wrong path."""
    with pytest.raises(ClimateError, match="no such file"):
        read_weather_file(tmp_path / "absent.nc")


def test_a_calendar_without_real_days_is_refused(read):
    """A year of 360 days cannot be laid beside visits."""
    dataset = station_file()
    dataset["time"] = ("time", np.arange(59, 59 + N_DAYS),
                       {"units": "days since 2024-01-01", "calendar": "360_day"})  # fmt: skip
    with pytest.raises(ClimateError, match=r"weather\.nc"):
        read(dataset)


def test_the_sample_is_read_and_can_be_kept(tmp_path):
    """The weather that is shipped passes every check; its notes are of missing values only."""
    path = Path(sample_climate.FOLDER) / sample_climate.WEATHER_FILE
    house, findings = read_weather_file(path, today=date(2026, 1, 1))
    assert {f.check for f in findings} <= {"values missing"}
    assert set(house.data_vars) == set(variables()) - {"tdps"}
    assert house.sizes["region"] == 8


def test_a_dew_point_is_read_where_the_file_has_one(read):
    """In kelvin here; a file without it is read too, and one of more than saturated air is not."""
    dataset = station_file()
    dataset["tdps"] = dataset["tas"].copy(data=np.full((2, N_DAYS), 276.15))
    dataset["tdps"].attrs["units"] = "K"
    house, _ = read(dataset)
    np.testing.assert_allclose(house["tdps"], 276.15 - 273.15)
    assert house["tdps"].attrs["standard_name"] == "dew_point_temperature"
    dataset["tdps"].values[1, 2] = 285.45  # 12.3 degC, tas is 10
    with pytest.raises(ClimateError, match=r"tdps is above tas .*2024-02-29: 12\.3 against 10"):
        read(dataset)
