"""The weekly risk of one dog: its own flares, shrunk to the pressure of its region.

A dog with little history is taken to be as likely to flare as the atopic dogs of its region; a
dog with much history speaks for itself, part of the year by part of the year.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isinf

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincinv

from forecast.dosing.therapies import DosingError, days_rule, rule
from models.weeks import mondays, week_of_year

Floats = NDArray[np.float64]
Days = NDArray[np.datetime64]

WEEKS_OF_YEAR = 52


@dataclass(frozen=True)
class DogRisk:
    """Probability that a flare starts in a week if the dog is not covered, week by week.

    `scenarios (scenario, week)` are equally likely courses of that probability, with the same
    mean: years in which the season comes early, late or hardly, and how ill the dog may prove.
    `relative` is how many times the region's pressure this dog carries in that part of the year;
    `own_flares` and `expected_flares` count what it rests on. NaN means not known.
    """

    weeks: Days
    probability: Floats
    scenarios: Floats
    relative: Floats
    own_flares: int
    expected_flares: float


@dataclass(frozen=True)
class DogHistory:
    """Flare visits, and the spans (first and last day) under observation and not covered."""

    flare_visits: tuple[date, ...]
    observed: tuple[tuple[date, date], ...]

    def __post_init__(self) -> None:
        for first, last in self.observed:
            if last < first:
                raise DosingError(
                    f"a span under observation from {first} to {last} was given; the last day "
                    "must not be before the first; correct the span"
                )


def dog_risk(
    history: DogHistory,
    past_pressure: Sequence[float] | Floats,
    *,
    past_weeks: Days,
    pressure: Floats,
    weeks: Days,
    prior_strength: float | None = None,
) -> DogRisk:
    r"""Return the weekly flare probability of one dog.

    `past_pressure (week,)` and `pressure (week,)` or `(draw, week)` are the region's flares per
    atopic dog and week without cover, on `past_weeks` and `weeks` (Mondays).

    For a week in part :math:`s` of the year, with :math:`y_s` flares of the dog and :math:`E_s`
    expected from the region over the weeks it was observed within the window around :math:`s`,

    .. math:: y_s \sim \text{Poisson}(\theta_s E_s), \quad \theta_s \sim \text{Gamma}(\nu, \nu),
              \quad \text{E}[\theta_s \mid y_s] = (y_s + \nu) / (E_s + \nu)

    and the chance of at least one flare under pressure :math:`\lambda` is that of a negative
    binomial count above zero, :math:`1 - ((E_s + \nu) / (E_s + \nu + \lambda))^{y_s + \nu}`,
    averaged over the draws. Each part of the year is judged by itself, so that a dog that flares
    in autumn does not look ill in spring.

    References: D. Clayton, J. Kaldor (1987), Biometrics 43:671-681, gamma-Poisson model.
    """
    nu = rule("dog_risk.prior_strength") if prior_strength is None else prior_strength
    rates = np.atleast_2d(np.asarray(pressure, dtype=float))
    past = np.asarray(past_pressure, dtype=float)
    _check(nu, past=past, past_weeks=past_weeks, rates=rates, weeks=weeks)
    flares, expected = _by_part_of_year(history, past, mondays(past_weeks))
    part = week_of_year(weeks)
    own, region = window_sum(np.stack([flares, expected]))[:, part]
    probability = chance_of_a_flare(own, region, nu=nu, rates=rates).mean(axis=0)
    return DogRisk(
        weeks=mondays(weeks),
        probability=probability,
        scenarios=_scenarios(own, region, nu=nu, rates=rates, probability=probability),
        relative=np.ones(part.size) if isinf(nu) else (own + nu) / (region + nu),
        own_flares=int(flares.sum()),
        expected_flares=float(expected.sum()),
    )


def prior_strength(flares: Sequence[int] | Floats, expected: Sequence[float] | Floats) -> float:
    r"""Fit :math:`\nu` to the dogs of a practice: how unlike each other its dogs are.

    Moment equation of Clayton & Kaldor (1987), with the mean held at one because the region's
    pressure is itself the mean of its dogs. With :math:`\hat\theta_i = (y_i + \nu)/(E_i + \nu)`,

    .. math:: \frac{1}{\nu} = \frac{1}{n - 1} \sum_i (1 + \nu / E_i)(\hat\theta_i - 1)^2
              \;\Leftrightarrow\; \sum_i \frac{\nu\,(y_i - E_i)^2}{E_i (E_i + \nu)} = n - 1

    whose left side rises with :math:`\nu` up to Pearson's chi-square: one root, or none where
    the dogs differ no more than chance makes them. Then infinity: use the region alone.
    """
    counts, means = np.asarray(flares, dtype=float), np.asarray(expected, dtype=float)
    if counts.size < 2 or counts.shape != means.shape or not (means > 0).all():
        raise DosingError(
            f"the spread between dogs was asked of {counts.size} counts and {means.size} "
            "expected counts; it takes two dogs or more, each with an expected count above 0"
        )
    squares = (counts - means) ** 2 / means
    excess = squares.sum() / (counts.size - 1) - 1
    if excess <= 0:
        return float("inf")

    def beyond_chance(nu: float) -> float:
        return float((nu * squares / (means + nu)).sum()) - (counts.size - 1)

    low, high = means.min() / excess, means.max() / excess
    return float(low) if low == high else float(brentq(beyond_chance, low, high))


def chance_of_a_flare(own: Floats, region: Floats, *, nu: float, rates: Floats) -> Floats:
    """Return the chance of a flare or more, from flares had and expected and the region's rate."""
    if isinf(nu):  # dogs that do not differ: Poisson at the region's pressure
        return -np.expm1(-rates)
    chance: Floats = -np.expm1(-(own + nu) * np.log1p(rates / (region + nu)))
    return chance


def _scenarios(
    own: Floats, region: Floats, *, nu: float, rates: Floats, probability: Floats
) -> Floats:
    """Return courses (scenario, week): some draws of the pressure, each at some levels of the dog.

    The levels are the middles of equally likely slices of its gamma, the same slice all year.
    Scaling each week to the exact mean removes what slicing leaves out.
    """
    picked = np.linspace(0, len(rates) - 1, min(len(rates), days_rule("dog_risk.scenario_draws")))
    levels = days_rule("dog_risk.scenario_levels")
    middles = (np.arange(levels) + 0.5) / levels
    relative = np.ones((levels, own.size))
    if not isinf(nu):
        relative = gammaincinv(own + nu, middles[:, None]) / (region + nu)
    chance = -np.expm1(-relative[:, None, :] * rates[picked.round().astype(int)])
    courses = chance.reshape(-1, own.size)
    mean = courses.mean(axis=0)
    scale = np.divide(probability, mean, out=np.ones_like(mean), where=mean > 0)
    scaled: Floats = np.minimum(courses * scale, 1.0)
    return scaled


def _by_part_of_year(history: DogHistory, pressure: Floats, weeks: Days) -> tuple[Floats, Floats]:
    """Return the dog's flares and the region's expectation over its observed weeks, by part."""
    share = observed_share(history, weeks) * np.isfinite(pressure)
    part = week_of_year(weeks)
    flares = np.zeros(WEEKS_OF_YEAR)
    expected = np.zeros(WEEKS_OF_YEAR)
    np.add.at(expected, part, share * np.nan_to_num(pressure))
    np.add.at(flares, part, flares_by_week(history, weeks) * (share > 0))
    return flares, expected


def flares_by_week(history: DogHistory, weeks: Days) -> Floats:
    """Return the dog's flare visits of each week (Mondays, rising); those of no such week drop."""
    counted = np.zeros(weeks.size)
    days = mondays(np.array(history.flare_visits, dtype="datetime64[D]"))
    place = np.searchsorted(weeks, days)
    held = place < weeks.size
    held[held] = weeks[place[held]] == days[held]
    np.add.at(counted, place[held], 1.0)
    return counted


def observed_share(history: DogHistory, weeks: Days) -> Floats:
    """Return the share of each week's days that lie in a span under observation."""
    days = weeks[:, None] + np.arange(7)
    seen = np.zeros(days.shape, dtype=bool)
    for first, last in history.observed:
        seen |= (days >= np.datetime64(first)) & (days <= np.datetime64(last))
    share: Floats = seen.mean(axis=1)
    return share


def window_sum(by_part: Floats) -> Floats:
    """Add up the parts of the year (last) within the window on each side, across New Year too."""
    window = days_rule("dog_risk.season_window")
    total = np.zeros(by_part.shape)
    for shift in range(-window, window + 1):
        total += np.roll(by_part, shift, axis=-1)
    return total


def _check(nu: float, *, past: Floats, past_weeks: Days, rates: Floats, weeks: Days) -> None:
    if past.shape != np.shape(past_weeks) or rates.shape[-1] != np.size(weeks):
        raise DosingError(
            f"the risk of a dog was asked with {past.size} past values for {np.size(past_weeks)} "
            f"weeks and {rates.shape[-1]} values for {np.size(weeks)} weeks ahead; give one value "
            "a week"
        )
    if (past < 0).any() or (rates < 0).any():
        raise DosingError(
            "the risk of a dog was asked with a pressure below 0; flares per atopic dog and week "
            "are 0 or more; check the region's pressure"
        )
    if not nu > 0:
        raise DosingError(f"a prior strength of {nu} was asked; it must be above 0")
