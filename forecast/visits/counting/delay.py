"""Reporting delay: how long visits take to reach the records, and which weeks are not yet whole.

A visit entered three days late is missing from the counts for three days, so that the newest week
always seems quiet. The delay is learnt only from what shows it: the stamp of entry that an export
carries, or the import in which a visit first came. A first bulk import shows nothing: all of it
came on one day, whatever its age.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.parameters import ParameterTable, load_table
from models.weeks import DAYS_IN_WEEK


@dataclass(frozen=True)
class ReportingDelay:
    """How much of a day's visits has come in, by the day's age.

    Attributes
    ----------
    share
        Share of visits that came in within 0, 1, 2 ... days [1].
    n_visits
        Visits it was learnt from.
    learnt_from
        ``entry stamps`` or ``later imports``.
    """

    share: NDArray[np.float64]
    n_visits: int
    learnt_from: str

    def complete(self, age: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the share that has come in at an age [d]; at and past the longest, all."""
        table = np.append(self.share, 1.0)
        return np.asarray(table[np.clip(age, 0, len(table) - 1)])

    @property
    def sentence(self) -> str:
        """The delay in words."""
        within = int(np.argmax(np.append(self.share, 1.0) >= _table().number("delay.complete")))
        return (
            f"of a day's visits {self.share[0]:.0%} are entered the same day and "
            f"{_table().number('delay.complete'):.0%} within {within} d (from {self.learnt_from}, "
            f"{self.n_visits} visits)"
        )


def reporting_delay(visits: pd.DataFrame) -> ReportingDelay | None:
    """Learn the delay from visits; None where nothing shows it.

    Parameters
    ----------
    visits
        A row each: ``date``; optional ``entered`` (stamp of entry) and ``first_import`` (day on
        which the visit first came with an import, missing for those of the first one).
    """
    for column, name in (("entered", "entry stamps"), ("first_import", "later imports")):
        if column not in visits:
            continue
        learnt = _learn(visits["date"], visits[column], name)
        if learnt is not None:
            return learnt
    return None


def _learn(seen: pd.Series, came: pd.Series, name: str) -> ReportingDelay | None:
    days = (came.dt.normalize() - seen).dt.days
    held = days[(days >= 0) & (days <= _table().number("delay.longest"))]
    enough = len(held) >= _table().number("delay.least_visits")
    stamped = name != "entry stamps" or came.notna().mean() >= _table().number(
        "delay.least_stamped"
    )
    if not (enough and stamped):
        return None
    longest = int(held.max())
    counts = np.bincount(held.to_numpy(int), minlength=longest + 1)
    return ReportingDelay(np.cumsum(counts) / len(held), len(held), name)


def reported_share(
    weeks: pd.DatetimeIndex, *, known_on: date, delay: ReportingDelay | None
) -> NDArray[np.float64]:
    """Return how much of each week has come in [1].

    Parameters
    ----------
    weeks
        Mondays.
    known_on
        The day before which all is known that had come in.
    delay
        None where no delay is known: then of every day that is over all counts as come in.

    Notes
    -----
    The mean over the days of the week, each by its age: days on which a practice sees fewer visits
    count as much as others.
    """
    age_of_monday = (pd.Timestamp(known_on) - weeks).days.to_numpy()
    ages = age_of_monday[:, None] - 1 - np.arange(DAYS_IN_WEEK)[None, :]
    come_in = np.ones(ages.shape) if delay is None else delay.complete(ages)
    return np.asarray(np.where(ages >= 0, come_in, 0.0).mean(axis=1))


def least_share() -> float:
    """Return how much of a week must have come in for it to be counted [1]."""
    return _table().number("delay.complete")


def _table() -> ParameterTable:
    return load_table("forecast.visits.counting", "delay.toml")
