"""Sets of parameters that the counts leave likely: the likeliest one, and others around it.

Each parameter that is learnt has a prior that is normal on its own scale (log, logit or plain); the
table gives its median and spread, and of one that is held a number. In units of the prior, evenly
spread points are tried first; from the best of them the posterior is climbed to its mode
(limited-memory quasi-Newton, gradients by differences), and its curvature there gives a normal
proposal. Points drawn from that, weighed by posterior over proposal, are the sample; as many sets
are kept of it as the table says, each as often as its weight tells.

The likelihood is taken to the table's power: no such model is the truth, and what one week says the
next says too, so the counts tell less than it claims.

References
----------
Byrd R.H., Lu P., Nocedal J. & Zhu C. 1995, SIAM Journal on Scientific Computing 16:1190-1208 (the
climb). Geweke J. 1989, Econometrica 57:1317-1339 (importance sampling about the mode). Owen A.B.
1998, Journal of Complexity 14:466-489 (scrambled nets). Kitagawa G. 1996, Journal of Computational
and Graphical Statistics 5:1-25 (systematic resampling). Grunwald P. & van Ommen T. 2017, Bayesian
Analysis 12:1069-1103 (likelihoods to a power where the model is not the truth).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats
from scipy.stats import qmc

from models.flare.state_space_kernels import PARAMETERS
from models.parameters import ParameterTable

Array = NDArray[np.float64]
Sets = tuple[tuple[float, ...], ...]  # by set and parameter, as a review keeps them
_SEED = 1  # of the evenly spread points; the same in every fit
_LOGIT, _PLAIN = ("short_persistence",), ("season_bend",)
_SLOPE_STEP, _CURVE_STEP = 1e-3, 0.1  # in units of the prior, of differences
_FURTHEST = 5.0  # units of the prior that the climb may go from its middle


def find_sets(log_likelihood: Callable[[Array], Array], table: ParameterTable) -> Array:
    """Return sets of parameters, equally likely after the counts.

    Parameters
    ----------
    log_likelihood
        From sets ``(set, parameter)`` to the log-likelihood of each.
    table
        ``flare.toml``.

    Returns
    -------
    numpy.ndarray
        Dims ``(set, parameter)``, in the order of `state_space_kernels.PARAMETERS`.
    """
    power = table.number("state_space.likelihood_power")

    def posterior(place: Array) -> Array:
        values: Array = power * log_likelihood(_on_scale(place, table)) - 0.5 * (place**2).sum(1)
        return values

    n_learnt = sum(isinstance(_prior(name, table), list) for name in PARAMETERS)
    tried = _points(int(table.number("state_space.tried")), n_learnt)
    mode = _climb(posterior, tried[int(np.argmax(posterior(tried)))], table)
    root = table.number("state_space.widened") * _root_of_covariance(posterior, mode)
    away = _points(int(table.number("state_space.sets")), n_learnt)
    place = mode + away @ root.T
    weight = posterior(place) + 0.5 * (away**2).sum(1)
    share = np.exp(weight - weight.max())
    kept = int(table.number("state_space.kept"))
    at = np.searchsorted(np.cumsum(share / share.sum()), (np.arange(kept) + 0.5) / kept)
    chosen: Array = _on_scale(place[np.minimum(at, len(place) - 1)], table)
    return chosen


def _climb(posterior: Callable[[Array], Array], start: Array, table: ParameterTable) -> Array:
    """Return the place of the mode that is reached from a start."""
    steps = np.vstack([np.zeros(len(start)), _SLOPE_STEP * np.eye(len(start))])

    def fall(place: Array) -> tuple[float, Array]:
        values = posterior(place + steps)
        return -float(values[0]), (values[0] - values[1:]) / _SLOPE_STEP

    found = optimize.minimize(
        fall,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-_FURTHEST, _FURTHEST)] * len(start),
        options={"maxiter": int(table.number("state_space.climbs")), "ftol": 1e-9},
    )
    return np.asarray(found.x)


def _root_of_covariance(posterior: Callable[[Array], Array], mode: Array) -> Array:
    """Return a root of the inverse curvature at the mode, no wider than the prior."""
    n = len(mode)
    one = _CURVE_STEP * np.eye(n)
    first, second = np.triu_indices(n, 1)
    places = np.vstack([np.zeros((1, n)), one, -one, one[first] + one[second]])
    values = posterior(mode + places)
    middle, up, down, both = np.split(values, [1, 1 + n, 1 + 2 * n])
    curvature = np.diag((2.0 * middle - up - down) / _CURVE_STEP**2)
    cross = (up[first] + up[second] - both - middle) / _CURVE_STEP**2
    curvature[first, second] = curvature[second, first] = cross
    values, axes = np.linalg.eigh(curvature)
    return np.asarray(axes / np.sqrt(np.maximum(values, 1.0)))


def _prior(name: str, table: ParameterTable) -> float | list[float]:
    return cast("float | list[float]", table[f"state_space.{name}"].value)


def _points(number: int, dimensions: int) -> Array:
    """Return evenly spread standard normal points, shape ``(number, dimensions)``."""
    even = qmc.Sobol(dimensions, seed=_SEED).random(number)
    return np.asarray(stats.norm.ppf(np.clip(even, 1e-6, 1.0 - 1e-6)))


def _on_scale(place: Array, table: ParameterTable) -> Array:
    """Return sets of all parameters from the places of the learnt ones, in units of the prior."""
    sets = np.empty((len(place), len(PARAMETERS)))
    column = iter(place.T)
    for at, name in enumerate(PARAMETERS):
        prior = _prior(name, table)
        if not isinstance(prior, list):
            sets[:, at] = prior
            continue
        middle, away = prior[0], prior[1] * next(column)
        if name in _PLAIN:
            sets[:, at] = middle + away
        elif name in _LOGIT:
            odds = middle / (1.0 - middle) * np.exp(away)
            sets[:, at] = odds / (1.0 + odds)
        else:
            sets[:, at] = middle * np.exp(away)
    return sets
