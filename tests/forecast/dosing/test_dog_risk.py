"""The risk of one dog: its own flares against its region's, by hand."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from scipy import stats

from forecast.dosing.dog_risk import DogHistory, dog_risk, prior_strength
from forecast.dosing.therapies import DosingError
from models.weeks import week_range

PAST = week_range(date(2021, 1, 4), 104).values.astype("datetime64[D]")
AHEAD = week_range(date(2023, 1, 2), 52).values.astype("datetime64[D]")
TWO_YEARS = ((date(2021, 1, 4), date(2023, 1, 1)),)
FLAT = np.full(104, 0.02)


def risk(flares, *, observed=TWO_YEARS, past=FLAT, pressure=None, strength=1.0):
    return dog_risk(
        DogHistory(tuple(flares), observed),
        past,
        past_weeks=PAST,
        pressure=np.full(52, 0.02) if pressure is None else pressure,
        weeks=AHEAD,
        prior_strength=strength,
    )


def test_the_shrunken_rate_is_the_sum_done_by_hand():
    """Two flares in mid-May, seven weeks of window in two years at 0.02: (2 + 1) / (0.28 + 1)."""
    result = risk([date(2021, 5, 12), date(2022, 5, 11)])
    may, november = 19, 45
    assert result.relative[may] == pytest.approx((2 + 1) / (7 * 2 * 0.02 + 1))
    assert result.relative[november] == pytest.approx((0 + 1) / (7 * 2 * 0.02 + 1))
    # chance of a negative binomial count above zero with that shape and mean
    shape, weight = 3.0, 1.28
    by_scipy = 1 - stats.nbinom.pmf(0, shape, weight / (weight + 0.02))
    assert result.probability[may] == pytest.approx(by_scipy)
    assert (result.own_flares, result.expected_flares) == (2, pytest.approx(104 * 0.02))


def test_a_dog_never_observed_is_its_region():
    """Without time under observation a dog carries its region's pressure, no less."""
    result = risk([], observed=())
    assert result.relative == pytest.approx(np.ones(52))
    assert result.expected_flares == 0


def test_quiet_years_lower_the_risk_and_flares_raise_it():
    """Observed and quiet is less than the region, observed and flaring is more."""
    quiet, ill = risk([]), risk([date(2021, 5, 12), date(2022, 5, 11)])
    unknown = risk([], observed=())
    assert quiet.probability[19] < unknown.probability[19] < ill.probability[19]


def test_a_strong_prior_is_the_region_alone():
    """With an endless prior the chance is one minus e to the minus pressure."""
    result = risk([date(2021, 5, 12)], strength=float("inf"))
    assert result.probability == pytest.approx(np.full(52, 1 - np.exp(-0.02)))
    near = risk([date(2021, 5, 12)], strength=1e9)
    assert near.probability == pytest.approx(result.probability, rel=1e-6)


def test_covered_or_unseen_weeks_do_not_count():
    """A flare outside the spans is left out together with its weeks' expectation."""
    only_2022 = ((date(2022, 1, 3), date(2023, 1, 1)),)
    result = risk([date(2021, 5, 12)], observed=only_2022)
    assert result.own_flares == 0
    assert result.expected_flares == pytest.approx(52 * 0.02)


def test_part_of_a_week_counts_in_part():
    """Three days of a week under observation weigh three sevenths of its expectation."""
    spans = ((date(2021, 1, 4), date(2021, 1, 6)),)
    assert risk([], observed=spans).expected_flares == pytest.approx(0.02 * 3 / 7)


def test_the_window_reaches_across_new_year():
    """A flare at the end of December speaks for early January."""
    result = risk([date(2021, 12, 28)])
    assert result.relative[0] > 1 > result.relative[26]


def test_past_weeks_of_unknown_pressure_count_neither_way():
    """A week without a known pressure takes its flares out as well."""
    past = FLAT.copy()
    past[18] = np.nan  # the week of 10 May 2021
    result = risk([date(2021, 5, 12)], past=past)
    assert result.own_flares == 0
    assert result.expected_flares == pytest.approx(103 * 0.02)


def test_unknown_pressure_ahead_stays_unknown():
    """Risk is not known where the region's pressure is not."""
    pressure = np.full(52, 0.02)
    pressure[10] = np.nan
    result = risk([], pressure=pressure)
    assert np.isnan(result.probability[10])
    assert np.isfinite(np.delete(result.probability, 10)).all()


def test_scenarios_keep_the_mean_and_show_the_spread():
    """Scenarios average to the probability of each week and differ among themselves."""
    rng = np.random.default_rng(4)
    draws = 0.02 * rng.gamma(2.0, 0.5, size=(300, 52))
    result = risk([date(2021, 5, 12)], pressure=draws)
    assert result.scenarios.mean(axis=0) == pytest.approx(result.probability)
    assert (result.scenarios.std(axis=0) > 0).all()
    assert ((result.scenarios >= 0) & (result.scenarios <= 1)).all()


def test_draws_are_averaged_as_chances():
    """The probability over draws is the mean of the draws' own probabilities."""
    low, high = np.full(52, 0.01), np.full(52, 0.09)
    both = risk([], pressure=np.stack([low, high])).probability
    mean = (risk([], pressure=low).probability + risk([], pressure=high).probability) / 2
    assert both == pytest.approx(mean)


def test_the_prior_of_equal_expectations_has_a_closed_form():
    """With equal E the moment equation gives nu = E / (D - 1), D being chi-square / (n - 1)."""
    flares = [0, 1, 2, 8, 1]
    dispersion = sum((y - 2) ** 2 / 2 for y in flares) / 4  # (4+1+0+36+1)/2/4
    assert dispersion == pytest.approx(42 / 8)
    assert prior_strength(flares, [2.0] * 5) == pytest.approx(2 / (42 / 8 - 1))


def test_the_prior_solves_the_published_equation():
    """The fitted strength satisfies the variance equation of Clayton & Kaldor (1987)."""
    flares, expected = np.array([0, 3, 9, 1, 0, 14.0]), np.array([1.0, 2.5, 4, 2, 0.7, 5])
    nu = prior_strength(flares, expected)
    theta = (flares + nu) / (expected + nu)
    variance = ((1 + nu / expected) * (theta - 1) ** 2).sum() / (len(flares) - 1)
    assert variance == pytest.approx(1 / nu)


def test_dogs_alike_leave_the_region_alone():
    """Dogs that differ no more than chance give an endless prior."""
    assert prior_strength([2, 2, 1, 3], [2.0, 2.0, 2.0, 2.0]) == float("inf")


def test_the_prior_recovers_the_spread_it_was_drawn_from():
    """From 4,000 dogs drawn with strength 1.5 the fit comes back near 1.5."""
    rng = np.random.default_rng(8)
    expected = rng.uniform(0.5, 4, 4000)
    flares = rng.poisson(rng.gamma(1.5, 1 / 1.5, 4000) * expected)
    assert prior_strength(flares, expected) == pytest.approx(1.5, rel=0.15)


def test_bad_input_is_refused():
    """Wrong lengths, negative pressure, a span turned round, one dog: refused with the reason."""
    with pytest.raises(DosingError, match="one value"):
        risk([], past=FLAT[:-1])
    with pytest.raises(DosingError, match="below 0"):
        risk([], pressure=np.full(52, -0.1))
    with pytest.raises(DosingError, match="prior strength"):
        risk([], strength=0.0)
    with pytest.raises(DosingError, match="not be before"):
        DogHistory((), ((date(2022, 1, 1), date(2022, 1, 1) - timedelta(days=1)),))
    with pytest.raises(DosingError, match="two dogs or more"):
        prior_strength([1], [1.0])
