r"""Likelihood of a Weibull effect time with a rate of each dog's own, and non-responders apart.

The effect of a dose on dog *i* holds for longer than *t* days with probability :math:`S(t) =
\exp(-\lambda_i t^k)`. With the follow-up's *L*, *R* and *D* a dose says

.. math:: \text{censored: } S(L), \quad \text{relapse: } S(L) - S(R), \quad \text{dose of unknown
          reason: } \frac{S(L) - S(D)}{D - L} + c(D)\, S(D),

the last as in competing risks with the cause missing: a dose for itch comes with the density of the
relapse, taken as even over the interval, one by calendar at the rate *c(D)* at which such doses are
given on that day (Goetghebeur & Ryan 1995, Biometrika 82:821-833). *c* is learnt from doses whose
reason is on record; where these are too few, a dose of unknown reason says :math:`S(L)`.

Rates differ between dogs, :math:`\lambda_i = \lambda_0 g_i`, :math:`g_i \sim \text{Gamma}(a, a)`,
with :math:`\lambda_0 = \ln 2 / m^k` for a typical effect time *m*; the integral over *g* is a
trapezium rule on its logarithm. A share :math:`\pi` of dogs does not respond at all; a dog that
shows any response, a quiet score or no itch on record by the day on which a response is judged, is
none of them.

Validity: doses of one dog independent given its rate; the reason's being on record independent of
the reason. Known failures: a dose put off although the dog itches stretches its interval; a drug
that wears off ever sooner in one dog.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import gamma

from models.effect_time.follow_up import End, FollowUps
from models.parameters import load_table

Floats = NDArray[np.float64]
_NODES, _TAIL = 41, 1e-9


@dataclass(frozen=True)
class Population:
    """Effect times of a practice's dogs.

    Attributes
    ----------
    shape
        Weibull shape *k*.
    typical
        Median effect time at the mean rate *m* [d].
    alike
        Gamma shape *a* of the dogs' rates about their mean; infinite if all dogs are alike.
    non_responders
        Share of dogs on which a dose has no effect.
    doses, relapses
        What it was learnt from.
    """

    shape: float
    typical: float
    alike: float
    non_responders: float
    doses: int = 0
    relapses: int = 0

    @property
    def rate(self) -> float:
        """Mean rate, per day to the power of the shape."""
        return float(np.log(2.0) / self.typical**self.shape)


def calendar_rates(seen: FollowUps) -> Floats:
    """Return the rate of doses by calendar [1/d] on the day of each dose of unknown reason.

    NaN for all others, and where too few doses have a reason on record. Doses by calendar on
    record, per day followed within the table's window, over the share of doses that have a reason.
    """
    table = load_table("models.effect_time", "effect_time.toml")
    rates = np.full(seen.end.shape, np.nan)
    unknown, by_calendar = seen.end == End.REASON_NOT_KNOWN, seen.end == End.CALENDAR
    known = int((by_calendar | (seen.end == End.ITCH)).sum())
    if known < table.number("reason.least_known"):
        return rates
    width = table.number("reason.calendar_window") + 0.5
    share = known / (known + int(unknown.sum()))
    for number in np.flatnonzero(unknown):
        low, high = max(seen.followed[number] - width, 0.0), seen.followed[number] + width
        days = (np.clip(seen.followed, low, high) - low).sum()
        inside = by_calendar & (seen.followed > low) & (seen.followed <= high)
        rates[number] = inside.sum() / days / share
    return rates


def dose_terms(seen: FollowUps, rate: Floats, *, shape: float, calendar_rate: Floats) -> Floats:
    """Return the log-likelihood of each dose at some rates, shape ``(dose, rate)``."""
    quiet = (seen.quiet**shape)[:, None]
    terms = -rate * quiet
    told = np.isfinite(seen.relapsed)
    beyond = seen.relapsed[told] ** shape - seen.quiet[told] ** shape
    terms[told] += np.log(-np.expm1(-rate * beyond[:, None]))
    mixed = np.isfinite(calendar_rate)
    if mixed.any():
        again, last = seen.followed[mixed], seen.quiet[mixed]
        wait = (again**shape - last**shape)[:, None] * rate
        by_itch = -np.expm1(-wait) / (again - last)[:, None]
        terms[mixed] += np.log(by_itch + calendar_rate[mixed][:, None] * np.exp(-wait))
    return np.asarray(terms)


def rate_nodes(alike: float) -> tuple[Floats, Floats]:
    """Return relative rates and the logs of their weights, which sum to one, shape ``(node,)``."""
    if np.isinf(alike):
        return np.ones(1), np.zeros(1)
    low, high = gamma.ppf(_TAIL, alike), gamma.isf(_TAIL, alike)
    place = np.linspace(np.log(max(low / alike, 1e-12)), np.log(high / alike), _NODES)
    weight = alike * place - alike * np.exp(place)
    return np.exp(place), weight - logsumexp(weight)


def dog_terms(
    seen: FollowUps, population: Population, *, calendar_rate: Floats
) -> tuple[Floats, Floats]:
    """Return each dog's log-likelihood if it responds and if it does not, shape ``(dog,)``."""
    relative, weight = rate_nodes(population.alike)
    terms = dose_terms(
        seen, population.rate * relative, shape=population.shape, calendar_rate=calendar_rate
    )
    responds = logsumexp(_by_dog(seen, terms) + weight, axis=1)
    at_once = np.isfinite(calendar_rate) & ~seen.responded
    unknown = np.where(at_once, -np.log(np.where(at_once, seen.followed, 1.0)), 0.0)
    none = _by_dog(seen, np.where(seen.responded, -np.inf, unknown)[:, None])[:, 0]
    return np.asarray(responds), none


def _by_dog(seen: FollowUps, terms: Floats) -> Floats:
    """Add up terms ``(dose, ...)`` of each dog; doses stand in the order of their dogs."""
    total = np.zeros((len(seen.dogs), *terms.shape[1:]))
    first = np.flatnonzero(np.diff(seen.dog, prepend=-1))
    if first.size:
        total[seen.dog[first]] = np.add.reduceat(terms, first, axis=0)
    return total


def log_likelihood(
    seen: FollowUps, population: Population, *, calendar_rate: Floats | None = None
) -> float:
    """Return the log-likelihood of all dogs."""
    rates = calendar_rates(seen) if calendar_rate is None else calendar_rate
    responds, none = dog_terms(seen, population, calendar_rate=rates)
    share = population.non_responders
    with np.errstate(divide="ignore"):
        both = np.logaddexp(np.log1p(-share) + responds, np.log(share) + none)
    return float(both.sum())
