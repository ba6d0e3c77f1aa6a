from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lifelines import WeibullFitter
from scipy.stats import gamma

from models.effect_time import FollowUps, Population
from models.effect_time.follow_up import End
from models.effect_time.likelihood import calendar_rates, log_likelihood

ALIKE = Population(shape=2.5, typical=30.0, alike=np.inf, non_responders=0.0)


def doses(*rows, dog=None) -> FollowUps:
    """Make follow-ups of (quiet, relapsed, followed, end); each of a dog of its own unless told."""
    quiet, relapsed, followed, end = (
        np.array(column, dtype=float) for column in zip(*rows, strict=True)
    )
    number = np.arange(len(rows)) if dog is None else np.array(dog)
    names = tuple(f"dog {n}" for n in range(number.max() + 1))
    return FollowUps(names, number, quiet, relapsed, followed, end.astype(np.int64), quiet > 0)


def intervals(n: int, seed: int) -> FollowUps:
    """Draw Weibull times seen at scores a week apart, a third of them censored."""
    rng = np.random.default_rng(seed)
    time = 42.0 * rng.weibull(2.2, n)
    low = np.floor(time / 7) * 7
    seen = rng.random(n) < 0.67
    rows = [
        (a, a + 7 if told else np.inf, a + 7, End.SCORE if told else End.OPEN)
        for a, told in zip(low, seen, strict=True)
    ]
    return doses(*rows)


def test_as_an_independent_library_has_it():
    """Dogs alike, all responding: lifelines' interval-censored Weibull, at its own maximum."""
    seen = intervals(300, 1)
    theirs = WeibullFitter().fit_interval_censoring(seen.quiet, seen.relapsed)
    shape, typical = theirs.rho_, theirs.lambda_ * np.log(2) ** (1 / theirs.rho_)
    at = replace(ALIKE, shape=shape, typical=typical)
    assert log_likelihood(seen, at) == pytest.approx(theirs.log_likelihood_, rel=1e-6)
    for name in ("shape", "typical"):
        for factor in (0.97, 1.03):
            off = replace(at, **{name: getattr(at, name) * factor})
            assert log_likelihood(seen, off) < log_likelihood(seen, at)


def test_by_hand_with_all_dogs_alike():
    """The median is 30 days: quiet to day 30 has probability 1/2, a relapse by then as well."""
    assert log_likelihood(doses((30, np.inf, 30, End.OPEN)), ALIKE) == pytest.approx(np.log(0.5))
    assert log_likelihood(doses((0, 30, 30, End.ITCH)), ALIKE) == pytest.approx(np.log(0.5))


def by_a_fine_sum(seen: FollowUps, population: Population) -> float:
    """Integrate one dog's likelihood over its gamma rate, from the definition."""
    prior = gamma(population.alike, scale=population.rate / population.alike)
    edges = np.linspace(0, prior.isf(1e-13) ** 0.5, 100_001) ** 2  # finer where the prior peaks
    rate, share = (edges[1:] + edges[:-1]) / 2, np.diff(prior.cdf(edges))
    for quiet, relapsed in zip(seen.quiet, seen.relapsed, strict=True):
        k = population.shape
        gone = np.exp(-rate * relapsed**k) if np.isfinite(relapsed) else 0.0
        share = share * (np.exp(-rate * quiet**k) - gone)
    return float(share.sum())


@pytest.mark.parametrize(("alike", "within"), [(0.7, 1e-3), (3.0, 1e-5), (40.0, 1e-5)])
def test_a_dogs_own_rate_is_integrated_over(alike, within):
    """Three doses of one dog; dogs as unlike as 0.7 are told a little less exactly."""
    seen = doses(
        (20, 34, 34, End.SCORE),
        (35, np.inf, 35, End.CALENDAR),
        (10, 24, 24, End.ITCH),
        dog=[0, 0, 0],
    )
    population = replace(ALIKE, alike=alike)
    expected = np.log(by_a_fine_sum(seen, population))
    assert log_likelihood(seen, population) == pytest.approx(expected, rel=within)


def test_non_responders_are_a_share_apart():
    """By hand: itch by day 30 is certain without response, and 1/2 with it."""
    itchy = doses((0, 30, 30, End.ITCH))
    half = replace(ALIKE, non_responders=0.4)
    assert log_likelihood(itchy, half) == pytest.approx(np.log(0.4 + 0.6 * 0.5))
    quiet = doses((30, np.inf, 30, End.OPEN))
    assert log_likelihood(quiet, half) == pytest.approx(np.log(0.6 * 0.5))


def reasons(n_itch: int, n_calendar: int, n_unknown: int, *, day=30.0) -> FollowUps:
    """Give doses on one day for each reason."""
    rows = [(0, day, day, End.ITCH)] * n_itch
    rows += [(day, np.inf, day, End.CALENDAR)] * n_calendar
    rows += [(10, np.inf, day, End.REASON_NOT_KNOWN)] * n_unknown
    return doses(*rows)


def test_the_rate_of_doses_by_calendar_is_counted_where_reasons_are_on_record():
    """Of 40 doses, all on day 30, 20 have a reason, 10 the calendar's.

    The window reaches 3.5 days back from day 30: 40 times 3.5 days; half have a reason.
    """
    rates = calendar_rates(reasons(10, 10, 20))
    assert rates[-1] == pytest.approx(10 / (40 * 3.5) / 0.5)
    assert np.isnan(rates[:20]).all()


def test_an_unknown_reason_is_either():
    """By hand, quiet on day 10: even density of a relapse, or the calendar's rate if still held."""
    seen = reasons(10, 10, 1)
    rate = calendar_rates(seen)[-1]
    held = {day: 0.5 ** ((day / 30) ** 2.5) for day in (10, 30)}
    expected = np.log((held[10] - held[30]) / 20 + rate * held[30])
    whole = log_likelihood(seen, ALIKE)
    assert whole - log_likelihood(reasons(10, 10, 0), ALIKE) == pytest.approx(expected)


def test_with_too_few_reasons_on_record_an_unknown_one_is_the_quiet_before_it():
    """Nine known reasons are too few to tell itch from calendar."""
    seen = reasons(5, 4, 1)
    assert np.isnan(calendar_rates(seen)).all()
    more = log_likelihood(seen, ALIKE) - log_likelihood(reasons(5, 4, 0), ALIKE)
    assert more == pytest.approx(-np.log(2) * (10 / 30) ** 2.5)
