"""The hot loops of the state-space member, compiled; wrapped and explained in `state_space`.

A state is ``(level, slope, short memory, base, season columns ...)``. Nothing here knows a label
or a table: regions are rows, weeks are columns, parameters stand in the order of `PARAMETERS`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.kernels import compiled

Array = NDArray[np.float64]
_Flags = NDArray[np.bool_]

PARAMETERS = (
    "level_step",
    "level_half_life",
    "slope_step",
    "slope_half_life",
    "slope_start",
    "short_sd",
    "short_persistence",
    "season_step",
    "season_bend",
    "size",
)
_LEVEL_STEP, _LEVEL_HALF, _SLOPE_STEP, _SLOPE_HALF, _SLOPE_START = 0, 1, 2, 3, 4
_SHORT_SD, _PERSISTENCE, _SEASON_STEP, _BEND, SIZE = 5, 6, 7, 8, 9
_LEVEL, _SLOPE, _SHORT, _BASE, FIRST_COLUMN = 0, 1, 2, 3, 4
_NEWTON_STEPS, _LONGEST_STEP, _LARGEST_LOG = 6, 2.0, 20.0
_CLOSE_ENOUGH = 1e-4  # of the log-mean: Newton's last step leaves its square
_FURTHEST_SHORT = 8.0  # standard deviations; beyond, the tail is too thin to divide by
_MOST_BEND = 1.5  # log of a season that widens its weeks; more is no season


@compiled
def follow(
    counts: Array,
    known_part: Array,
    full: _Flags,
    columns: Array,
    shares: Array,
    season: Array,
    season_sd: Array,
    base_sd: float,
    parameters: Array,
) -> tuple[Array, Array, Array]:
    """Follow counts with each of several sets of parameters.

    Parameters
    ----------
    counts, known_part
        Dims (region, week); counts are NaN where not known.
    full
        Weeks in which at least as many would have come, same dims.
    columns
        Columns of the season, dims (week, column).
    shares
        Part of the season's step that each column takes, dims (column,); zero for one that stays.
    season, season_sd
        Coefficients that regions start from, dims (set, column), and their spread, dims (column,).
    base_sd
        Spread of a region's base about nought.
    parameters
        Dims (set, parameter).

    Returns
    -------
    tuple of numpy.ndarray
        Log-likelihood of all regions, dims (set,); mean of the state after the last week, dims
        (set, region, state); its covariance, dims (set, region, state, state).
    """
    n_sets, n_regions, n_states = len(parameters), len(counts), FIRST_COLUMN + len(shares)
    likelihood = np.zeros(n_sets)
    means = np.zeros((n_sets, n_regions, n_states))
    errors, spreads = np.zeros(counts.shape[1]), np.zeros(counts.shape[1])
    covariances = np.zeros((n_sets, n_regions, n_states, n_states))
    for one in range(n_sets):
        for region in range(n_regions):
            mean, covariance = means[one, region], covariances[one, region]
            _start(mean, covariance, season[one], season_sd, base_sd, parameters[one])
            likelihood[one] += _follow(
                counts[region],
                known_part[region],
                full[region],
                columns,
                shares,
                parameters[one],
                mean,
                covariance,
                errors,
                spreads,
            )
    return likelihood, means, covariances


@compiled
def surprises(
    counts: Array,
    known_part: Array,
    full: _Flags,
    columns: Array,
    shares: Array,
    season: Array,
    season_sd: Array,
    base_sd: float,
    parameters: Array,
) -> tuple[Array, Array]:
    """Return by how much each week surprised, relative to its mean, and the log-mean's variance.

    Both are as the week before left them, dims (region, week), NaN where nothing was known.
    `season` has dims (column,) and `parameters` (parameter,); the others are those of `follow`.
    """
    n_regions, n_states = len(counts), FIRST_COLUMN + len(shares)
    errors, spreads = np.full(counts.shape, np.nan), np.full(counts.shape, np.nan)
    for region in range(n_regions):
        mean, covariance = np.zeros(n_states), np.zeros((n_states, n_states))
        _start(mean, covariance, season, season_sd, base_sd, parameters)
        _follow(
            counts[region],
            known_part[region],
            full[region],
            columns,
            shares,
            parameters,
            mean,
            covariance,
            errors[region],
            spreads[region],
        )
    return errors, spreads


@compiled
def walk(
    mean: Array, root: Array, columns: Array, shares: Array, parameters: Array, normals: Array
) -> Array:
    """Walk one future of one region; return the log-mean of its weeks, dims (week,).

    Parameters
    ----------
    mean, root
        State after the last week followed, dims (state,), and a root of its covariance, dims
        (state, state).
    columns
        Columns of the season of the weeks after it, dims (week, column).
    shares, parameters
        As in `follow`, of one set.
    normals
        Standard normal numbers, dims (1 + week, state): of the state, then of each week's steps.
    """
    state = mean + root @ normals[0]
    path = np.zeros(len(columns))
    stays, fades, lasts = _pace(parameters)
    steps = np.sqrt(_steps(parameters, shares))
    for week in range(len(columns)):
        bent = math.exp(parameters[_BEND] * _bound(_season(state, columns[week], shares)))
        state[_LEVEL] = stays * state[_LEVEL] + state[_SLOPE]
        state[_SLOPE] *= fades
        state[_SHORT] *= lasts
        for i in range(len(state)):
            step = steps[i] * normals[week + 1, i]
            state[i] += step * bent if i == _SHORT else step
        path[week] = state[_LEVEL] + state[_SHORT] + state[_BASE]
        for column in range(len(shares)):
            path[week] += columns[week, column] * state[FIRST_COLUMN + column]
    return path


@compiled
def _season(state: Array, columns: Array, shares: Array) -> float:
    """Return what the season says of a week; columns that stay are no part of it."""
    season = 0.0
    for column in range(len(shares)):
        if shares[column] > 0.0:
            season += columns[column] * state[FIRST_COLUMN + column]
    return season


@compiled
def _bound(season: float) -> float:
    return max(-_MOST_BEND, min(_MOST_BEND, season))


@compiled
def _start(
    mean: Array,
    covariance: Array,
    season: Array,
    season_sd: Array,
    base_sd: float,
    parameters: Array,
) -> None:
    """Write the state before the first week."""
    stays, _, _ = _pace(parameters)
    long_run = parameters[_LEVEL_STEP] ** 2 / (1.0 - stays * stays)
    covariance[_LEVEL, _LEVEL] = min(base_sd**2, long_run)
    covariance[_SLOPE, _SLOPE] = parameters[_SLOPE_START] ** 2
    covariance[_SHORT, _SHORT] = parameters[_SHORT_SD] ** 2
    covariance[_BASE, _BASE] = base_sd**2
    for column in range(len(season)):
        mean[FIRST_COLUMN + column] = season[column]
        covariance[FIRST_COLUMN + column, FIRST_COLUMN + column] = season_sd[column] ** 2


@compiled
def _steps(parameters: Array, shares: Array) -> Array:
    """Return the variance that a week adds to each state; that of the short memory unbent."""
    steps = np.zeros(FIRST_COLUMN + len(shares))
    steps[_LEVEL] = parameters[_LEVEL_STEP] ** 2
    steps[_SLOPE] = parameters[_SLOPE_STEP] ** 2
    steps[_SHORT] = parameters[_SHORT_SD] ** 2 * (1.0 - parameters[_PERSISTENCE] ** 2)
    for column in range(len(shares)):
        steps[FIRST_COLUMN + column] = (parameters[_SEASON_STEP] * shares[column]) ** 2
    return steps


@compiled
def _pace(parameters: Array) -> tuple[float, float, float]:
    """Return what a week leaves of level, slope and short memory."""
    stays = 0.5 ** (1.0 / parameters[_LEVEL_HALF])
    fades = 0.5 ** (1.0 / parameters[_SLOPE_HALF])
    return stays, fades, parameters[_PERSISTENCE]


@compiled
def _sees(n_states: int) -> Array:
    """Return what a week sees of the state, its season still to be filled in."""
    seen = np.zeros(n_states)
    seen[_LEVEL] = seen[_SHORT] = seen[_BASE] = 1.0
    return seen


@compiled
def _follow(
    counts: Array,
    known_part: Array,
    full: _Flags,
    columns: Array,
    shares: Array,
    parameters: Array,
    mean: Array,
    covariance: Array,
    errors: Array,
    spreads: Array,
) -> float:
    """Follow one region, the state in place; return the log-likelihood.

    `errors` and `spreads` become what `surprises` returns of it.
    """
    n_states = len(mean)
    loaded, seen, steps = np.zeros(n_states), _sees(n_states), _steps(parameters, shares)
    pace, likelihood = _pace(parameters), 0.0
    lgamma_size = math.lgamma(parameters[SIZE])
    for week in range(len(counts)):
        _predict(mean, covariance, steps, pace, columns[week], shares, parameters[_BEND])
        count = counts[week]
        if np.isnan(count):
            continue
        seen[FIRST_COLUMN:] = columns[week]
        centre, spread = _foretell(mean, covariance, seen, loaded)
        known = known_part[week]
        errors[week] = count / math.exp(min(centre + known, _LARGEST_LOG)) - 1.0
        spreads[week] = spread
        if full[week] and count > 0.0:
            moved, taken, fit = _exceed(count, known, centre, spread, parameters[SIZE])
        else:
            mode, weight, fit = _settle(count, known, centre, spread, parameters[SIZE], lgamma_size)
            moved = (mode - centre) / spread
            taken = weight / (1.0 + spread * weight)
        likelihood += fit
        for i in range(n_states):
            mean[i] += loaded[i] * moved
            gone = taken * loaded[i]
            for j in range(n_states):
                covariance[i, j] -= gone * loaded[j]
    return likelihood


@compiled
def _predict(
    mean: Array,
    covariance: Array,
    steps: Array,
    pace: tuple[float, float, float],
    columns: Array,
    shares: Array,
    bend: float,
) -> None:
    """Move the state on by a week."""
    stays, fades, lasts = pace
    bent = math.exp(2.0 * bend * _bound(_season(mean, columns, shares)))
    mean[_LEVEL] = stays * mean[_LEVEL] + mean[_SLOPE]
    mean[_SLOPE] *= fades
    mean[_SHORT] *= lasts
    n_states = len(mean)
    for j in range(n_states):
        covariance[_LEVEL, j] = stays * covariance[_LEVEL, j] + covariance[_SLOPE, j]
        covariance[_SLOPE, j] *= fades
        covariance[_SHORT, j] *= lasts
    for j in range(n_states):
        covariance[j, _LEVEL] = stays * covariance[j, _LEVEL] + covariance[j, _SLOPE]
        covariance[j, _SLOPE] *= fades
        covariance[j, _SHORT] *= lasts
    for j in range(n_states):
        covariance[j, j] += steps[j]
    covariance[_SHORT, _SHORT] += steps[_SHORT] * (bent - 1.0)


@compiled
def _foretell(mean: Array, covariance: Array, seen: Array, loaded: Array) -> tuple[float, float]:
    """Return mean and variance of the log-mean; `loaded` becomes covariance times `seen`."""
    n_states = len(mean)
    loaded[:] = 0.0
    for j in range(n_states):
        if seen[j] != 0.0:  # symmetric: a row is a column, and rows lie together in memory
            for i in range(n_states):
                loaded[i] += seen[j] * covariance[j, i]
    centre, spread = 0.0, 0.0
    for i in range(n_states):
        centre += seen[i] * mean[i]
        spread += seen[i] * loaded[i]
    return centre, spread


@compiled
def _exceed(
    count: float, known_part: float, centre: float, spread: float, size: float
) -> tuple[float, float, float]:
    """Return what it tells that at least a count would have come, and the log-likelihood.

    The log of what would have come is taken as normal. The mean of the log-mean moves by the first
    number times its variance, its variance falls by the second times the square of it.
    """
    width = math.sqrt(spread + (count + size) / (count * size))
    short = min((math.log(count) - known_part - centre) / width, _FURTHEST_SHORT)
    above = 0.5 * math.erfc(short / math.sqrt(2.0))
    hazard = math.exp(-0.5 * short**2) / (math.sqrt(2.0 * math.pi) * above)
    return hazard / width, hazard * (hazard - short) / width**2, math.log(above)


@compiled
def _settle(
    count: float, known_part: float, centre: float, spread: float, size: float, lgamma_size: float
) -> tuple[float, float, float]:
    """Return the likeliest log-mean after a count, the curvature there, and the log-likelihood.

    The log-mean was normal with mean `centre` and variance `spread`; the integral is Laplace's.
    Terms of the likelihood that hang on the count alone are left out.
    """
    mode = centre
    if count > 0.0:  # begin between what was thought and what was counted
        precision = count * size / (count + size)
        mode += (
            (math.log(count) - known_part - centre)
            * spread
            * precision
            / (1.0 + spread * precision)
        )
    for _ in range(_NEWTON_STEPS):
        rate = math.exp(min(mode + known_part, _LARGEST_LOG))
        slope = (count - rate) * size / (rate + size) - (mode - centre) / spread
        weight = rate * size * (count + size) / (rate + size) ** 2
        step = slope / (weight + 1.0 / spread)
        mode += max(-_LONGEST_STEP, min(_LONGEST_STEP, step))
        if abs(step) < _CLOSE_ENOUGH:
            break
    rate = math.exp(min(mode + known_part, _LARGEST_LOG))
    weight = rate * size * (count + size) / (rate + size) ** 2
    fit = math.lgamma(count + size) - lgamma_size + size * math.log(size / (rate + size))
    if count > 0.0:
        fit += count * math.log(rate / (rate + size))
    fit -= 0.5 * (mode - centre) ** 2 / spread + 0.5 * math.log1p(spread * weight)
    return mode, weight, fit
