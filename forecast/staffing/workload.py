"""From an issue's draws to visits and minutes, by role, branch, week and weekday."""

from __future__ import annotations

from dataclasses import dataclass

import xarray as xr

from forecast.staffing.patterns import Told


@dataclass(frozen=True)
class Workload:
    """Visits and the minutes they take; draw i is one future in all branches.

    Attributes
    ----------
    visits
        Dims ``(kind, draw, branch, week)`` [1]; kinds as `inputs.KINDS`, phone calls among them.
    missed
        Booked visits to which nobody comes, same dims [1].
    minutes_each
        Dims ``(branch, kind, role)`` [min].
    weekday_share
        Dims ``(branch, weekday)``, Monday 0 [1].
    told
        Where each number is from.
    """

    visits: xr.DataArray
    missed: xr.DataArray
    minutes_each: xr.DataArray
    weekday_share: xr.DataArray
    told: tuple[Told, ...]
