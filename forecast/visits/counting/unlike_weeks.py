"""Weeks not like others: days of a full diary, and days closed out of turn or for a holiday.

On a day marked full, demand was at least what was seen, so such weeks are lower bounds. In a week
mostly closed neither the volume nor its share of flares is that of other weeks. Both are told from
the closures on record and the public holidays of the practice's country; of a branch that lists no
closure, and before its first, full days are not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.regions import Branch
from forecast.visits.counting.volume import CLOSED_WEEKDAY, CLOSURE, HOLIDAY, daily_volume
from forecast.visits.rules import VisitError
from models.weeks import mondays

Array = NDArray[np.float64]


def unlike_weeks(
    seen: pd.DataFrame,
    branches: Mapping[str, Branch],
    closures: pd.DataFrame,
    country: str | None,
    *,
    regions: Sequence[str],
    weeks: pd.DatetimeIndex,
) -> dict[str, Array]:
    """Return full and open shares of weeks.

    Parameters
    ----------
    seen
        Visits: ``date``, ``branch``, ``kind``, ``region``.
    branches
        Branches by id, with their opening days.
    closures
        ``branch``, ``date``, ``full``, as `forecast.records.branches.closures` returns them.
    country
        ISO 3166-1 letters for public holidays; where it is None or its holidays are not known, no
        day counts as one.
    regions, weeks
        Rows and columns of the result; weeks are Mondays.

    Returns
    -------
    dict
        ``full_share``: share of a region's visits of the week that fell on days when the diary of
        their branch was full [1]. ``open_share``: share of the opening days of the region's
        branches that were neither a holiday nor a listed closure [1]; a day with visits was open.
        Shape ``(region, week)``, NaN where not known.
    """
    days = _days(seen, branches, closures, country)
    at = days.reset_index().assign(week=lambda f: _week(f["date"]))
    return {
        "full_share": _full(seen, at, closures, regions, weeks),
        "open_share": _open(at, branches, regions, weeks),
    }


def _days(
    seen: pd.DataFrame,
    branches: Mapping[str, Branch],
    closures: pd.DataFrame,
    country: str | None,
) -> pd.DataFrame:
    try:
        return daily_volume(seen, branches, closures=closures, country=country)
    except VisitError:
        # holidays of a country that are not known stop whoever asks for them, not the counts
        return daily_volume(seen, branches, closures=closures, country=None)


def _week(days: pd.Series) -> NDArray[np.datetime64]:
    return mondays(days.to_numpy()).astype("datetime64[ns]")


def _full(
    seen: pd.DataFrame,
    days: pd.DataFrame,
    closures: pd.DataFrame,
    regions: Sequence[str],
    weeks: pd.DatetimeIndex,
) -> Array:
    visits = seen[["branch", "date", "region"]].merge(
        days[["branch", "date", "full"]], on=["branch", "date"], how="left"
    )
    listed_from = closures.groupby("branch")["date"].min().reindex(visits["branch"])
    told = visits["date"].to_numpy() >= listed_from.to_numpy(dtype="datetime64[ns]")
    was_full = visits["full"].eq(True).astype(float).where(told)
    of_week = was_full.groupby([visits["region"], _week(visits["date"])])
    # a week of which any visit is not told is not known
    share = of_week.mean().where(of_week.count() == of_week.size())
    return _laid_out(share.rename_axis(["region", "week"]), regions, weeks)


def _open(
    days: pd.DataFrame,
    branches: Mapping[str, Branch],
    regions: Sequence[str],
    weeks: pd.DatetimeIndex,
) -> Array:
    usual = days[days["day"] != CLOSED_WEEKDAY]
    region = usual["branch"].map({name: branch.region_id for name, branch in branches.items()})
    is_open = ~usual["day"].isin((HOLIDAY, CLOSURE))
    share = is_open.groupby([region.rename("region"), usual["week"]]).mean()
    return _laid_out(share, regions, weeks)


def _laid_out(share: pd.Series, regions: Sequence[str], weeks: pd.DatetimeIndex) -> Array:
    table = share.astype(float).unstack("week")
    return table.reindex(index=list(regions), columns=weeks).to_numpy(dtype=float)
