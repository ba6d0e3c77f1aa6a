"""What past visits tell of the diary: who is seen where, on which day, and what follows a flare."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.practice import Practice
from forecast.records import Records, dated
from forecast.records.branches import branches
from forecast.staffing.desk_numbers import (
    DOSE,
    FLARE,
    FROM_TABLE,
    FROM_VISITS,
    OTHER,
    RECHECK,
    StaffingError,
    table,
)
from forecast.staffing.inputs import BranchHours
from forecast.visits.counting.arrivals import known_visits
from forecast.visits.counting.episodes import FLARE_VISIT, SCHEDULED_DOSE, with_roles
from forecast.visits.counting.placing import placed
from forecast.visits.judging import counting_rule
from models.weeks import DAYS_IN_WEEK, mondays, week_range

_KINDS = (RECHECK, DOSE, OTHER)
ROLE_OF_KIND = {
    FLARE: FLARE_VISIT,
    RECHECK: "recheck",
    DOSE: SCHEDULED_DOSE,
    OTHER: "other",
}  # in its episode


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
        Dims ``(branch, region)``: of the flare visits, and the other consultations, that count in
        a region, the share seen at the branch [1]. What other branches see is left out.
    kind_share
        Dims ``(branch, kind)``: of the consultations other than flare visits, the share that are
        rechecks, planned doses and others [1]; adds up to one.
    weekday_share
        Dims ``(branch, weekday)``, Monday 0; adds up to one [1].
    rechecks_each
        Rechecks that a flare visit causes [1].
    recheck_lag
        Dim ``lag`` [weeks after]: share of these rechecks by week; adds up to one [1].
    recent_flares
        Dims ``(branch, week)``: flare visits of the last weeks, whose rechecks are still to come.
    seen
        Dims ``(kind, branch, week)``: visits of the weeks past; NaN of a branch's week without any.
    told
        Each number with its source.
    """

    flare_share: xr.DataArray
    volume_share: xr.DataArray
    kind_share: xr.DataArray
    weekday_share: xr.DataArray
    rechecks_each: float
    recheck_lag: xr.DataArray
    recent_flares: xr.DataArray
    seen: xr.DataArray
    told: tuple[Told, ...]


def seen_visits(practice: Practice, records: Records, *, today: date) -> pd.DataFrame:
    """Return what was seen before a day: date, branch, dog, role in its episode, region, minutes.

    `role` as `forecast.visits.counting.episodes` has it; a flare of a dog from far off counts in
    no region's flares, and is one of the other consultations here too.
    """
    rule = counting_rule(practice, records)
    known = known_visits(practice, records, known_on=today, more=("minutes",))
    of_branch = {branch.id: branch.region_id for branch in branches(records).values()}
    unknown_home = practice.settings.visits.unknown_home
    seen = placed(known.visits, dated.home_frame(records), of_branch, unknown_home)
    return roles_of(seen, flare_free_days=rule.flare_free_days)


def roles_of(seen: pd.DataFrame, *, flare_free_days: int) -> pd.DataFrame:
    """Return visits (date, branch, dog, kind, region, perhaps apart and minutes) with their role.

    Where there are no minutes they are not known.
    """
    marked = with_roles(seen, flare_free_days=flare_free_days)
    if "apart" in marked:
        is_far = marked["apart"] & (marked["role"] == FLARE_VISIT)
        marked["role"] = marked["role"].mask(is_far, "other")
    marked = marked.assign(minutes=np.nan) if "minutes" not in marked else marked
    return marked[["date", "branch", "dog", "role", "region", "minutes"]]


def learn_patterns(
    seen: pd.DataFrame,
    hours: Mapping[str, BranchHours],
    *,
    regions: Sequence[str],
    today: date,
) -> VisitPatterns:
    """Learn the diary's patterns from past visits.

    Parameters
    ----------
    seen
        As `seen_visits` gives them.
    hours
        The branches to plan.
    regions
        Those of the issue.
    today
        Visits of this day and later are not looked at.

    Raises
    ------
    StaffingError
        If no visit of these branches was seen in the last two years.
    """
    recent = recently_seen(seen, today=today)
    names = list(hours)
    if not recent["branch"].isin(names).any():
        raise StaffingError(
            f"a plan of staff was asked for {', '.join(names)}; no visit there from "
            f"{_recently(today).date()} to {today} is on record, so no load can be told; import "
            "visits"
        )
    is_flare = recent["role"] == FLARE_VISIT
    each, lag, told = _rechecks(recent, today)
    weekday, weekday_told = _weekdays(recent, hours)
    return VisitPatterns(
        flare_share=_share_of_region(recent[is_flare], recent, names, regions),
        volume_share=_share_of_region(recent[~is_flare], recent, names, regions),
        kind_share=_kinds(recent[~is_flare], names),
        weekday_share=weekday,
        rechecks_each=each,
        recheck_lag=lag,
        recent_flares=_recent(recent[is_flare], names, today),
        seen=_seen(recent, names),
        told=(*told, weekday_told, _kinds_told(recent, is_flare)),
    )


def recently_seen(seen: pd.DataFrame, *, today: date) -> pd.DataFrame:
    """Return the visits from which is learnt: those of the last two years before a day."""
    return seen[(seen["date"] >= _recently(today)) & (seen["date"] < pd.Timestamp(today))]


def _recently(today: date) -> pd.Timestamp:
    return pd.Timestamp(today) - pd.Timedelta(weeks=table().number("pattern.recent_weeks"))


def _share_of_region(
    rows: pd.DataFrame, every: pd.DataFrame, names: list[str], regions: Sequence[str]
) -> xr.DataArray:
    """Return (branch, region); a region without such rows is shared as all its visits are."""

    def table_of(frame: pd.DataFrame) -> NDArray[np.float64]:
        crossed = pd.crosstab(frame["branch"], frame["region"])
        total = crossed.sum(axis=0).reindex(list(regions), fill_value=0)
        own = crossed.reindex(index=names, columns=list(regions), fill_value=0)
        with np.errstate(invalid="ignore"):
            return np.asarray(own / total.where(total > 0))

    share, usual = table_of(rows), table_of(every)
    share = np.where(np.isnan(share), np.nan_to_num(usual), share)
    return xr.DataArray(
        share, dims=("branch", "region"), coords={"branch": names, "region": list(regions)}
    )


def _kinds(others: pd.DataFrame, names: list[str]) -> xr.DataArray:
    crossed = pd.crosstab(others["branch"], others["role"])
    wanted = crossed.reindex(
        index=names, columns=[ROLE_OF_KIND[kind] for kind in _KINDS], fill_value=0
    ).to_numpy(dtype=float)
    # a branch that has seen hardly anybody is taken to be as the others: one visit's worth of them
    usual = (wanted.sum(axis=0) + 1e-9) / (wanted.sum() + 3e-9)
    share = (wanted + usual) / (wanted.sum(axis=1, keepdims=True) + 1.0)
    return xr.DataArray(
        share, dims=("branch", "kind"), coords={"branch": names, "kind": list(_KINDS)}
    )


def _kinds_told(recent: pd.DataFrame, is_flare: pd.Series) -> Told:
    share = float((recent.loc[~is_flare, "role"] == "other").mean()) if (~is_flare).any() else 1.0
    return Told(
        "other consultations that are neither recheck nor planned dose",
        f"{100 * share:.0f} %",
        FROM_VISITS,
        f"{int((~is_flare).sum())} consultations",
    )


def _weekdays(recent: pd.DataFrame, hours: Mapping[str, BranchHours]) -> tuple[xr.DataArray, Told]:
    """Return each branch's share by day of the week, shrunk to the practice's."""
    days = recent["date"].dt.day_of_week
    counts = pd.crosstab(recent["branch"], days)
    counts = counts.reindex(index=list(hours), columns=range(DAYS_IN_WEEK), fill_value=0)
    own = counts.to_numpy(dtype=float)
    strength = table().number("pattern.least_visits")
    usual = own.sum(axis=0)
    opens = np.array(
        [[branch_opens(one, day) for day in range(DAYS_IN_WEEK)] for one in hours.values()]
    )
    prior = usual * opens
    prior = np.where(prior.sum(axis=1, keepdims=True) > 0, prior, opens)
    prior = prior / np.maximum(prior.sum(axis=1, keepdims=True), 1e-12)
    share = own * opens + strength * prior
    share = share / np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
    told = Told(
        "how a week's visits lie on its days",
        "by branch",
        FROM_VISITS,
        f"{len(recent)} visits; a branch with few of them leans on the others",
    )
    coords = {"branch": list(hours), "weekday": range(DAYS_IN_WEEK)}
    return xr.DataArray(share, dims=("branch", "weekday"), coords=coords), told


def branch_opens(hours: BranchHours, weekday: int) -> bool:
    """Say whether a branch opens on that day of the week, now or later, or on a day named."""
    a_day = date.fromordinal(weekday + 1)  # 0001-01-01 was a Monday
    by_week = any(as_then.is_open(a_day) for as_then in (hours.branch, *dict(hours.later).values()))
    return by_week or any(day.weekday() == weekday for day in hours.opens_too)


def _rechecks(recent: pd.DataFrame, today: date) -> tuple[float, xr.DataArray, list[Told]]:
    """Return rechecks a flare visit, their weeks after it, and what they rest on."""
    longest = int(table().number("pattern.longest_recheck"))
    named = recent.dropna(subset=["dog"]).sort_values(["dog", "date"], kind="stable")
    is_flare = named["role"] == FLARE_VISIT
    flare_day = named["date"].where(is_flare).groupby(named["dog"]).ffill()
    full = flare_day + pd.Timedelta(weeks=longest + 1) <= pd.Timestamp(today)
    n_flares = int((is_flare & full).sum())
    monday = mondays(named["date"].to_numpy()).astype("datetime64[D]")
    of_flare = mondays(flare_day.dropna().to_numpy()).astype("datetime64[D]")
    after = pd.Series(np.nan, index=named.index)
    after[flare_day.notna()] = (monday[flare_day.notna().to_numpy()] - of_flare).astype(int) / 7
    caused = (named["role"] == "recheck") & full & (after <= longest)
    coords = {"lag": np.arange(longest + 1)}
    if n_flares < table().number("pattern.least_flares"):
        lag = np.zeros(longest + 1)
        usual = np.array(table()["pattern.recheck_lag"].value, dtype=float)
        lag[: len(usual)] = usual
        each = table().number("pattern.recheck_probability")
        why = f"only {n_flares} flare visits are old enough to tell"
        return each, xr.DataArray(lag, dims="lag", coords=coords), _told(each, lag, why, FROM_TABLE)
    count = np.bincount(after[caused].astype(int), minlength=longest + 1).astype(float)
    each = count.sum() / n_flares
    lag = count / count.sum() if count.sum() > 0 else np.eye(1, longest + 1)[0]
    told = _told(each, lag, f"{n_flares} flare visits", FROM_VISITS)
    return each, xr.DataArray(lag, dims="lag", coords=coords), told


def _told(each: float, lag: NDArray[np.float64], why: str, source: str) -> list[Told]:
    mean = float(lag @ np.arange(len(lag)))
    return [
        Told("rechecks a flare visit causes", f"{each:.2f}", source, why),
        Told("weeks from a flare visit to its recheck", f"{mean:.1f} on average", source, why),
    ]


def _recent(flares: pd.DataFrame, names: list[str], today: date) -> xr.DataArray:
    longest = int(table().number("pattern.longest_recheck"))
    this = week_range(today, 1)[0]
    weeks = pd.date_range(end=this - pd.Timedelta(days=DAYS_IN_WEEK), periods=longest, freq="7D")
    at = pd.DatetimeIndex(mondays(flares["date"].to_numpy()).astype("datetime64[ns]"))
    counts = pd.crosstab(flares["branch"].to_numpy(), at)
    held = counts.reindex(index=names, columns=weeks, fill_value=0)
    return xr.DataArray(
        held.to_numpy(dtype=float),
        dims=("branch", "week"),
        coords={"branch": names, "week": weeks},
    )


def _seen(recent: pd.DataFrame, names: list[str]) -> xr.DataArray:
    monday = pd.DatetimeIndex(mondays(recent["date"].to_numpy()).astype("datetime64[ns]"))
    weeks = pd.date_range(monday.min(), monday.max(), freq="7D")
    counts = np.zeros((len(ROLE_OF_KIND), len(names), len(weeks)))
    for number, role in enumerate(ROLE_OF_KIND.values()):
        of_role = (recent["role"] == role).to_numpy()
        crossed = pd.crosstab(recent.loc[of_role, "branch"].to_numpy(), monday[of_role])
        counts[number] = crossed.reindex(index=names, columns=weeks, fill_value=0).to_numpy()
    coords = {"kind": list(ROLE_OF_KIND), "branch": names, "week": weeks}
    array = xr.DataArray(counts, dims=("kind", "branch", "week"), coords=coords)
    return array.where(array.sum("kind") > 0)
