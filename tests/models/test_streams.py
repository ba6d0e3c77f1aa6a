import numpy as np
import pytest

from models.streams import DrawStreams


def test_more_draws_leave_the_first_ones_as_they_were():
    """Draw 3 of 5 is draw 3 of 50."""
    few, many = DrawStreams([1, 2], 5, ["a"]), DrawStreams([1, 2], 50, ["a"])
    assert np.array_equal(few.shared_normal(4), many.shared_normal(4)[:5])
    assert np.array_equal(few.own_uniform(3), many.own_uniform(3)[:5])


def test_another_region_leaves_a_region_as_it_was():
    """Region b has its stream whether a stands before it or not."""
    alone, beside = DrawStreams([1], 6, ["b"]), DrawStreams([1], 6, ["a", "b"])
    assert np.array_equal(alone.own_uniform(3)[:, 0], beside.own_uniform(3)[:, 1])


def test_streams_differ_between_draws_regions_and_seeds():
    """No two streams give the same numbers."""
    streams = DrawStreams([1], 30, ["a", "b"])
    own = streams.own_uniform(1)[..., 0]
    shared = streams.shared(lambda stream: stream.random(1))[:, 0]
    other = DrawStreams([2], 30, ["a", "b"]).own_uniform(1)[..., 0]
    everything = np.concatenate([own.ravel(), shared, other.ravel()])
    assert len(np.unique(everything)) == len(everything)


@pytest.mark.parametrize("size", [3.0, np.inf])
def test_counts_have_the_mean_and_variance_of_their_law(size):
    """Variance is mean + mean^2 / size; a Poisson count at infinite size."""
    mean = np.full((4000, 1, 10), 8.0)
    counts = DrawStreams([5], 4000, ["a"]).own_counts(mean, size=size)
    assert counts.mean() == pytest.approx(8.0, rel=0.02)
    assert counts.var() == pytest.approx(8.0 + 64.0 / size, rel=0.04)


def test_shared_numbers_are_uncorrelated_between_draws():
    """Seeds that differ by one give unrelated numbers."""
    normal = DrawStreams([9], 2000, []).shared_normal(2)
    assert abs(np.corrcoef(normal[:-1, 0], normal[1:, 0])[0, 1]) < 0.08
    assert normal.std() == pytest.approx(1.0, abs=0.03)
