r"""One dog's effect time: the gamma update of its rate, and how long a dose may be planned to hold.

With the shape *k* fixed, the gamma prior of a dog's rate is conjugate to a Weibull effect time: an
effect that ended on a known day adds one to the gamma's shape and :math:`t^k` to its rate, a
censored one :math:`t^k` to its rate alone. A relapse between two scores is neither. With :math:`u =
L^k`, :math:`\Delta = R^k - L^k`, its log-likelihood :math:`-\lambda u + \log(1 - e^{-\lambda
\Delta})` is replaced by the gamma form :math:`s \log \lambda - (u + m) \lambda` with the same slope
and curvature in :math:`\log \lambda` at the posterior mean :math:`\lambda`: with :math:`x = \lambda
\Delta` and :math:`p = x / (e^x - 1)`,

.. math:: m \lambda = p \, (p e^x - 1), \qquad s = p + m \lambda,

found by iteration. A narrow interval counts as one effect that ended in its middle (s = 1, m =
:math:`\Delta / 2`), one without end as censored (s = m = 0). A dose of unknown reason is either, in
the shares that its two parts have at that rate. Tests hold this against numerical integration.

The effect then lasts longer than *t* with probability :math:`(b / (b + t^k))^a`. What a dose may be
planned to cover never reaches beyond the cap, the longest effect measured against placebo, without
a vet's word.

References
----------
Ibrahim J.G., Chen M.-H. & Sinha D. 2001, Bayesian Survival Analysis, section 2.1 (gamma prior).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.effect_time.follow_up import EffectTimeError, FollowUps
from models.effect_time.likelihood import Population, calendar_rates, dog_terms
from models.parameters import load_table
from models.words import number_of

Floats = NDArray[np.float64]
SCORES, LABEL = "scores", "label"
_SELDOM = 1  # %: a smaller chance is not said as a number
_ROUNDS, _STILL = 200, 1e-10


@dataclass(frozen=True)
class RatePosterior:
    """Gamma distribution of one dog's rate: shape *a*, rate *b*; and the chance of no response."""

    a: float
    b: float
    no_response: float


@dataclass(frozen=True)
class EffectTime:
    """How long a dose holds.

    Attributes
    ----------
    basis
        ``scores``, or ``label`` where there are none: then the range below is all that is known.
    shortest, longest
        Middle 80 % of the effect times of a dog that responds [d], or the label's range; never
        beyond the cap.
    doses, relapses
        This dog's doses that tell anything, and its relapses on record.
    cap
        Longest effect that may be planned [d].
    shape, rate
        Weibull shape and the gamma distribution of the dog's rate; None with the label alone.
    """

    basis: str
    shortest: float
    longest: float
    doses: int
    relapses: int
    cap: float
    shape: float | None = None
    rate: RatePosterior | None = None

    def lasting(self, days: Floats) -> Floats:
        """Return the probability that the effect still holds some days after a dose.

        NaN, not known, with the label alone. No response counts as no effect.
        """
        since = np.asarray(days, dtype=float)
        if self.rate is None or self.shape is None:
            return np.full(since.shape, np.nan)
        held = (self.rate.b / (self.rate.b + since**self.shape)) ** self.rate.a
        return np.asarray((1.0 - self.rate.no_response) * held)

    def holds_until(self, share: float | None = None) -> float | None:
        """Return the last day up to which a dose may be planned to cover [d], None if no day.

        The day on which the effect still holds with probability `share` (that of the table unless
        given), non-response counted, and never beyond the cap. With the label alone its shortest.
        """
        if self.rate is None or self.shape is None:
            return min(self.shortest, self.cap)
        table = load_table("models.effect_time", "effect_time.toml")
        wanted = table.number("plan.share") if share is None else share
        wanted /= 1.0 - self.rate.no_response
        if wanted >= 1.0:
            return None
        return min(_quantile(self.shape, self.rate, wanted), self.cap)

    @property
    def sentence(self) -> str:
        """What is known of the effect time, in one plain sentence."""
        until = f"{self.shortest:.0f} to {self.longest:.0f} days"
        if self.basis == LABEL:
            return f"no itch scores tell how long a dose holds in this dog: the label says {until}"
        if self.longest >= self.cap:
            until = f"{until} or longer"
        seen = f"{number_of(self.relapses, 'relapse')} after {number_of(self.doses, 'dose')}"
        chance = 100.0 * self.rate.no_response if self.rate else math.nan
        none = "not known" if math.isnan(chance) else f"{chance:.0f} %"
        if chance < _SELDOM:
            none = f"under {_SELDOM} %"
        return (
            f"a dose holds {until} in four of five cases, from {seen} of this dog and from the "
            f"practice's other dogs; chance of no response by these scores: {none}"
        )


def label_range(shortest: float, longest: float, *, cap: float) -> EffectTime:
    """Return what the label says, where no scores tell of a dog; days, no further than the cap."""
    if not 0 < shortest <= longest:
        raise EffectTimeError(
            f"a label range of {shortest} to {longest} days was given; days must be above 0 and "
            "rise; correct the therapy's table"
        )
    return EffectTime(LABEL, min(shortest, cap), min(longest, cap), 0, 0, cap)


def effect_time(
    seen: FollowUps,
    dog: str,
    population: Population | None,
    *,
    label: tuple[float, float],
    cap: float,
    calendar_rate: Floats | None = None,
) -> EffectTime:
    """Return one dog's effect time.

    Parameters
    ----------
    seen
        Follow-ups of the practice.
    dog
        The dog.
    population
        The practice's effect times, None where they cannot be told.
    label
        Shortest and longest interval of the label [d].
    cap
        Longest effect that may be planned [d]: the longest measured against placebo, or what a vet
        gave their word for.
    calendar_rate
        As `calendar_rates` gives it for `seen`; worked out unless given.

    Returns
    -------
    EffectTime
        The label's range where the practice's effect times are not known or the dog has no scores.
    """
    if population is None or dog not in seen.dogs:
        return label_range(*label, cap=cap)
    rates = calendar_rates(seen) if calendar_rate is None else calendar_rate
    own = seen.of(dog)
    rates = rates[seen.dog == seen.dogs.index(dog)]
    rate = update_rate(own, population, calendar_rate=rates)
    low, high = (_quantile(population.shape, rate, share) for share in (0.9, 0.1))
    return EffectTime(
        SCORES,
        min(low, cap),
        min(high, cap),
        own.dog.size,
        own.relapses,
        cap,
        population.shape,
        rate,
    )


def update_rate(own: FollowUps, population: Population, *, calendar_rate: Floats) -> RatePosterior:
    """Update the gamma distribution of one dog's rate by its doses."""
    shape = population.shape
    a0, b0 = population.alike, population.alike / population.rate
    told, mixed = np.isfinite(own.relapsed), np.isfinite(calendar_rate)
    quiet = own.quiet**shape
    ends = np.where(told, own.relapsed, np.where(mixed, own.followed, own.quiet + 1.0)) ** shape
    width = np.maximum(ends - quiet, np.finfo(float).tiny)
    days = np.where(mixed, own.followed - own.quiet, 1.0)
    by_calendar = np.where(mixed, calendar_rate, 0.0)
    a, b = a0, b0
    for _ in range(_ROUNDS):
        mean = a / b
        s, m = interval_as_gamma(mean * width)
        by_itch = -np.expm1(-mean * width) / days
        held = by_calendar * np.exp(-mean * width)
        itched = np.where(mixed, by_itch / (by_itch + held), told.astype(float))
        calendar = np.where(mixed, 1.0 - itched, 0.0)
        new_a = a0 + float(itched @ s)
        new_b = b0 + float(quiet.sum() + itched @ m / mean + calendar @ width)
        if abs(new_a / new_b - mean) <= _STILL * mean:
            break
        a, b = new_a, new_b
    responds, none = dog_terms(own, population, calendar_rate=calendar_rate)
    odds = np.exp(none - responds)[0] * population.non_responders
    return RatePosterior(a, b, float(odds / (odds + 1.0 - population.non_responders)))


def interval_as_gamma(x: Floats) -> tuple[Floats, Floats]:
    r"""Return *s* and :math:`m \lambda` of a relapse in an interval, by its :math:`x`."""
    safe = np.maximum(x, 1e-8)
    p = safe * np.exp(-safe) / -np.expm1(-safe)
    m = p * (safe / -np.expm1(-safe) - 1.0)
    return np.asarray(p + m), np.asarray(m)


def _quantile(shape: float, rate: RatePosterior, share: float) -> float:
    """Return the days for which the effect lasts with probability `share`, if it responds."""
    return float((rate.b * (share ** (-1.0 / rate.a) - 1.0)) ** (1.0 / shape))
