"""The shape of ``weather.nc``: CF-1.11, discrete sampling geometry, orthogonal layout."""

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

# Every value is written as a 16-bit integer of tenths.
SCALE = 0.1
MISSING = np.int16(-32768)

_ON_SCALE = {"standard_name": "air_temperature", "units_metadata": "temperature: on_scale"}
VARIABLES: dict[str, dict[str, str]] = {
    "tas": {
        "units": "degC",
        **_ON_SCALE,
        "cell_methods": "time: mean",
        "long_name": "mean air temperature of the day",
    },
    "tasmin": {
        "units": "degC",
        **_ON_SCALE,
        "cell_methods": "time: minimum",
        "long_name": "lowest air temperature of the day",
    },
    "tasmax": {
        "units": "degC",
        **_ON_SCALE,
        "cell_methods": "time: maximum",
        "long_name": "highest air temperature of the day",
    },
    "pr": {
        "units": "mm/day",
        "standard_name": "lwe_precipitation_rate",
        "cell_methods": "time: mean",
        "long_name": "precipitation of the day",
        "comment": "The source leaves dry days empty: written as zero. 0.0 is also a trace.",
    },
    "hurs": {
        "units": "%",
        "standard_name": "relative_humidity",
        "cell_methods": "time: mean",
        "long_name": "mean relative humidity of the day",
    },
    "sfcWind": {
        "units": "m s-1",
        "standard_name": "wind_speed",
        "cell_methods": "time: mean",
        "long_name": "mean wind speed of the day",
    },
    "rsds": {
        "units": "W m-2",
        "standard_name": "surface_downwelling_shortwave_flux_in_air",
        "cell_methods": "time: mean",
        "long_name": "solar radiation of the day, estimated from hours of sunshine",
        "comment": "Angstrom-Prescott relation, FAO-56 eq. 35, a_s 0.25, b_s 0.50; not measured.",
    },
}
COORDINATES: dict[str, dict[str, str]] = {
    "latitude": {"units": "degrees_north", "standard_name": "latitude"},
    "longitude": {"units": "degrees_east", "standard_name": "longitude"},
    "elevation": {"units": "m", "standard_name": "surface_altitude"},
    "station_id": {"cf_role": "timeseries_id", "long_name": "romanised name in lower case"},
    "station_name": {"standard_name": "platform_name", "long_name": "romanised name"},
}
_TIME = {
    "standard_name": "time",
    "axis": "T",
    "bounds": "time_bnds",
    "units_metadata": "leap_seconds: none",
    "long_name": "calendar day, midnight to midnight, Korea Standard Time",
}


def station_dataset(tables: dict[str, pd.DataFrame], stations: pd.DataFrame) -> xr.Dataset:
    """Stack the stations' tables into one dataset, without attributes yet."""
    days = next(iter(tables.values())).index
    names = list(next(iter(tables.values())).columns)
    blocks = {
        name: (("station", "time"), np.stack([tables[one][name] for one in stations.index]))
        for name in names
    }
    coords: dict[str, Any] = {
        "time": days.to_numpy(),
        "station_id": ("station", stations.index.to_numpy(dtype=object)),
        "station_name": ("station", stations["name"].to_numpy(dtype=object)),
    }
    for name in ("latitude", "longitude", "elevation"):
        coords[name] = ("station", stations[name].to_numpy(dtype=float))
    return xr.Dataset(blocks, coords)


def write(weather: xr.Dataset, file: Path, attributes: dict[str, str]) -> None:
    """Write the dataset with its CF attributes, packed and compressed."""
    day = np.timedelta64(1, "D")
    starts = weather["time"].values
    complete = weather[list(VARIABLES)].assign_coords(
        time_bnds=(("time", "nv"), np.stack([starts, starts + day], axis=1))
    )
    for name, values in {**VARIABLES, **COORDINATES, "time": _TIME}.items():
        complete[name].attrs = dict(values)
    complete = complete.reset_coords("time_bnds")
    complete.attrs = {"Conventions": "CF-1.11", "featureType": "timeSeries", **attributes}
    complete.to_netcdf(file, engine="h5netcdf", encoding=_encoding(complete))


def packed(weather: xr.Dataset, name: str) -> np.ndarray:
    """Return a variable as the integers the file holds."""
    tenths = np.rint(weather[name].transpose("station", "time").values / SCALE)
    return np.where(np.isnan(tenths), MISSING, tenths).astype("<i2")


def values_sha256(weather: xr.Dataset) -> str:
    """Hash the values alone, so that files by other library versions can be compared."""
    digest = hashlib.sha256(",".join(map(str, weather["station_id"].values)).encode())
    digest.update(weather["time"].values.astype("datetime64[D]").astype("<i8").tobytes())
    for name in VARIABLES:
        digest.update(name.encode() + packed(weather, name).tobytes())
    return digest.hexdigest()


def _encoding(weather: xr.Dataset) -> dict[str, dict[str, Any]]:
    days = {"units": "days since 1970-01-01", "calendar": "proleptic_gregorian", "dtype": "int32"}
    plain: dict[str, Any] = {"_FillValue": None}
    encoding: dict[str, dict[str, Any]] = {
        name: {
            "dtype": "int16",
            "scale_factor": SCALE,
            "_FillValue": MISSING,
            "zlib": True,
            "complevel": 9,
            "shuffle": True,
            "chunksizes": (1, weather.sizes["time"]),
        }
        for name in VARIABLES
    }
    for name in ("latitude", "longitude", "elevation"):
        encoding[name] = plain
    return encoding | {"time": days | plain, "time_bnds": days | plain}
