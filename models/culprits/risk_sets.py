r"""Risk sets: each flare visit beside the other days on which it might have come.

Time-stratified: a visit on day :math:`t` is compared with the days of its own calendar month that
fall on its own weekday. Month and weekday, and all that a dog or a place keeps through a month,
drop out; strata are fixed beforehand, so that no trend within them passes for an effect.

Only days on which the region's practice was open count. Taken out are the days on which this dog
could not have opened an episode whatever happened on :math:`t`: those of an episode that began, or
under a dose that was given, *before* :math:`t`. A visit on such a day is itself left out. Where a
dog's cover is *not known* from some day on, a visit is compared with days of its own kind: one of
unknown cover with days of unknown cover, any other with days that are known not to be covered; what
is the same on all days of a set drops out.

Days that follow *from* the visit (its own episode, the dose given at it) stay: they were as open to
chance as the days before. Taking them out too would leave days before each visit only, and then any
season on the rise reads as an effect of whatever rises with it (Janes et al. 2005, overlap bias); a
test shows it.

References
----------
Maclure M. 1991, Am J Epidemiol 133:144-153. Lumley T. & Levy D. 2000, Environmetrics 11:689-704.
Janes H., Sheppard L. & Lumley T. 2005, Epidemiology 16:717-726.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.errors import ForepawError
from models.weeks import DAYS_IN_WEEK

_MOST_IN_MONTH = 5  # no weekday comes more often in a month
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class CulpritError(ForepawError):
    """What a case-crossover was asked with does not fit together."""


@dataclass(frozen=True)
class RiskSets:
    """Flare visits and the days they are compared with, dogs that have the same days together.

    Attributes
    ----------
    regions
        Ids of the regions.
    region
        Position of the region of each row (a day of a set), shape ``(row,)``.
    day
        Days since 1970-01-01, shape ``(row,)``.
    visits
        Flare visits on that day, shape ``(row,)``.
    first_row
        Where each set begins, shape ``(set,)``.
    given
        Flare visits that were given.
    covered
        Of these, left out because the dog was covered.
    alone
        Of these, left out because their stratum has no other day at risk, or none of known
        exposure.
    """

    regions: tuple[str, ...]
    region: Ints
    day: Ints
    visits: Floats
    first_row: Ints
    given: int
    covered: int
    alone: int

    @property
    def used(self) -> int:
        """Flare visits that are compared with at least one other day."""
        return int(self.visits.sum())

    @property
    def set_of_row(self) -> Ints:
        """Position of each row's set, shape ``(row,)``."""
        sizes = np.diff(np.append(self.first_row, self.day.size))
        return np.repeat(np.arange(self.first_row.size), sizes)

    def total(self, values: Floats) -> Floats:
        """Add up values ``(..., row)`` within each set: ``(..., set)``."""
        return np.asarray(np.add.reduceat(values, self.first_row, axis=-1))

    def keep(self, rows: NDArray[np.bool_]) -> RiskSets:
        """Return the sets without some rows; a set left without a visit or another day goes."""
        kept = np.flatnonzero(rows)
        group = self.set_of_row[kept]
        size = np.bincount(group, minlength=self.first_row.size)
        seen = np.bincount(group, weights=self.visits[kept], minlength=self.first_row.size)
        kept = kept[((size > 1) & (seen > 0))[group]]
        starts = np.flatnonzero(np.diff(self.set_of_row[kept], prepend=-1))
        fewer = replace(
            self,
            region=self.region[kept],
            day=self.day[kept],
            visits=self.visits[kept],
            first_row=starts,
        )
        return replace(fewer, alone=self.alone + self.used - fewer.used)


def risk_sets(
    flares: pd.DataFrame, is_open: xr.DataArray, *, not_at_risk: pd.DataFrame | None = None
) -> RiskSets:
    """Lay the other days of its stratum beside each flare visit.

    Parameters
    ----------
    flares
        A row each flare visit, first of its episode: ``dog``, ``region``, ``date``.
    is_open
        Whether the practice saw patients of a region on a day, bool, dims ``(region, time)``, no
        day left out.
    not_at_risk
        Spans in which a dog could not open an episode: ``dog``, ``first``, ``end`` (the day after
        the last; missing where no end is known), ``known``. Episodes from their first flare visit
        to the end of the flare-free days, and the days under cover; `known` is False where it is
        not known whether the dog was covered.

    Raises
    ------
    CulpritError
        If a region or a day of `flares` is not among those of `is_open`.
    """
    days = is_open.indexes["time"].values.astype("datetime64[D]")
    regions = {str(name): number for number, name in enumerate(is_open["region"].values)}
    _check(flares, regions, days)
    # a day with a flare visit was open, whatever the calendar says
    opened = is_open.transpose("region", "time").values.astype(bool)
    region = flares["region"].map(regions).to_numpy(np.int64)
    day = flares["date"].to_numpy().astype("datetime64[D]")
    opened[region, (day - days[0]).astype(np.int64)] = True
    candidate, may = _same_weekday(day, days, opened[region])
    barred, unsure = _barred(flares["dog"].to_numpy(), day, candidate, not_at_risk)
    own = candidate == day[:, None]
    covered = (barred & own).any(axis=1)
    like = unsure == (unsure & own).any(axis=1, keepdims=True)
    at_risk = (may & ~barred & like)[~covered]
    found = _gathered(region[~covered], candidate[~covered], at_risk, own[~covered])
    whole = RiskSets(tuple(regions), *found, given=len(flares), covered=int(covered.sum()), alone=0)
    return whole.keep(np.ones(whole.day.size, dtype=bool))


def _check(flares: pd.DataFrame, regions: dict[str, int], days: NDArray[np.datetime64]) -> None:
    unknown = sorted(set(flares["region"].astype(str)) - set(regions))
    if unknown:
        raise CulpritError(
            f"flare visits of region {unknown[0]!r} were given, open days of "
            f"{', '.join(regions) or 'none'}; give the open days of each region that has visits"
        )
    dates = flares["date"].to_numpy().astype("datetime64[D]")
    outside = dates[(dates < days[0]) | (dates > days[-1])] if days.size else dates
    if outside.size:
        raise CulpritError(
            f"a flare visit on {outside.min()} was given, open days of "
            f"{f'{days[0]} to {days[-1]}' if days.size else 'no day'}; give the open days of "
            "the whole record"
        )


def _same_weekday(
    day: NDArray[np.datetime64], days: NDArray[np.datetime64], opened: NDArray[np.bool_]
) -> tuple[NDArray[np.datetime64], NDArray[np.bool_]]:
    """Return the days of each visit's month on its weekday (visit, 5), and which were open."""
    month = day.astype("datetime64[M]")
    in_month = (day - month.astype("datetime64[D]")).astype(np.int64)
    first = day - DAYS_IN_WEEK * (in_month // DAYS_IN_WEEK)
    candidate = first[:, None] + DAYS_IN_WEEK * np.arange(_MOST_IN_MONTH)
    at = (candidate - days[0]).astype(np.int64)
    within = (candidate.astype("datetime64[M]") == month[:, None]) & (at >= 0) & (at < days.size)
    open_then = np.take_along_axis(opened, np.clip(at, 0, days.size - 1), axis=1)
    return candidate, within & open_then


def _barred(
    dog: NDArray[np.object_],
    day: NDArray[np.datetime64],
    candidate: NDArray[np.datetime64],
    not_at_risk: pd.DataFrame | None,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Say which days lie in a span of that dog that began before its visit: known, not known."""
    barred, unsure = (np.zeros(candidate.shape, dtype=bool) for _ in range(2))
    if not_at_risk is None or not_at_risk.empty:
        return barred, unsure
    visit = pd.DataFrame({"dog": dog, "visit": np.arange(day.size)})
    pairs = visit.merge(not_at_risk[["dog", "first", "end", "known"]], on="dog")
    number = pairs["visit"].to_numpy(np.int64)
    first = pairs["first"].to_numpy().astype("datetime64[D]")[:, None]
    end = pairs["end"].to_numpy().astype("datetime64[D]")[:, None]
    inside = (candidate[number] >= first) & ((candidate[number] < end) | np.isnat(end))
    inside &= first < day[number][:, None]
    known = pairs["known"].to_numpy(bool)
    np.logical_or.at(barred, number[known], inside[known])
    np.logical_or.at(unsure, number[~known], inside[~known])
    return barred, unsure


def _gathered(
    region: Ints,
    candidate: NDArray[np.datetime64],
    at_risk: NDArray[np.bool_],
    own: NDArray[np.bool_],
) -> tuple[Ints, Ints, Floats, Ints]:
    """Return region, day, visits by row and where sets begin; equal sets are one."""
    mask = at_risk @ (1 << np.arange(_MOST_IN_MONTH))
    first = candidate[:, 0].astype(np.int64)
    keys, group = np.unique(np.stack([region, first, mask]), axis=1, return_inverse=True)
    visits = np.zeros((keys.shape[1], _MOST_IN_MONTH))
    np.add.at(visits, group.ravel(), own.astype(float))
    bits = (keys[2][:, None] >> np.arange(_MOST_IN_MONTH)) & 1 == 1
    set_of_row, place = np.nonzero(bits)
    return (
        keys[0][set_of_row],
        keys[1][set_of_row] + DAYS_IN_WEEK * place,
        visits[bits],
        np.flatnonzero(np.diff(set_of_row, prepend=-1)),
    )
