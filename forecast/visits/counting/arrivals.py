"""What was known of visits on a day, and how far the newest weeks had come in by then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.practice import Practice
from forecast.records import Records, visits
from forecast.visits.counting.delay import (
    ReportingDelay,
    least_share,
    reported_share,
    reporting_delay,
)
from models.parameters import load_table
from models.weeks import DAYS_IN_WEEK


@dataclass(frozen=True)
class KnownVisits:
    """The visits that were known on a day.

    Attributes
    ----------
    visits
        As `forecast.records.visits.visits` gives them.
    reached
        The day before which what had happened could be in the records: the day asked for, or that
        of the newest import where it is older.
    delay
        How late visits come in; None where nothing shows it.
    is_stamped
        Whether the delay was learnt from entry stamps, so that a visit entered later is left out.
    n_import_days
        On how many days files of visits came.
    """

    visits: pd.DataFrame
    reached: date
    delay: ReportingDelay | None
    is_stamped: bool
    n_import_days: int

    def share(self, weeks: pd.DatetimeIndex) -> NDArray[np.float64]:
        """Return how much of each week, given by its Monday, has come in [1]; 0 of one not over."""
        over = weeks + pd.Timedelta(days=DAYS_IN_WEEK) <= pd.Timestamp(self.reached)
        return np.where(over, reported_share(weeks, known_on=self.reached, delay=self.delay), 0.0)

    def whole(self, weeks: pd.DatetimeIndex, *, least: float | None = None) -> NDArray[np.bool_]:
        """Say which weeks, given by their Mondays, have come in well enough to be counted.

        `least` is the share that must have come in, that of the table unless given.
        """
        return np.asarray(self.share(weeks) >= (least_share() if least is None else least))


def known_visits(
    practice: Practice, records: Records, *, known_on: date, more: Sequence[str] = ()
) -> KnownVisits:
    """Return the live visits of the days before a day, as far as they were entered by then.

    `more` are further columns, see `forecast.records.visits.visits`.
    """
    held = visits.visits(records, more=("entered", *more))
    delay = reporting_delay(held[["date", "entered"]])  # of the practice, whatever the day
    seen = held.loc[held["date"] < pd.Timestamp(known_on)]
    is_stamped = delay is not None
    if is_stamped and known_on < practice.today:
        seen = seen.loc[~(seen["entered"] >= pd.Timestamp(known_on))]
    days = sorted({practice.day_of(moment) for moment in visits.import_moments(records)})
    if delay is None and len(days) > 1:
        came = visits.arrivals(records)
        came = came.assign(day=_days(practice, came["imported_at"]))
        delay = reporting_delay(shown_by_later_imports(came))
    return KnownVisits(seen, min([known_on, *days[-1:]]), delay, is_stamped, len(days))


def _days(practice: Practice, moments: pd.Series) -> pd.Series:
    utc = moments.dt.tz_localize("UTC")
    days = {moment: pd.Timestamp(practice.day_of(moment)) for moment in utc.unique()}
    return pd.Series(utc.map(days))


def shown_by_later_imports(came: pd.DataFrame) -> pd.DataFrame:
    """Return what overlapping imports show of the delay: date and first_import of each visit.

    Parameters
    ----------
    came
        Every coming of a visit: import_id, day (of the import), branch, reference, date.

    Returns
    -------
    pandas.DataFrame
        A day of a branch tells how much of it had been lacking only if a later import, of another
        day, reached it again, and the first one reached it while visits still came in. There
        `first_import` is the visit's own day where it came with the first import that reached it,
        and else the day of the import it came with. Other visits are left out: all of a first
        import came on one day, whatever its age.
    """
    spans = came.groupby(["branch", "import_id"], sort=False).agg(
        day=("day", "first"), first=("date", "min"), last=("date", "max")
    )
    first = came.sort_values("day", kind="stable").drop_duplicates(["branch", "reference"])
    parts = [
        _shown(one, spans.loc[spans.index.get_level_values("branch") == branch])
        for branch, one in first.groupby("branch")
    ]
    return pd.concat(parts, ignore_index=True)


def _shown(first: pd.DataFrame, spans: pd.DataFrame) -> pd.DataFrame:
    """Return what the imports of one branch show; `first` holds each visit's first coming."""
    days = np.sort(first["date"].unique())
    reached = (days[:, None] >= spans["first"].to_numpy()) & (
        days[:, None] <= spans["last"].to_numpy()
    )
    looked = spans["day"].to_numpy().astype("datetime64[D]").astype(np.int64)
    never = np.iinfo(np.int64).max
    earliest = np.where(reached, looked, never).min(axis=1)
    latest = np.where(reached, looked, -never).max(axis=1)
    age = earliest - days.astype("datetime64[D]").astype(np.int64)
    longest = load_table("forecast.visits.counting", "delay.toml").number("delay.longest")
    tells = (latest > earliest) & (age <= longest)
    at = np.searchsorted(days, first["date"].to_numpy())
    told = first[tells[at]]
    day = told["day"].to_numpy().astype("datetime64[D]").astype(np.int64)
    on_time = pd.Series(day <= earliest[at[tells[at]]], index=told.index)
    return pd.DataFrame(
        {"date": told["date"], "first_import": told["date"].where(on_time, told["day"])}
    )
