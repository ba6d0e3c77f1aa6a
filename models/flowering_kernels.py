"""The hot loops of development towards flowering, compiled; wrapped by `models.season.families`.

Each parameter set of each family is walked through a season day by day, its sum in a register, and
left at the day of flowering. Seasons in progress are walked once to the day they are known to, and
from that state on along the weather of every year that continues them.

Nothing here knows a label, a unit or a table; equations, sources and validity stand in
`models.season.families`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.kernels import compiled

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

# Codes of a set: the rate of a day, and the family whose start is told by chill.
RATE_THERMAL, RATE_SIGMOID, RATE_EXPONENTIAL = range(3)
FAMILY_SEQUENTIAL = 4

_CHILL_UNIT = 10.0  # chill effects are stated for each ten days
_TINY = 1e-9
_NEVER = 1e250  # a requirement that no sum meets


class FloweringPlan(NamedTuple):
    """Parameter sets of families of development, and what they share.

    Attributes
    ----------
    sets
        Dims (set, field), fields in the order of `models.season.families.FIELDS`.
    chill_lower, chill_optimum, chill_upper
        Corners of the triangular rate of chilling [degC].
    ceiling
        Temperature above which exponential forcing rises no further [degC].
    earliest_release
        Day before which the sequential family does not count warmth [d].
    """

    sets: _Array
    chill_lower: float
    chill_optimum: float
    chill_upper: float
    ceiling: float
    earliest_release: int


class SeasonRows(NamedTuple):
    """Daily extremes of seasons, dims (row, day) [degC], and the light of their days.

    Attributes
    ----------
    tasmin, tasmax
        Day 0 is the first of the season.
    light
        Logarithm of the day length over that which counts as one, dims (place, day) [1].
    place
        Row of `light` of each season.
    """

    tasmin: _Array
    tasmax: _Array
    light: _Array
    place: _Whole


@compiled
def _pace(one: _Array, low: float, high: float, light: float, plan: FloweringPlan) -> float:
    """Development of a day by one parameter set; `light` is the logarithm of its light."""
    temperature = one[2] * high + (1.0 - one[2]) * low
    if one[1] == RATE_EXPONENTIAL:
        capped = temperature if temperature < plan.ceiling else plan.ceiling
        return math.exp(one[7] * capped + one[8] * light)
    if one[1] == RATE_SIGMOID:
        pace = 1.0 / (1.0 + math.exp(-one[5] * (temperature - one[6])))
    else:
        pace = temperature - one[4]
        # never quite zero: a sum that stands still would have no single crossing
        pace = pace if pace > _TINY else _TINY
    if one[8] != 0.0:
        pace *= math.exp(one[8] * light)
    return float(pace)


@compiled
def _chill_day(low: float, high: float, plan: FloweringPlan) -> float:
    mean = 0.5 * (low + high)
    rising = (mean - plan.chill_lower) / (plan.chill_optimum - plan.chill_lower)
    falling = (plan.chill_upper - mean) / (plan.chill_upper - plan.chill_optimum)
    rate = rising if rising < falling else falling
    return rate if rate > 0.0 else 0.0


@compiled
def gathered_chill(plan: FloweringPlan, tasmin: _Array, tasmax: _Array) -> _Array:
    """Chill days gathered by the end of each day, dims (row, day) [d]."""
    gathered = np.empty(tasmin.shape)
    for row in range(tasmin.shape[0]):
        total = 0.0
        for day in range(tasmin.shape[1]):
            total += _chill_day(tasmin[row, day], tasmax[row, day], plan)
            gathered[row, day] = total
    return gathered


@compiled
def _develop(
    one: _Array,
    row: int,
    rows: SeasonRows,
    plan: FloweringPlan,
    first: int,
    stop: int,
    added: tuple[_Array, float, _Array, float],
    state: tuple[float, float, float],
) -> tuple[float, float, float, float]:
    """Carry one set on from a state; return the state and the day of flowering, NaN before it.

    The state is the sum, the chill, and the requirement: negative until warmth counts. `added` to
    the temperature of a day are two patterns over days, each with how much of it.
    """
    total, chilled, threshold = state
    warmer, years, fading, excess = added
    sequential = one[0] == FAMILY_SEQUENTIAL
    chills = sequential or one[9] != 0.0
    light = rows.light[rows.place[row]]
    for day in range(first, stop):
        more = years * warmer[day] + excess * fading[day]
        low = rows.tasmin[row, day] + more
        high = rows.tasmax[row, day] + more
        if threshold < 0.0:
            if chills:
                chilled += _chill_day(low, high, plan)
            if sequential:
                if day < plan.earliest_release or chilled < one[10]:
                    continue
                threshold = one[12]
            else:
                if day < one[3]:
                    continue
                threshold = one[12] * math.exp(-one[9] * (chilled - one[11]) / _CHILL_UNIT)
        pace = _pace(one, low, high, light[day], plan)
        if total + pace >= threshold:
            return total, chilled, threshold, day + (threshold - total) / pace - 0.5
        total += pace
    return total, chilled, threshold, np.nan


@compiled
def flowering_of_traces(
    plan: FloweringPlan,
    rows: SeasonRows,
    own: _Whole,
    known: _Whole,
    lenders: _Whole,
    years: _Array,
    warmer: _Array,
    excess: _Array,
    fading: _Array,
    found: _Array,
) -> None:
    """Walk seasons that are known to a day and continued with the days of other seasons.

    Parameters
    ----------
    plan, rows
        What develops, and the weather.
    own, known
        Row of each season, and the first day of it that is not known.
    lenders
        Rows that continue it, dims (season, trace).
    years
        Years that each lender lies before it, same dims.
    warmer
        Warming of each day of the season, dims (day,) [K year-1].
    excess
        How much warmer the season was than each lender just before the issue day, dims (season,
        trace) [K].
    fading
        Share of it that is left on each day of the season, dims (day,) [1].
    found
        Written: day of flowering, dims (season, trace, set) [d]; NaN where it is not reached.
    """
    length = rows.tasmin.shape[1]
    for season in range(own.size):
        for index in range(plan.sets.shape[0]):
            one, stop = plan.sets[index], known[season]
            start = (0.0, 0.0, -1.0)
            total, chilled, threshold, day = _develop(
                one, own[season], rows, plan, 0, stop, (warmer, 0.0, fading, 0.0), start
            )
            for trace in range(lenders.shape[1]):
                if not math.isnan(day):
                    found[season, trace, index] = day
                    continue
                state = (total, chilled, threshold)
                added = (warmer, years[season, trace], fading, excess[season, trace])
                row = lenders[season, trace]
                _, _, _, flowers = _develop(one, row, rows, plan, stop, length, added, state)
                found[season, trace, index] = flowers


@compiled
def development_at(
    plan: FloweringPlan, rows: SeasonRows, day: _Array, near: int, reached: _Array, pace: _Array
) -> None:
    """Walk seasons to observed days, for the requirement that would have been met on them.

    Parameters
    ----------
    plan
        What develops; its requirements are not read.
    rows
        One season an observation.
    day
        Observed day of each [d].
    near
        Days on either side over which the pace is taken [d].
    reached, pace
        Written, dims (set, observation): the requirement met at noon of the observed day (not
        above zero where warmth did not yet count), and how much of it a day brings there.
    """
    length = rows.tasmin.shape[1]
    none = np.zeros(length)
    for index in range(plan.sets.shape[0]):
        one = plan.sets[index].copy()
        one[12] = _NEVER
        for row in range(day.size):
            at = int(np.round(day[row]))
            stops = (max(at - near, 0), at, min(at + 1, length), min(at + near + 1, length))
            state, first, totals = (0.0, 0.0, -1.0), 0, np.empty(4)
            for step in range(4):
                total, chilled, threshold, _ = _develop(
                    one, row, rows, plan, first, stops[step], (none, 0.0, none, 0.0), state
                )
                state, first, totals[step] = (total, chilled, threshold), stops[step], total
            scale, begun = state[2] / _NEVER, totals[2] > 0.0
            reached[index, row] = 0.5 * (totals[1] + totals[2]) / scale if begun else 0.0
            width = stops[3] - stops[0]
            pace[index, row] = (totals[3] - totals[0]) / width / scale if begun else 0.0
