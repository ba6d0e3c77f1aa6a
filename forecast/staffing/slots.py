"""Slots to keep free for dogs that must be seen today, and people at the telephone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from forecast.staffing.desk_numbers import FLARE, PHONE, table
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.workload import Workload
from models.newsvendor import critical_ratio
from models.streams import DrawStreams
from models.waiting import fewest_servers
from models.weeks import DAYS_IN_WEEK

_MINUTES, _SECONDS = 60.0, 3600.0


@dataclass(frozen=True)
class FreeSlots:
    """Same-day slots to keep free on one day; `asked` is how many are expected to be asked for."""

    branch: str
    day: date
    slots: int
    asked: float


@dataclass(frozen=True)
class PhonePeople:
    """People at the telephone in a week's busiest hour.

    Attributes
    ----------
    calls_an_hour
        In the busiest hour of the busiest day, for 90 % of the draws.
    people
        Fewest that take calls as promptly as asked.
    wait_probability
        Probability that a call then waits at all.
    """

    branch: str
    week: date
    calls_an_hour: float
    people: int
    wait_probability: float


def free_slots(
    workload: Workload, inputs: StaffingInputs, *, service: float | None, seed: Sequence[int]
) -> tuple[FreeSlots, ...]:
    """Return how many slots to keep free on each open day for flares that cannot wait.

    In as many futures as `service` says they suffice, or as many as cost least: a slot too few
    loses the visit or makes it wait, one too many wastes some of a vet's minutes.
    """
    level = _slot_level(inputs) if service is None else service
    urgent = table().number("slots.urgent")
    flares = workload.visits.sel(kind=FLARE).transpose("draw", "branch", "week").values
    streams = DrawStreams(seed, len(flares), list(workload.branches))
    found = []
    for w, week in enumerate(workload.weeks):
        days = [week + timedelta(days=n) for n in range(DAYS_IN_WEEK)]
        share = workload.weekday_share.values * [
            [inputs.hours[b].is_open(day) for day in days] for b in workload.branches
        ]
        chances = urgent * share / np.maximum(share.sum(axis=1, keepdims=True), 1e-12)

        def take(
            rng: np.random.Generator, draw: int, branch: int, w: int = w, chances: Any = chances
        ) -> Any:
            rest = np.append(chances[branch], 1.0 - chances[branch].sum())
            return rng.multinomial(round(flares[draw, branch, w]), rest)[:DAYS_IN_WEEK]

        drawn = streams.own(take)
        wanted = np.quantile(drawn, level, axis=0, method="inverted_cdf").astype(int)
        mean = drawn.mean(axis=0)
        found += [
            FreeSlots(branch, day, int(wanted[b, n]), float(mean[b, n]))
            for b, branch in enumerate(workload.branches)
            for n, day in enumerate(days)
            if inputs.hours[branch].is_open(day)
        ]
    return tuple(sorted(found, key=lambda one: (one.branch, one.day)))


def _slot_level(inputs: StaffingInputs) -> float:
    leaving = table().number("overflow.turned_away")
    prices = inputs.prices
    short = leaving * prices.turned_away[FLARE] + (1.0 - leaving) * prices.waiting_week
    minutes = inputs.minutes_of(FLARE, "vet", "").number
    idle = table().number("slots.idle_minutes") * minutes / _MINUTES * prices.idle_hour["vet"]
    return critical_ratio(shortage_cost=max(short, 1e-9), surplus_cost=max(idle, 1e-9))


def phone_people(workload: Workload) -> tuple[PhonePeople, ...]:
    """Return who must be at the telephone in each week's busiest hour (Erlang's delay formula).

    Calls come at random, so this is where a waiting line is the right picture. At a branch whose
    calls take the desk no time there is nothing to say.
    """
    number = table().number
    calls = workload.visits.sel(kind=PHONE).transpose("branch", "week", "draw").values
    high = np.quantile(calls, 0.9, axis=-1)
    found = []
    for b, branch in enumerate(workload.branches):
        minutes = float(workload.minutes_each.sel(kind=PHONE, role="desk", branch=branch))
        if minutes <= 0.0:
            continue
        busiest = float(workload.weekday_share.sel(branch=branch).max()) * number(
            "phone.busiest_hour"
        )
        for w, week in enumerate(workload.weeks):
            line = fewest_servers(
                float(high[b, w]) * busiest,
                served=_MINUTES / minutes,
                within=number("phone.within_seconds") / _SECONDS,
                probability=number("phone.answered"),
            )
            found.append(
                PhonePeople(branch, week, line.arrivals, line.servers, line.wait_probability)
            )
    return tuple(found)
