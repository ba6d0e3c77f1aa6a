"""From an issue's draws to visits and minutes, by role, branch, week and weekday.

The issue holds flare visits and all other consultations of each region. They are shared out over
the branches that see them; of the other consultations, rechecks are taken out and put in again as
what the drawn flares cause, so that nothing counts twice and a bad season is followed by its
rechecks. Planned doses are the usual ones, or those of signed plans where they are more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.staffing.desk_numbers import (
    DOSE,
    FLARE,
    KINDS,
    OTHER,
    PHONE,
    RECHECK,
    ROLES,
    StaffingError,
    table,
)
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.patterns import Told, VisitPatterns
from forecast.staffing.visit_lengths import minutes_told
from models.streams import DrawStreams
from models.weeks import DAYS_IN_WEEK, mondays

Array = NDArray[np.float64]


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
        Dims ``(kind, role, branch)`` [min].
    weekday_share
        Dims ``(branch, weekday)``, Monday 0 [1].
    told
        Where each number is from.
    """

    visits: xr.DataArray
    missed: xr.DataArray
    minutes_each: xr.DataArray
    weekday_share: xr.DataArray
    told: tuple[Told, ...] = ()

    @property
    def bookable(self) -> xr.DataArray:
        """Visits that take room in the diary: all kinds but phone calls."""
        return self.visits.sel(kind=[kind for kind in KINDS if kind != PHONE])

    @property
    def first(self) -> xr.DataArray:
        """Minutes that come before all visits: telephone, and missed appointments.

        Dims ``(role, draw, branch, week)`` [min].
        """
        each, order = self.minutes_each, ("role", "draw", "branch", "week")
        calls = self.visits.sel(kind=PHONE, drop=True) * each.sel(kind=PHONE, drop=True)
        lost = table().number("pattern.no_show_minutes")
        return (calls + lost * (self.missed * each).sum("kind")).transpose(*order)

    @property
    def minutes(self) -> xr.DataArray:
        """Minutes of the week's own visits, dims ``(role, draw, branch, week)`` [min]."""
        each, order = self.minutes_each, ("role", "draw", "branch", "week")
        return (self.bookable * each).sum("kind").transpose(*order) + self.first

    @property
    def weeks(self) -> tuple[date, ...]:
        """Mondays."""
        return tuple(pd.Timestamp(week).date() for week in self.visits["week"].values)

    @property
    def branches(self) -> tuple[str, ...]:
        """Branch ids."""
        return tuple(str(branch) for branch in self.visits["branch"].values)

    def minutes_by_day(self, inputs: StaffingInputs) -> xr.DataArray:
        """Return mean minutes by day, dims ``(role, branch, week, weekday)``.

        A day closed out of turn gives its share to the days of its week that open; of a week with
        none, all is 0 here and what comes then waits.
        """
        opens = np.array(
            [
                [
                    [
                        inputs.hours[branch].is_open(week + timedelta(days=n))
                        for n in range(DAYS_IN_WEEK)
                    ]
                    for week in self.weeks
                ]
                for branch in self.branches
            ]
        )
        mean = self.minutes.mean("draw")
        is_open = xr.DataArray(opens, dims=("branch", "week", "weekday"))
        share = self.weekday_share.drop_vars(["branch", "weekday"]) * is_open
        total = share.sum("weekday")
        share = (share / total.where(total > 0)).fillna(0.0)
        return (mean * share.assign_coords(branch=mean["branch"], week=mean["week"])).transpose(
            "role", "branch", "week", "weekday"
        )


def workload_of(
    issued: xr.Dataset,
    patterns: VisitPatterns,
    inputs: StaffingInputs,
    *,
    weeks: Sequence[date],
    seed: Sequence[int],
) -> Workload:
    """Return the load of some weeks from an issue's draws.

    Parameters
    ----------
    issued
        With ``visits`` and ``consultations``, dims ``(region, week, draw)``.
    patterns
        What past visits tell.
    inputs
        What the desk says.
    weeks
        Mondays, one after the other, from a week of the issue on.
    seed
        Whole numbers; the same give the same draws.

    Raises
    ------
    StaffingError
        If the issue holds no draws of visits, not these weeks, or nothing of a region in which a
        branch's visits lie.
    """
    issued = _checked(issued, patterns, weeks)
    opens = _open_share(issued, patterns, inputs)
    flares, others = (
        _shared_out(issued[name], share, opens, seed=[*seed, number])
        for number, (name, share) in enumerate(
            (("visits", patterns.flare_share), ("consultations", patterns.volume_share))
        )
    )
    names, draws = [str(b) for b in patterns.kind_share["branch"].values], issued.sizes["draw"]
    streams = DrawStreams([*seed, 2], draws, names)
    kinds = _kinds(others, patterns, streams)
    held = {
        FLARE: flares,
        RECHECK: _rechecks(flares, patterns, streams),
        DOSE: np.maximum(kinds[DOSE], _planned(issued, names, inputs)),
        OTHER: kinds[OTHER],
    }
    missed = {kind: _missed(held[kind], kind, streams) for kind in held}
    a_visit = table().number("pattern.calls_a_visit")
    all_visits = np.sum(list(held.values()), axis=0)
    held[PHONE] = streams.own(lambda rng, d, b: rng.poisson(a_visit * all_visits[d, b]))
    missed[PHONE] = np.zeros_like(flares)
    coords = {
        "kind": list(KINDS),
        "draw": np.arange(draws),
        "branch": names,
        "week": issued["week"].values,
    }
    dims = ("kind", "draw", "branch", "week")
    visits, gone = (
        xr.DataArray(np.stack([of[kind] for kind in KINDS]).astype(float), dims=dims, coords=coords)
        for of in (held, missed)
    )
    wanted = pd.DatetimeIndex(list(weeks))
    return Workload(
        visits.sel(week=wanted),
        gone.sel(week=wanted),
        minutes_table(inputs, names),
        patterns.weekday_share,
        (*patterns.told, *_told(inputs)),
    )


def load_that_came(
    seen: xr.DataArray, like: Workload, inputs: StaffingInputs, *, weeks: Sequence[date]
) -> Workload | None:
    """Return the load of weeks past as one draw, as `like` has it; None where none was seen.

    Parameters
    ----------
    seen
        As `VisitPatterns.seen`. A branch's week without a visit is taken as the mean of its others,
        since it was not reported.
    like
        Gives branches, minutes and, as its weeks, the names under which the past ones go.
    weeks
        Mondays of the past, as many as `like` has weeks.
    """
    names = list(like.branches)
    past = seen.sel(branch=names).reindex(week=pd.DatetimeIndex(list(weeks)))
    if not bool(past.notnull().any("kind").any("week").all()):
        return None
    past = past.fillna(past.mean("week"))
    comes = 1.0 - table().number("pattern.no_show")
    bookable = [kind for kind in KINDS if kind != PHONE]
    visits, missed = (xr.zeros_like(like.visits.isel(draw=[0])) for _ in range(2))
    for kind in bookable:
        visits.loc[{"kind": kind}] = past.sel(kind=kind).values[None]
        lost = (1.0 - comes) / comes if kind in _missable() else 0.0
        missed.loc[{"kind": kind}] = lost * past.sel(kind=kind).values[None]
    calls = table().number("pattern.calls_a_visit") * past.sel(kind=bookable).sum("kind")
    visits.loc[{"kind": PHONE}] = calls.values[None]
    return Workload(visits, missed, minutes_table(inputs, names), like.weekday_share)


def minutes_table(inputs: StaffingInputs, names: Sequence[str]) -> xr.DataArray:
    """Return the minutes of each visit, dims ``(kind, role, branch)`` [min]."""
    values = [
        [[inputs.minutes_of(kind, role, name).number for name in names] for role in ROLES]
        for kind in KINDS
    ]
    coords = {"kind": list(KINDS), "role": list(ROLES), "branch": list(names)}
    return xr.DataArray(values, dims=("kind", "role", "branch"), coords=coords)


def _checked(issued: xr.Dataset, patterns: VisitPatterns, weeks: Sequence[date]) -> xr.Dataset:
    if "visits" not in issued or "consultations" not in issued:
        raise StaffingError(
            "a plan of staff was asked and the issue holds no draws of visits; either the practice "
            "has too few visits on record, or its draws are no longer kept: issue a forecast anew"
        )
    held = pd.DatetimeIndex(issued["week"].values)
    missing = [week for week in weeks if pd.Timestamp(week) not in held]
    if missing or not weeks:
        raise StaffingError(
            f"a plan of staff was asked for {len(weeks)} weeks, from {weeks[0] if weeks else '-'}; "
            f"the issue holds {held[0].date()} to {held[-1].date()}: ask for fewer weeks, or issue "
            "a forecast anew"
        )
    upto = issued.sel(week=slice(None, pd.Timestamp(weeks[-1])))
    upto = upto[["visits", "consultations"]].transpose("draw", "region", "week")
    is_known = upto["visits"].notnull().all(("draw", "week")).values
    used = (patterns.volume_share.sel(region=upto["region"]) > 0).values
    if (unknown := used & ~is_known).any():
        branch, region = (int(at[0]) for at in np.nonzero(unknown))
        raise StaffingError(
            f"a plan of staff was asked for {patterns.volume_share['branch'].values[branch]}; the "
            f"issue holds no visits of {upto['region'].values[region]}, where its dogs live: leave "
            "the branch out, or wait until two years of visits are on record"
        )
    return upto


def _open_share(issued: xr.Dataset, patterns: VisitPatterns, inputs: StaffingInputs) -> Array:
    """Return the share of its usual days on which a branch opens, shape ``(branch, week)``.

    An issue's visits of a region are fewer by what closures on record take; what is left comes to
    the branches that are open.
    """
    weeks = [pd.Timestamp(week).date() for week in issued["week"].values]
    found = np.ones((len(patterns.kind_share["branch"]), len(weeks)))
    for row, branch in enumerate(str(b) for b in patterns.kind_share["branch"].values):
        hours = inputs.hours[branch]
        usual = replace(hours, closed=frozenset())
        for column, week in enumerate(weeks):
            if days := len(usual.open_days(week)):
                found[row, column] = len(hours.open_days(week)) / days
    return found


def _shared_out(
    drawn: xr.DataArray, share: xr.DataArray, opens: Array, *, seed: list[int]
) -> Array:
    """Share each region's visits over its branches as they open, shape ``(draw, branch, week)``."""
    regions = [str(region) for region in drawn["region"].values]
    counts = np.nan_to_num(np.rint(drawn.values)).astype(np.int64)
    of_region = share.sel(region=regions).transpose("region", "branch").values
    elsewhere = np.clip(1.0 - of_region.sum(axis=1), 0.0, None)
    open_now = of_region[:, None, :] * opens.T  # region, week, branch
    none_opens = open_now.sum(axis=2, keepdims=True) == 0
    here = np.where(none_opens, of_region[:, None, :], open_now)
    apart = np.broadcast_to(elsewhere[:, None, None], (*here.shape[:2], 1))
    chances = np.concatenate([here, apart], axis=2)
    chances = chances / chances.sum(axis=2, keepdims=True)
    streams = DrawStreams(seed, len(counts), regions)
    placed = streams.own(lambda rng, d, r: rng.multinomial(counts[d, r], chances[r]))
    return np.asarray(placed.sum(axis=1).transpose(0, 2, 1)[:, :-1], dtype=float)


def _kinds(others: Array, patterns: VisitPatterns, streams: DrawStreams) -> dict[str, Array]:
    share = patterns.kind_share
    chances = share.values
    counts = others.astype(np.int64)
    told = streams.own(lambda rng, d, b: rng.multinomial(counts[d, b], chances[b]))
    return {
        str(kind): told[..., number].astype(float)
        for number, kind in enumerate(share["kind"].values)
    }


def _rechecks(flares: Array, patterns: VisitPatterns, streams: DrawStreams) -> Array:
    """Return the rechecks that drawn flares and those of the last weeks cause, as `flares`."""
    past = patterns.recent_flares.values
    n_past, n_weeks = past.shape[1], flares.shape[2]
    lags = patterns.recheck_lag.values
    surely, chance = divmod(patterns.rechecks_each, 1.0)

    def take(rng: np.random.Generator, draw: int, branch: int) -> NDArray[np.int64]:
        causes = np.concatenate([past[branch], flares[draw, branch]]).astype(np.int64)
        caused = int(surely) * causes + rng.binomial(causes, chance)
        by_lag = rng.multinomial(caused, lags)
        found = np.zeros(n_past + n_weeks + len(lags), dtype=np.int64)
        for lag in range(len(lags)):
            found[lag : lag + len(causes)] += by_lag[:, lag]
        return found[n_past : n_past + n_weeks]

    return np.asarray(streams.own(take), dtype=float)


def _planned(issued: xr.Dataset, names: list[str], inputs: StaffingInputs) -> Array:
    """Return the doses of signed plans, shape ``(branch, week)``."""
    found = np.zeros((len(names), issued.sizes["week"]))
    at = {pd.Timestamp(w): n for n, w in enumerate(issued["week"].values)}
    for day, branch in inputs.planned_doses:
        week = at.get(pd.Timestamp(mondays(np.array([day], dtype="datetime64[D]"))[0]))
        if week is not None and branch in names:
            found[names.index(branch), week] += 1.0
    return found


def _missed(counts: Array, kind: str, streams: DrawStreams) -> Array:
    """Return booked visits to which nobody comes: failures before as many successes."""
    if kind not in _missable():
        return np.zeros_like(counts)
    comes = 1.0 - table().number("pattern.no_show")

    def take(rng: np.random.Generator, draw: int, branch: int) -> NDArray[np.int64]:
        seen = counts[draw, branch]
        # numpy asks for at least one success
        missed = rng.negative_binomial(np.maximum(seen, 1), comes)
        return np.where(seen > 0, missed, 0)

    return np.asarray(streams.own(take), dtype=float)


def _missable() -> list[str]:
    kinds = table()["pattern.no_show_kinds"].value
    assert isinstance(kinds, list)
    return [str(kind) for kind in kinds]


def _told(inputs: StaffingInputs) -> list[Told]:
    number = table().number
    found = [
        Told("booked visits to which nobody comes", f"{100 * number('pattern.no_show'):.0f} %"),
        Told("calls for each visit", f"{number('pattern.calls_a_visit'):g}"),
        Told("share of a shift that can be booked", f"{100 * number('overflow.bookable'):.0f} %"),
        Told(
            "visits without room that go elsewhere, the others wait a week",
            f"{100 * number('overflow.turned_away'):.0f} %",
        ),
    ]
    silent = len({one.id for one in inputs.staff if one.overtime_hours is None})
    if silent:
        hours = f"{number('shift.overtime_hours'):g} h a week at most"
        who = "1 person" if silent == 1 else f"{silent} people"
        found.append(Told("time over the contract", hours, why=f"of {who} the desk says nothing"))
    return [*found, *minutes_told(inputs)]
