"""Two side calculations for the manifest: hours of rain, and the check of estimated radiation.

Neither changes the shipped data. Others may cite the first ("fitted on the sample climate").
"""

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from scipy.optimize import curve_fit

WET_DAY = 0.1  # mm, the least amount the gauge writes
_HOURS_IN_DAY = 24.0
_WATTS_PER_MEGAJOULE_A_DAY = 1e6 / 86400.0


def rain_hours_fit(raw: pd.DataFrame) -> dict[str, Any]:
    """Fit hours of rain = min(24, a * pr^b) over the wet days of all stations, in two ways.

    Days count where both amount and duration were recorded, the amount is at least 0.1 mm and the
    duration lies within 0 to 24 hours (longer ones are faults of the source). Least squares on
    logarithms gives the typical hours of a day with that rain; least squares on the hours gives
    their mean, which is larger because long rains weigh more.
    """
    amount, hours = raw["sumRn"], raw["sumRnDur"]
    used = raw[(amount >= WET_DAY) & (hours > 0) & (hours <= _HOURS_IN_DAY)]
    rain, recorded = used["sumRn"], used["sumRnDur"]
    a, b, share = _power_law(rain, recorded)
    own = {name: _power_law(d["sumRn"], d["sumRnDur"]) for name, d in used.groupby("station")}
    (mean_a, mean_b), _ = curve_fit(_hours, rain, recorded, p0=(a, b))
    return {
        "relation": "hours = min(24, a * pr^b), pr in mm/day, wet days of at least 0.1 mm",
        "n": len(used),
        "mean_recorded_hours": round(float(recorded.mean()), 2),
        "wet_days_without_duration": int(((amount >= WET_DAY) & hours.isna()).sum()),
        "durations_over_24_hours_left_out": int((hours > _HOURS_IN_DAY).sum()),
        "typical": {
            "method": "least squares on logarithms",
            **_quality(rain, recorded, a, b),
            "r2_of_logarithms": round(share, 3),
            "a_by_station": {name: round(fit[0], 3) for name, fit in own.items()},
            "b_by_station": {name: round(fit[1], 3) for name, fit in own.items()},
        },
        "mean": {
            "method": "least squares on hours",
            **_quality(rain, recorded, float(mean_a), float(mean_b)),
        },
    }


def radiation_check(weather: xr.Dataset, raw: pd.DataFrame) -> dict[str, Any]:
    """Compare estimated radiation with what the stations measured, where they measured it."""
    measured = raw["sumGsr"] * _WATTS_PER_MEGAJOULE_A_DAY
    measured = measured[measured > 0]
    result = {}
    for index, station in enumerate(weather["station_id"].values):
        estimate = pd.Series(weather["rsds"].values[index], index=weather["time"].values)
        own = measured.xs(station)
        error = (estimate.reindex(own.index) - own).dropna()
        result[str(station)] = {
            "days": len(error),
            "mean_measured": round(float(own[error.index].mean()), 1),
            "mean_error": round(float(error.mean()), 1),
            "root_mean_square_error": round(float(np.sqrt((error**2).mean())), 1),
            "correlation": round(float(estimate.corr(own)), 3),
            "mean_error_by_year": {
                str(year): round(float(value), 1)
                for year, value in error.groupby(pd.DatetimeIndex(error.index).year).mean().items()
            },
        }
    return result


def _hours(rain: pd.Series, a: float, b: float) -> pd.Series:
    return (a * rain**b).clip(upper=_HOURS_IN_DAY)


def _quality(rain: pd.Series, recorded: pd.Series, a: float, b: float) -> dict[str, float]:
    error = _hours(rain, a, b) - recorded
    return {
        "a": round(a, 3),
        "b": round(b, 3),
        "r2_of_hours": round(float(1 - (error**2).mean() / recorded.var(ddof=0)), 3),
        "mean_error_hours": round(float(error.mean()), 2),
        "mean_absolute_error_hours": round(float(error.abs().mean()), 2),
    }


def _power_law(amount: pd.Series, hours: pd.Series) -> tuple[float, float, float]:
    """Return a, b and the explained share of hours = a * amount^b on logarithms."""
    x, y = np.log(amount.to_numpy()), np.log(hours.to_numpy())
    b, log_a = np.polyfit(x, y, 1)
    residual = y - (log_a + b * x)
    return float(np.exp(log_a)), float(b), float(1 - residual.var() / y.var())
