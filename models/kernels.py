"""The hot loops of the seasons, compiled: one implementation, wrapped by the rooms above.

Two layers. *Day formulas* (degree days, hours below a threshold, Utah units, day length) are
offered as numpy universal functions, which `models.heat`, `models.chill` and `models.daylength`
label, guard and document; the equations and their sources stand there. *Passes* walk each place's
days once for many allergens and keep the running sums in registers: `season_pass` for the seasons
that a running sum drives, `read_seasons` for the dates read off a daily rate or exposure.

Nothing here knows a label, a unit or a table: arrays in, arrays out, places first and days last.
Compiled code is kept beside this file or in the user's cache folder, so that only the first run on
a machine pays for compiling. Sums are taken in the order of the days, in double precision, so a run
gives the same bytes again on the same kind of processor.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]
_Function = TypeVar("_Function", bound=Callable[..., Any])

# Codes of a plan: what warms, what chills, what happens above an upper threshold.
HEAT_MEAN, HEAT_MAXIMUM, HEAT_SINE, HEAT_HOURS, DEVELOPMENT = range(5)
CHILL_NONE, CHILL_HOURS_BELOW, CHILL_UTAH = range(3)
HORIZONTAL, INTERMEDIATE, VERTICAL = range(3)

_HOURS_IN_DAY = 24.0


class SeasonPlan(NamedTuple):
    """What a pass is to work out, one entry an allergen along the first axis.

    Attributes
    ----------
    heat, chill
        Codes of what warms and what chills.
    base, optimum
        Base temperature, and for development the temperature of full speed [degC].
    critical_day, optimal_day
        For development the day lengths at which it stands still and is not slowed [h].
    chill_threshold, chill_sum
        Temperature below which an hour chills [degC], and chilling asked for [h or 1].
    chill_days
        Days after the start of the window from which warmth counts whatever the cold [d].
    onset
        Sum at which half of the plants have started.
    ends
        Ends of the pieces of the released fraction, rising, dims (allergen, piece + 1).
    cubics
        The released fraction within a piece, as polynomial of the share of the piece that is
        passed, constant first, dims (allergen, piece, 4).
    windows
        First position and position after the last of each window, dims (hemisphere, allergen,
        window, 2), north first.
    n_windows
        How many of them are meant, dims (hemisphere, allergen).
    """

    heat: _Whole
    chill: _Whole
    base: _Array
    optimum: _Array
    critical_day: _Array
    optimal_day: _Array
    chill_threshold: _Array
    chill_sum: _Array
    chill_days: _Whole
    onset: _Array
    ends: _Array
    cubics: _Array
    windows: _Whole
    n_windows: _Whole


class PlaceWeather(NamedTuple):
    """Temperature by place and day, and the light of each day.

    Attributes
    ----------
    tas, tasmax, tasmin
        Dims (place, day) [degC]; what no allergen of the plan reads may be of size zero.
    daylight
        Day length, dims (row, day) [h]; may be of size zero where no allergen reads it.
    daylight_row
        Row of each place in `daylight`.
    hemisphere
        0 north, 1 south of the equator, by place.
    utah_limits, utah_units
        Classes of the Utah units [degC, h-1].
    """

    tas: _Array
    tasmax: _Array
    tasmin: _Array
    daylight: _Array
    daylight_row: _Whole
    hemisphere: _Whole
    utah_limits: _Array
    utah_units: _Array


def compiled(function: _Function) -> _Function:
    """Compile on first use; kept between processes where a folder for it can be written."""
    try:
        compiled = numba.njit(function, cache=True, nogil=True, error_model="numpy")
    except RuntimeError:  # no such folder: compiled anew in each process
        compiled = numba.njit(function, nogil=True, error_model="numpy")
    return cast(_Function, compiled)


def _universal(n_inputs: int) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Make a numpy universal function of doubles from a formula on numbers."""
    signature = [numba.float64(*[numba.float64] * n_inputs)]

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        vectorize: Any = numba.vectorize  # its own types are not complete
        try:
            compiled = vectorize(signature, cache=True)(function)
        except RuntimeError:
            compiled = vectorize(signature)(function)

        @functools.wraps(function)
        def quiet(*arguments: Any) -> Any:
            # compiled code may divide ahead of the branch that would have forbidden it; the value
            # is dropped, but the processor's flag would still raise numpy's warning
            with np.errstate(all="ignore"):
                return compiled(*arguments)

        return quiet

    return decorate


# Day formulas. Comparisons are written so that a missing value falls through them and comes out
# missing.


@compiled
def _over(mean: float, base: float, upper: float) -> float:
    """Degree days of one temperature over a base, capped."""
    if math.isnan(upper):
        return upper
    capped = upper if mean > upper else mean
    return 0.0 if capped < base else capped - base


@compiled
def _above(mean: float, amplitude: float, threshold: float) -> tuple[float, float]:
    """Degree days of a sine above a threshold, and the share of the day spent above it."""
    distance = threshold - mean
    if distance >= amplitude:
        return 0.0, 0.0
    if distance <= -amplitude:
        return -distance, 1.0
    ratio = distance / amplitude
    angle = 0.5 * math.pi - math.asin(ratio)
    excess = (amplitude * math.sqrt(1.0 - ratio * ratio) - distance * angle) / math.pi
    return excess, angle / math.pi


@compiled
def _hours_below(high: float, low: float, threshold: float) -> float:
    """Hours that a sine between the extremes spends below a threshold."""
    distance, amplitude = threshold - 0.5 * (high + low), 0.5 * abs(high - low)
    if amplitude == 0.0:  # an hour at the threshold itself is not below it
        return _HOURS_IN_DAY if distance > 0.0 else 0.0
    if distance >= amplitude:
        return _HOURS_IN_DAY
    if distance <= -amplitude:
        return 0.0
    return _HOURS_IN_DAY * (0.5 + math.asin(distance / amplitude) / math.pi)


@compiled
def _utah(high: float, low: float, limits: _Array, units: _Array) -> float:
    total = float(units[-1]) * _HOURS_IN_DAY
    for index in range(limits.size):
        total += (units[index] - units[index + 1]) * _hours_below(high, low, limits[index])
    return total


@compiled
def _ramp(value: float, zero: float, one: float) -> float:
    share = (value - zero) / (one - zero)
    if share < 0.0:
        return 0.0
    return 1.0 if share > 1.0 else share


@_universal(3)
def degree_days_of_mean(mean: float, base: float, upper: float) -> float:
    """Mean, base, upper; see `models.heat.degree_days_mean`."""
    return _over(mean, base, upper)


@_universal(4)
def degree_days_of_average(high: float, low: float, base: float, upper: float) -> float:
    """Maximum, minimum, base, upper; see `models.heat.degree_days_average`."""
    warm = upper if high > upper else high
    cold = upper if low > upper else low
    return _over(0.5 * (warm + cold), base, upper)


@_universal(4)
def degree_days_of_truncated(high: float, low: float, base: float, upper: float) -> float:
    """Maximum, minimum, base, upper; see `models.heat.degree_days_truncated`."""
    return 0.5 * (_over(high, base, upper) + _over(low, base, upper))


@_universal(5)
def degree_days_of_sine(high: float, low: float, base: float, upper: float, cutoff: float) -> float:
    """Maximum, minimum, base, upper, code of the cut-off; see `models.heat.degree_days_sine`."""
    mean, amplitude = 0.5 * (high + low), 0.5 * abs(high - low)
    total, _ = _above(mean, amplitude, base)
    beyond, share = _above(mean, amplitude, upper)
    total -= 2.0 * beyond if cutoff == INTERMEDIATE else beyond
    if cutoff == VERTICAL and share > 0.0:
        total -= (upper - base) * share
    if math.isnan(upper):
        return upper
    return 0.0 if total < 0.0 else total


@_universal(3)
def hours_below(high: float, low: float, threshold: float) -> float:
    """Maximum, minimum, threshold; see `models.chill.chilling_hours`."""
    return _hours_below(high, low, threshold)


@_universal(5)
def daylight_hours(
    sine: float, cosine: float, sine_of_sun: float, cosine_of_sun: float, sine_below: float
) -> float:
    """Sine and cosine of latitude and declination, sine of the sun angle; see `models.daylength`.

    They come as sines and cosines, so that each is worked out once a latitude and once a day.
    """
    angle = (sine_below + sine * sine_of_sun) / (cosine * cosine_of_sun)
    if angle >= 1.0:
        return _HOURS_IN_DAY
    if angle <= -1.0:
        return 0.0
    return _HOURS_IN_DAY * (1.0 - math.acos(angle) / math.pi)


def utah_units_of_extremes(high: _Array, low: _Array, *, limits: _Array, units: _Array) -> _Array:
    """Utah units of each day from its extremes, any dims; see `models.chill.utah_units_of_day`."""
    high, low = np.broadcast_arrays(high, low)
    flat = _utah_of_days(high.ravel(), low.ravel(), limits, units)
    return np.asarray(flat.reshape(high.shape))


@compiled
def _utah_of_days(high: _Array, low: _Array, limits: _Array, units: _Array) -> _Array:
    found = np.empty(high.size)
    for day in range(high.size):
        found[day] = _utah(high[day], low[day], limits, units)
    return found


# Passes.


@compiled
def season_pass(weather: PlaceWeather, plan: SeasonPlan, rate: _Array, onset: _Array) -> None:
    """Walk every place's seasons once and write what the plan asks for.

    Parameters
    ----------
    weather, plan
        What is known, and what is asked.
    rate
        Written: share of its season on each day, dims (allergen, place, day) [d-1]. Zero on the
        way in; NaN comes out where a running sum is not known. Of size zero where only onsets are
        asked for.
    onset
        Written: position on the axis of days at which the sum reaches the onset, part days
        counting, dims (allergen, place, window) [d]. NaN where it is not known, infinite where
        the window passes without it.
    """
    for place in range(weather.hemisphere.size):
        hemisphere = weather.hemisphere[place]
        for allergen in range(plan.heat.size):
            for window in range(plan.n_windows[hemisphere, allergen]):
                first, stop = plan.windows[hemisphere, allergen, window]
                onset[allergen, place, window] = _walk(
                    place, allergen, first, stop, weather, plan, rate
                )


@compiled
def _walk(
    place: int,
    allergen: int,
    first: int,
    stop: int,
    weather: PlaceWeather,
    plan: SeasonPlan,
    rate: _Array,
) -> float:
    """Walk one window of one place, until the season is over; return its onset."""
    n_days = max(weather.tas.shape[1], weather.tasmax.shape[1])
    season_end, onset_sum = plan.ends[allergen, -1], plan.onset[allergen]
    total, released, chilled, onset = 0.0, 0.0, 0.0, np.inf
    unknown = first < 0
    resting = plan.chill[allergen] != CHILL_NONE
    for day in range(max(first, 0), min(stop, n_days)):
        resting = resting and day - first < plan.chill_days[allergen]
        added = 0.0
        if resting:
            cold = _chill(place, day, allergen, weather, plan)
            unknown = unknown or math.isnan(cold)
            if not math.isnan(cold):
                chilled = max(0.0, chilled + cold)
            # warmth counts from the day after the chilling is met
            resting = chilled < plan.chill_sum[allergen]
        else:
            added = _warmth(place, day, allergen, weather, plan)
            unknown = unknown or math.isnan(added)
            if math.isnan(added):
                added = 0.0
        before, total = total, total + added
        if before < onset_sum <= total:
            onset = np.nan if unknown else day + (onset_sum - before) / added
        if rate.size > 0:
            share = _released(total, plan.ends[allergen], plan.cubics[allergen])
            rate[allergen, place, day] = np.nan if unknown else max(0.0, share - released)
            released = share
        # the true sum is at least the known part, so past the end the season is over for certain
        if total >= season_end:
            break
    never = total < onset_sum
    return np.nan if never and (unknown or stop > n_days) else onset


@compiled
def _warmth(place: int, day: int, allergen: int, weather: PlaceWeather, plan: SeasonPlan) -> float:
    kind, base = plan.heat[allergen], plan.base[allergen]
    if kind == HEAT_MEAN:
        return _over(weather.tas[place, day], base, np.inf)
    if kind == HEAT_MAXIMUM:
        return _over(weather.tasmax[place, day], base, np.inf)
    if kind == DEVELOPMENT:
        light = weather.daylight[weather.daylight_row[place], day]
        warmth = _ramp(weather.tas[place, day], base, plan.optimum[allergen])
        return warmth * _ramp(light, plan.critical_day[allergen], plan.optimal_day[allergen])
    high, low = weather.tasmax[place, day], weather.tasmin[place, day]
    days, _ = _above(0.5 * (high + low), 0.5 * abs(high - low), base)
    return days * _HOURS_IN_DAY if kind == HEAT_HOURS else days


@compiled
def _chill(place: int, day: int, allergen: int, weather: PlaceWeather, plan: SeasonPlan) -> float:
    high, low = weather.tasmax[place, day], weather.tasmin[place, day]
    if plan.chill[allergen] == CHILL_UTAH:
        return _utah(high, low, weather.utah_limits, weather.utah_units)
    return _hours_below(high, low, plan.chill_threshold[allergen])


@compiled
def _released(total: float, ends: _Array, cubics: _Array) -> float:
    """Fraction of the season released at a running sum."""
    if total <= ends[0]:
        return 0.0
    if total >= ends[-1]:
        return 1.0
    piece = 0
    while total > ends[piece + 1]:
        piece += 1
    passed = (total - ends[piece]) / (ends[piece + 1] - ends[piece])
    c = cubics[piece]
    return float(c[0] + passed * (c[1] + passed * (c[2] + passed * c[3])))


@compiled
def released_fractions(totals: _Array, ends: _Array, cubics: _Array) -> _Array:
    """Return the released fraction at each sum [1]; see `models.season.fraction`."""
    found = np.empty(totals.size)
    for index in range(totals.size):
        found[index] = _released(totals[index], ends, cubics)
    return found


@compiled
def read_seasons(daily: _Array, share: float, width: int) -> tuple[_Array, _Array]:
    """Read start, peak and end of the one season of every place.

    Parameters
    ----------
    daily
        Rate or exposure within a season's window, dims (place, day).
    share
        Share of the total before the start and after the end [1].
    width
        Days of the peak, an odd number [d].

    Returns
    -------
    positions
        Of start, peak and end, dims (3, place); NaN where a day is missing.
    total
        Sum over the days, by place; NaN where a day is missing.
    """
    n_places, length, half = daily.shape[0], daily.shape[1], width // 2
    positions, totals = np.full((3, n_places), np.nan), np.zeros(n_places)
    for place in range(n_places):
        season = daily[place]
        for day in range(length):
            totals[place] += season[day]
        if math.isnan(totals[place]):
            continue
        start, end, running, peak, most = length, length, 0.0, 0, -np.inf
        for day in range(length):
            running += season[day]
            if start == length and running >= share * totals[place]:
                start = day
            if end == length and running >= (1.0 - share) * totals[place]:
                end = day
            around = 0.0
            for near in range(max(day - half, 0), min(day + half + 1, length)):
                around += season[near]
            if around > most:
                peak, most = day, around
        positions[0, place], positions[1, place], positions[2, place] = start, peak, end
    return positions, totals
