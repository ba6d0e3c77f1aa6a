"""How far a verdict agrees with a reference, and two readers with each other.

Shares carry an interval that holds for few cases and for shares near 0 and 1. Where the cases are a
sample with unequal weights, the sample counts as large as an equally weighted one with the same
variance (Kish); where a share's numerator and denominator come from strata of very different
weight, as sensitivity does, its interval is drawn stratum by stratum.

References
----------
Wilson E.B. 1927. J Am Stat Assoc 22:209-212 (interval of a share). Kish L. 1965. Survey Sampling,
section 11.7 (effective size). Brown L.D., Cai T.T., DasGupta A. 2001. Stat Sci 16:101-133 (Jeffreys
interval, and its ends where all or none agree). Cohen J. 1960. Educ Psychol Meas 20:37-46 (kappa).
Fleiss J.L., Cohen J., Everitt B.S. 1969. Psychol Bull 72:323-327 (its standard error).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from models.scores.errors import ScoreError

_Floats = NDArray[np.float64]
_Bools = NDArray[np.bool_]
_LEVEL = 0.95
_DRAWS = 4000  # the quantiles' own error is then below 0.01 for a share
_JEFFREYS = 0.5  # Brown et al. 2001: added to each possible outcome
_SEED = 1


@dataclass(frozen=True)
class Share:
    """A share with a 95 % interval; NaN where nothing can be said.

    Attributes
    ----------
    value, low, high
        The share, from 0 to 1, and its interval.
    n
        Cases in its denominator.
    effective_n
        Size of an equally weighted sample that would tell as much.
    """

    value: float
    low: float
    high: float
    n: int
    effective_n: float


@dataclass(frozen=True)
class Kappa:
    """Agreement of two readers beyond chance, with a 95 % interval.

    Attributes
    ----------
    value, low, high
        Cohen's kappa; NaN where both readers used one and the same answer throughout.
    agreed
        Share of cases with the same answer.
    n
        Cases both have read.
    """

    value: float
    low: float
    high: float
    agreed: float
    n: int


@dataclass(frozen=True)
class VerdictTable:
    """How well a yes-or-no verdict does against a reference.

    Attributes
    ----------
    sensitivity
        Share of the true cases that the verdict calls cases.
    predictive_value
        Share of the called cases that are true.
    specificity
        Share of the others that the verdict leaves alone.
    """

    sensitivity: Share
    predictive_value: Share
    specificity: Share


def wilson_interval(value: float, n: float, *, level: float = _LEVEL) -> tuple[float, float]:
    """Return Wilson's score interval of a share.

    Parameters
    ----------
    value
        The share, from 0 to 1.
    n
        Number of cases; an effective one need not be whole.
    level
        Coverage asked for.

    Returns
    -------
    tuple of float
        Its ends; NaN for no cases.

    Raises
    ------
    ScoreError
        If the share is none.
    """
    if n <= 0 or math.isnan(value):
        return math.nan, math.nan
    if not 0 <= value <= 1:
        raise ScoreError(f"a share lies between 0 and 1, {value!r} was given")
    z = float(norm.ppf(0.5 + level / 2))
    middle = (value + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * math.sqrt(value * (1 - value) / n + z**2 / (4 * n**2))
    return (
        0.0 if value == 0 else max(0.0, middle - half),
        1.0 if value == 1 else min(1.0, middle + half),
    )


def effective_size(weights: ArrayLike) -> float:
    """Return Kish's effective size of a weighted sample, (sum w)^2 / sum w^2; 0 for none."""
    w = np.asarray(weights, dtype=float)
    return float(w.sum() ** 2 / (w**2).sum()) if w.size else 0.0


def verdict_table(
    truth: ArrayLike,
    verdict: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    strata: ArrayLike | None = None,
) -> VerdictTable:
    """Compare a verdict with a reference.

    Parameters
    ----------
    truth, verdict
        Yes or no for each case.
    weights
        How many cases of the whole each stands for; one each unless given.
    strata
        What the sample was stratified by, so far as it tells of the verdict (one label a case).
        The interval of sensitivity then allows for true cases that no sample of a large stratum
        happened to hold. Without it, or without weights, Wilson's interval is given.

    Returns
    -------
    VerdictTable

    Raises
    ------
    ScoreError
        If lengths differ, or a weight is not positive.
    """
    true = np.asarray(truth, dtype=bool)
    called = np.asarray(verdict, dtype=bool)
    w = np.ones(true.size) if weights is None else np.asarray(weights, dtype=float)
    if not true.size == called.size == w.size:
        raise ScoreError(
            f"truth, verdict and weights must be as long as each other, they hold {true.size}, "
            f"{called.size} and {w.size} cases"
        )
    if (w <= 0).any():
        raise ScoreError("a weight says how many cases a case stands for, and must be above 0")
    sensitivity = _share(called, true, w)
    if strata is not None and weights is not None and sensitivity.n:
        low, high = _stratified(true, called, w, np.asarray(strata), sensitivity.value)
        sensitivity = Share(sensitivity.value, low, high, sensitivity.n, sensitivity.effective_n)
    return VerdictTable(sensitivity, _share(true, called, w), _share(~called, ~true, w))


def _share(of: _Bools, among: _Bools, weights: _Floats) -> Share:
    """Return the weighted share `of` has `among` some cases."""
    w = weights[among]
    if not w.size:
        return Share(math.nan, math.nan, math.nan, 0, 0.0)
    value = float(w[of[among]].sum() / w.sum())
    n = effective_size(w)
    low, high = wilson_interval(min(1.0, value), n)
    return Share(value, low, high, int(among.sum()), n)


def _stratified(
    true: _Bools, called: _Bools, weights: _Floats, strata: NDArray[np.generic], value: float
) -> tuple[float, float]:
    """Return the interval of sensitivity from draws of each stratum's outcomes."""
    rng = np.random.default_rng(_SEED)
    hit, missed = np.zeros(_DRAWS), np.zeros(_DRAWS)
    for stratum in np.unique(strata):
        inside = strata == stratum
        w = weights[inside]
        size, total = effective_size(w), float(w.sum())
        outcomes, is_hit, is_miss = [], [], []
        for verdict in np.unique(called[inside]):
            for truth in (True, False):
                cell = (called[inside] == verdict) & (true[inside] == truth)
                outcomes.append(size * float(w[cell].sum()) / total + _JEFFREYS)
                is_hit.append(bool(verdict) and truth)
                is_miss.append(not verdict and truth)
        shares = rng.dirichlet(outcomes, size=_DRAWS)
        hit += total * shares[:, is_hit].sum(axis=1)
        missed += total * shares[:, is_miss].sum(axis=1)
    low, high = np.quantile(hit / (hit + missed), [(1 - _LEVEL) / 2, (1 + _LEVEL) / 2])
    return (0.0 if value == 0 else float(low)), (1.0 if value == 1 else float(high))


def cohen_kappa(first: ArrayLike, second: ArrayLike) -> Kappa:
    """Return Cohen's kappa of two readers' answers to the same cases.

    Parameters
    ----------
    first, second
        One answer a case, of any words.

    Returns
    -------
    Kappa
        The interval is value -+ 1.96 standard errors, cut to -1 and 1. Where all answers agree the
        error is 0 and the interval tells nothing; mind the number of cases then.

    Raises
    ------
    ScoreError
        If the readers answered different numbers of cases.

    Notes
    -----
    kappa = (po - pe) / (1 - pe), po the share agreed, pe the sum of products of the margins.
    """
    one, other = np.asarray(first), np.asarray(second)
    if one.shape != other.shape:
        raise ScoreError(f"two readers of the same cases, {one.size} and {other.size} were given")
    n = one.size
    if not n:
        return Kappa(math.nan, math.nan, math.nan, math.nan, 0)
    answers = np.unique(np.concatenate([one, other]))
    table = np.array([[((one == a) & (other == b)).mean() for b in answers] for a in answers])
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    agreed, chance = float(np.trace(table)), float(rows @ columns)
    if len(answers) == 1:
        return Kappa(math.nan, math.nan, math.nan, agreed, n)
    kappa = (agreed - chance) / (1 - chance)
    error = _kappa_error(table, kappa, chance, n)
    z = float(norm.ppf(0.5 + _LEVEL / 2))
    low, high = max(-1.0, kappa - z * error), min(1.0, kappa + z * error)
    return Kappa(kappa, low, high, agreed, n)


def _kappa_error(table: _Floats, kappa: float, chance: float, n: int) -> float:
    """Return the standard error of kappa (Fleiss, Cohen & Everitt 1969)."""
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    on = float((np.diag(table) * (1 - (rows + columns) * (1 - kappa)) ** 2).sum())
    margins = (columns[:, None] + rows[None, :]) ** 2
    off = (1 - kappa) ** 2 * float((table * margins).sum() - (np.diag(table * margins)).sum())
    variance = (on + off - (kappa - chance * (1 - kappa)) ** 2) / (n * (1 - chance) ** 2)
    return math.sqrt(max(0.0, variance))
