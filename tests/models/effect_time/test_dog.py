from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import gamma

from models.effect_time import EffectTimeError, FollowUps, Population, effect_time, label_range
from models.effect_time.dog import LABEL, SCORES, interval_as_gamma, update_rate
from models.effect_time.follow_up import End

PRACTICE = Population(shape=2.5, typical=32.0, alike=4.0, non_responders=0.12)
LABELLED = {"label": (28.0, 56.0), "cap": 49.0}
NONE_KNOWN = np.array([np.nan])


def doses_of(*rows, dog: str = "rex") -> FollowUps:
    """Make one dog's follow-ups of (quiet, relapsed, end)."""
    table = np.array([(q, r, e) for q, r, e in rows], dtype=float).reshape(len(rows), 3)
    quiet, relapsed, end = table.T
    followed = np.where(np.isfinite(relapsed), relapsed, np.maximum(quiet, 1))
    return FollowUps(
        (dog,), np.zeros(len(rows), int), quiet, relapsed, followed, end.astype(int), quiet > 0
    )


def updated(seen: FollowUps, population: Population = PRACTICE):
    """Update the prior by doses whose reasons are all on record."""
    return update_rate(seen, population, calendar_rate=np.full(seen.dog.size, np.nan))


def by_integration(seen: FollowUps, population: Population):
    """Return mean and spread of the rate, and how long the effect lasts, by a fine sum over it."""
    k = population.shape
    prior = gamma(population.alike, scale=population.rate / population.alike)
    rate = np.linspace(0, prior.isf(1e-12), 40_001)
    weight = prior.pdf(rate)
    for quiet, relapsed in zip(seen.quiet, seen.relapsed, strict=True):
        gone = np.exp(-rate * relapsed**k) if np.isfinite(relapsed) else 0.0
        weight = weight * (np.exp(-rate * quiet**k) - gone)
    weight = weight / weight.sum()
    mean = weight @ rate
    spread = np.sqrt(weight @ (rate - mean) ** 2)
    return mean, spread, np.array([weight @ np.exp(-rate * day**k) for day in (20, 30, 40)])


DOGS = {
    "censored alone": [(35, np.inf, End.CALENDAR), (28, np.inf, End.OPEN)],
    "narrow intervals": [(30, 33, End.ITCH), (25, 28, End.ITCH), (41, 44, End.ITCH)],
    "wide intervals": [(0, 30, End.ITCH), (14, 60, End.SCORE), (7, 45, End.SCORE)],
    "short effects": [(0, 10, End.SCORE), (0, 12, End.SCORE), (7, 20, End.ITCH)],
    "long effects": [(40, 54, End.ITCH), (49, np.inf, End.OPEN), (42, 70, End.SCORE)],
}


@pytest.mark.parametrize("rows", DOGS.values(), ids=DOGS.keys())
def test_the_gamma_update_is_that_of_numerical_integration(rows):
    """Mean within 3 %, spread within 8 %, chance that the effect lasts within 0.01."""
    seen = doses_of(*rows)
    rate = updated(seen)
    mean, spread, lasting = by_integration(seen, PRACTICE)
    assert rate.a / rate.b == pytest.approx(mean, rel=0.03)
    assert np.sqrt(rate.a) / rate.b == pytest.approx(spread, rel=0.08)
    days = np.array([20.0, 30.0, 40.0]) ** PRACTICE.shape
    np.testing.assert_allclose((rate.b / (rate.b + days)) ** rate.a, lasting, atol=0.01)


def test_censored_doses_update_exactly():
    """Each adds its days to the power of the shape to the rate, and nothing to the shape."""
    rate = updated(doses_of((35, np.inf, End.CALENDAR), (28, np.inf, End.OPEN)))
    assert rate.a == pytest.approx(4.0)
    assert rate.b == pytest.approx(4.0 / PRACTICE.rate + 35**2.5 + 28**2.5)


def test_a_known_day_is_one_event_and_an_endless_interval_none():
    """The two ends of an interval, by hand: s = 1 and m = half of it; s = m = 0."""
    s, m = interval_as_gamma(np.array([1e-4, 60.0]))
    np.testing.assert_allclose(s, [1.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(m / [1e-4, 1.0], [0.5, 0.0], atol=1e-4)


def test_slope_and_curvature_of_an_interval_are_its_own():
    """Differences of log(1 - exp(-x)) in log x, against s - m and -m."""
    for x in (0.1, 1.0, 4.0):
        step = 1e-4
        low, here, high = (np.log(-np.expm1(-x * np.exp(off))) for off in (-step, 0.0, step))
        s, m = interval_as_gamma(np.array([x]))
        assert (high - low) / (2 * step) == pytest.approx(s[0] - m[0], rel=1e-5)
        assert (high - 2 * here + low) / step**2 == pytest.approx(-m[0], rel=1e-4)


def test_an_unknown_reason_lies_between_itch_and_calendar():
    """The dose on day 30 after quiet on day 10, by the calendar's rate from none to all."""
    itch = updated(doses_of((10, 30, End.ITCH)))
    unknown = doses_of((10, np.inf, End.REASON_NOT_KNOWN))
    unknown = replace(unknown, followed=np.array([30.0]))

    def mean(rate_of_calendar):
        rate = update_rate(unknown, PRACTICE, calendar_rate=np.array([rate_of_calendar]))
        return rate.a / rate.b

    calendar = updated(doses_of((30, np.inf, End.CALENDAR)))
    assert mean(0.0) == pytest.approx(itch.a / itch.b, rel=1e-6)
    assert mean(1e9) == pytest.approx(calendar.a / calendar.b, rel=1e-6)
    assert calendar.a / calendar.b < mean(0.02) < itch.a / itch.b


def test_a_dog_that_was_ever_quiet_responds():
    """And one that never was, after three doses, probably does not."""
    assert updated(doses_of((20, 30, End.ITCH), (0, 10, End.SCORE))).no_response == 0.0
    never = updated(doses_of((0, 10, End.SCORE), (0, 10, End.SCORE), (0, 10, End.SCORE)))
    assert never.no_response > 0.8
    assert updated(doses_of()).no_response == pytest.approx(PRACTICE.non_responders)


def test_a_dog_without_doses_that_tell_is_the_practices_average():
    """The prior: the median of the mean rate holds to day 32 in a little more than half of dogs."""
    own = effect_time(doses_of(), "rex", PRACTICE, **LABELLED)
    assert own.basis == SCORES
    expected = (1 - 0.12) * (4 / (4 + np.log(2))) ** 4
    assert own.lasting(np.array([32.0]))[0] == pytest.approx(expected)


def test_nothing_is_planned_beyond_the_cap_without_a_vets_word():
    """A dog that held for 80 days time and again."""
    long = doses_of(*[(80, np.inf, End.OPEN)] * 12)
    own = effect_time(long, "rex", PRACTICE, **LABELLED)
    assert own.holds_until() == 49.0
    assert own.longest == 49.0
    assert "to 49 days or longer in four of five cases" in own.sentence
    with_word = effect_time(long, "rex", PRACTICE, label=(28.0, 56.0), cap=70.0)
    assert 49.0 < with_word.holds_until() <= 70.0


def test_the_day_planned_for_is_the_one_on_which_the_effect_holds_as_asked():
    """Eight of ten times, counting no response; and no day at all where that is likelier."""
    own = effect_time(doses_of((25, 35, End.ITCH)), "rex", PRACTICE, **LABELLED)
    assert own.lasting(np.array([own.holds_until(0.8)]))[0] == pytest.approx(0.8)
    never = doses_of(*[(0, 10, End.SCORE)] * 4)
    assert effect_time(never, "rex", PRACTICE, **LABELLED).holds_until(0.8) is None


def test_without_scores_there_is_the_labels_range_and_it_says_so():
    """For a dog without scores, and for a practice whose effect times are not known."""
    for told in (
        effect_time(doses_of(dog="tom"), "rex", PRACTICE, **LABELLED),
        effect_time(doses_of((25, 35, End.ITCH)), "rex", None, **LABELLED),
    ):
        assert told.basis == LABEL
        assert (told.shortest, told.longest) == (28.0, 49.0)
        assert told.holds_until() == 28.0
        assert np.isnan(told.lasting(np.array([10.0]))).all()
        assert told.sentence == (
            "no itch scores tell how long a dose holds in this dog: the label says 28 to 49 days"
        )


def test_a_label_that_runs_backwards_is_refused():
    """Longest before shortest."""
    with pytest.raises(EffectTimeError, match="56 to 28"):
        label_range(56, 28, cap=49)
