r"""A practice's effect times: Weibull shape, typical time, spread between dogs, non-responders.

The posterior mode of all follow-ups together (``likelihood``) under weak priors from the table: log
shape, log typical time and log *a* normal, the non-responders' share beta. The shape is pooled and
fixed before a dog's own update, since one dog's few doses cannot tell a shape.

Validity: the mode's own uncertainty is not handed on to dogs; with few relapses the priors speak.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit

from models.effect_time.follow_up import FollowUps
from models.effect_time.likelihood import Population, calendar_rates, log_likelihood
from models.parameters import ParameterTable, load_table

Floats = NDArray[np.float64]
_LIMITS = [(-1.5, 2.5), (0.0, 6.0), (-2.0, 7.0), (-8.0, 8.0)]  # of the search; far beyond any dog


def fit_population(seen: FollowUps) -> Population | None:
    """Fit a practice's effect times; None with too few relapses on record to say anything.

    Parameters
    ----------
    seen
        Follow-ups of all its doses of one therapy.
    """
    table = load_table("models.effect_time", "effect_time.toml")
    if seen.relapses < table.number("population.least_relapses"):
        return None
    rates = calendar_rates(seen)
    middle, spread = _normal_priors(table)
    mean = table.number("population.non_responders_mean")
    weight = table.number("population.non_responders_weight")

    def lost(place: Floats) -> float:
        share = expit(place[3])
        prior = -0.5 * np.sum(((place[:3] - middle) / spread) ** 2)
        prior += weight * (mean * np.log(share) + (1.0 - mean) * np.log1p(-share))
        return -float(log_likelihood(seen, _population(place), calendar_rate=rates) + prior)

    start = np.append(middle, logit(mean))
    found = minimize(lost, start, method="L-BFGS-B", bounds=_LIMITS)
    best = _population(found.x)
    return Population(
        best.shape, best.typical, best.alike, best.non_responders, seen.dog.size, seen.relapses
    )


def prior_population() -> Population:
    """Return the effect times of the table, before any follow-up."""
    table = load_table("models.effect_time", "effect_time.toml")
    middle, _ = _normal_priors(table)
    return _population(np.append(middle, logit(table.number("population.non_responders_mean"))))


def _normal_priors(table: ParameterTable) -> tuple[Floats, Floats]:
    names = ("shape", "typical", "alike")
    middle = np.log([table.number(f"population.{name}_median") for name in names])
    return middle, np.array([table.number(f"population.{name}_spread") for name in names])


def _population(place: Floats) -> Population:
    shape, typical, alike = np.exp(place[:3])
    return Population(float(shape), float(typical), float(alike), float(expit(place[3])))
