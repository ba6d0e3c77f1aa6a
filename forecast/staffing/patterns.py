"""What past visits tell of the diary: who is seen where, on which day, and what follows a flare."""

from __future__ import annotations

from dataclasses import dataclass

import xarray as xr

from forecast.staffing.inputs import FROM_TABLE


@dataclass(frozen=True)
class Told:
    """One number of the reckoning and where it is from, for the page's list of what is known.

    Attributes
    ----------
    what
        Such as ``rechecks a flare visit causes``.
    value
        As shown, with unit.
    source
        visits (learned), desk (entered) or table (the house's default).
    why
        On how much it rests, or why it could not be learned.
    """

    what: str
    value: str
    source: str = FROM_TABLE
    why: str = ""


@dataclass(frozen=True)
class VisitPatterns:
    """What is learned of past visits, or taken from the table where they are too few.

    Attributes
    ----------
    flare_share, volume_share
        Dims ``(branch, region)``: visits at the branch for each one counted in the region [1]. Over
        branches they add up to more than one where visits of far-off dogs count in no region.
    kind_share
        Dims ``(branch, kind)``: of the consultations other than flare visits, the share that are
        rechecks, planned doses and others [1]; adds up to one.
    weekday_share
        Dims ``(branch, weekday)``, Monday 0; adds up to one [1].
    recheck_probability
        Share of flare visits that cause a recheck [1].
    recheck_lag
        Dim ``lag`` [weeks after]: share of these rechecks by week; adds up to one [1].
    recent_flares
        Dims ``(branch, week)``: flare visits of the last weeks, whose rechecks are still to come.
    told
        Each number with its source.
    """

    flare_share: xr.DataArray
    volume_share: xr.DataArray
    kind_share: xr.DataArray
    weekday_share: xr.DataArray
    recheck_probability: float
    recheck_lag: xr.DataArray
    recent_flares: xr.DataArray
    told: tuple[Told, ...]
