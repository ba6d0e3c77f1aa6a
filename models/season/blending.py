"""Blending of members and spread of errors, for the forecast of a season in progress."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from models.parameters import load_table

_Array = NDArray[np.float64]

_SUM_TO_ONE = 1e3  # weight of the condition that blending weights add up to one
_TINY = 1e-9


def blending_weights(members: _Array, observed: _Array, trust: _Array) -> _Array:
    """Return weights of members, none below zero, sum one.

    Fixed ones, moved some way to those of least weighted squared error.

    Parameters
    ----------
    members
        What each expected of past seasons, dims (member, season) [d].
    observed
        What came [d].
    trust
        Weight of each season, small for dates far from the rest [1].
    """
    root = np.sqrt(trust)
    system = np.vstack([members.T * root[:, None], np.full(len(members), _SUM_TO_ONE * len(root))])
    wanted = np.append(observed * root, _SUM_TO_ONE * len(root))
    best, _ = nnls(system, wanted)
    table = load_table("models.season", "season.toml")
    own = table.number("in_season.own_share")
    fixed = np.array(table["in_season.fixed_weights"].value, dtype=float)
    return np.asarray(own * best / best.sum() + (1.0 - own) * fixed)


def error_variance(squared: _Array, variance: _Array) -> _Array:
    """Return a and b of least squares of squared errors on the variance between traces."""
    scale = max(float(variance.mean()), _TINY)
    found, _ = nnls(np.column_stack([np.ones(len(squared)), variance / scale]), squared)
    return np.array([found[0], found[1] / scale])


def few_years(n_years: int) -> float:
    """Return by how much the variance of a forecast exceeds that seen in some years.

    Errors of a year are shared by its stations, so years count: the variance of Student's t.
    """
    freedom = max(n_years - 1, 3)
    return freedom / (freedom - 2)


def cut_before(days: _Array, first: float | _Array) -> _Array:
    """Return equally likely days of what is left of each distribution from a day on.

    Parameters
    ----------
    days
        Equally likely days, rising, dims (season, level) [d].
    first
        Nothing comes before it, for all seasons or for each; NaN where nothing is known of it [d].
    """
    first = np.broadcast_to(first, len(days))
    at = (np.arange(days.shape[1]) + 0.5) / days.shape[1]
    cut = days.copy()
    for row in np.flatnonzero(days[:, 0] < first):
        gone = min(float(np.interp(first[row], days[row], at, right=1.0)), float(at[-1]))
        cut[row] = np.maximum(np.interp(gone + at * (1.0 - gone), at, days[row]), first[row])
    return cut
