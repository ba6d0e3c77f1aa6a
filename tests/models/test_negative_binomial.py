from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.negative_binomial import (
    NegativeBinomialError,
    cdf,
    log_probability,
    pit_interval,
    quantile,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)
means = st.floats(0.01, 300)
sizes = st.floats(0.2, 1e5)


@examples
@given(means, sizes)
def test_quantiles_are_the_smallest_counts_that_reach_their_level(mean, size):
    """Cumulative probability reaches the level at the quantile, and not one count below it."""
    levels = np.array([0.01, 0.25, 0.5, 0.9, 0.99])
    found = quantile(levels, mean, size)
    assert np.all(np.diff(found) >= 0)
    assert np.all(cdf(found, mean, size) >= levels - 1e-12)
    assert np.all(cdf(found - 1, mean, size) < levels + 1e-12)


@examples
@given(st.floats(0.1, 40), st.floats(0.5, 1e5))
def test_mean_and_variance_are_what_the_parameters_say(mean, size):
    """Moments summed from the probabilities: mean, and mean + mean^2 / size."""
    counts = np.arange(6000)
    p = np.exp(log_probability(counts, mean, size))
    assert p.sum() == pytest.approx(1.0, abs=1e-7)
    assert (counts * p).sum() == pytest.approx(mean, rel=1e-6)
    assert ((counts - mean) ** 2 * p).sum() == pytest.approx(mean + mean**2 / size, rel=1e-5)


@examples
@given(st.integers(0, 200), means, sizes)
def test_pit_interval_is_as_wide_as_the_probability(count, mean, size):
    """The stretch of a count in its forecast is the probability of that count."""
    lower, upper = pit_interval(count, mean, size)
    assert 0 <= lower <= upper <= 1
    assert upper - lower == pytest.approx(np.exp(log_probability(count, mean, size)), abs=1e-9)


def test_pit_interval_begins_at_zero_for_no_case():
    """A week without a case takes the stretch from 0 to its probability."""
    lower, upper = pit_interval(0, 2.0, 1.0)
    assert lower == 0.0
    assert upper == pytest.approx(1 / 3)  # size / (size + mean), to the power of size


def test_a_mean_of_zero_is_always_zero():
    """Where nothing can come, every quantile is 0."""
    assert quantile([0.01, 0.99], 0.0, 3.0).tolist() == [0.0, 0.0]
    assert cdf(0, 0.0, 3.0) == 1.0


def test_quantiles_of_a_labelled_field_carry_their_levels():
    """Regions and weeks stay, the levels come as a last dim with a coordinate."""
    mean = xr.DataArray([[5.0, np.nan]], dims=("region", "week"))
    found = quantile((0.1, 0.5, 0.9), mean, 4.0)
    assert found.dims == ("region", "week", "quantile")
    assert found["quantile"].values.tolist() == [0.1, 0.5, 0.9]
    assert np.isnan(found[0, 1]).all()
    assert not np.isnan(found[0, 0]).any()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: cdf(1, -1.0, 2.0), "mean.*-1"),
        (lambda: cdf(1, np.inf, 2.0), "mean.*inf"),
        (lambda: cdf(1, 1.0, 0.0), "size.*above 0.*0"),
        (lambda: log_probability(1.5, 1.0, 2.0), "whole number.*1.5"),
        (lambda: pit_interval(-1, 1.0, 2.0), "whole number.*-1"),
        (lambda: quantile([0.0, 0.5], 1.0, 2.0), "between 0 and 1"),
        (lambda: quantile(0.5, 1.0, 2.0), "list of numbers"),
    ],
)
def test_what_is_not_defined_is_refused(call, words):
    """The sentence says what is allowed and what was found."""
    with pytest.raises(NegativeBinomialError, match=words):
        call()
