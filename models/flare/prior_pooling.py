r"""Prior spreads learnt from the data: empirical Bayes over groups of like terms.

How much branches differ and how strong the season is, is not known beforehand. Each group of like
terms shares one prior standard deviation *s*; it starts at the table's value *s0* and is moved to

.. math:: s^2 = \frac{\nu s_0^2 + \sum_i (b_i^2 + v_i)}{\nu + n},

*b* the group's coefficients, *v* their variances and *n* their number, until it stands still: an
EM step for *s* under a scaled inverse chi-squared prior worth *nu* terms. One branch, or a year of
data, stays near the table; many branches speak for themselves.

References
----------
Efron B. & Morris C. 1973, Journal of the American Statistical Association 68:117-130; Gelman A. et
al. 2013, Bayesian Data Analysis, 3rd ed., chapters 2.6 and 13.4.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.flare.negative_binomial_fit import NegativeBinomialFit
from models.parameters import load_table

Array = NDArray[np.float64]
Refit = Callable[[Array], NegativeBinomialFit]


def fit_pooled(
    refit: Refit, prior_sd: Array, groups: Sequence[str], *, inflation: float
) -> NegativeBinomialFit:
    """Fit with prior spreads that are learnt along.

    Parameters
    ----------
    refit
        Fits with given prior precisions.
    prior_sd
        The table's prior standard deviation of each term.
    groups
        Group of each term; an empty name keeps the table's prior.
    inflation
        By how much the rows count too much because neighbouring weeks are alike: the likelihood is
        taken to the power of one over it.

    Returns
    -------
    NegativeBinomialFit
        The fit, its covariance inflated.
    """
    table = load_table("models.flare", "flare.toml")
    weight, rounds = table.number("pooling.prior_weight"), int(table.number("pooling.rounds"))
    members = [np.array([g == name for g in groups]) for name in dict.fromkeys(groups) if name]
    now = prior_sd.copy()
    for _ in range(rounds):
        found = _inflated(refit(inflation / now**2), inflation)
        square = found.coefficients**2 + np.diag(found.covariance)
        new = now.copy()
        for at in members:
            prior = weight * float(prior_sd[at][0] ** 2)
            new[at] = np.sqrt((prior + float(square[at].sum())) / (weight + at.sum()))
        if float(np.abs(np.log(new / now)).max()) < table.number("pooling.tolerance"):
            break
        now = new
    return found


def _inflated(found: NegativeBinomialFit, inflation: float) -> NegativeBinomialFit:
    return replace(found, covariance=found.covariance * inflation)
