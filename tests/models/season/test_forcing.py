import numpy as np
import pytest

from models.season.forcing import ThermalForcing, chill_days, crossing_day, set_weights


def test_a_sum_is_crossed_within_its_day():
    """Adding 2 a day, 5 is reached in the middle of day 2, which is its noon."""
    cumulative = np.cumsum(np.full((1, 5), 2.0), axis=1)
    assert crossing_day(cumulative, np.array([5.0]))[0] == pytest.approx(2.0)
    assert crossing_day(cumulative, np.array([4.0]))[0] == pytest.approx(1.5)


def test_a_sum_that_is_not_reached_has_no_day():
    """Past the last day there is no crossing, and none is invented."""
    cumulative = np.cumsum(np.full((1, 5), 2.0), axis=1)
    assert np.isnan(crossing_day(cumulative, np.array([10.5]))[0])


@pytest.mark.parametrize(
    ("temperature", "rate"),
    # Triangle between -3.4 and 10.4 with its top at 3.5: (0 + 3.4) / 6.9, (10.4 - 8) / 6.9.
    [(-5.0, 0.0), (0.0, 3.4 / 6.9), (3.5, 1.0), (8.0, 2.4 / 6.9), (12.0, 0.0)],
)
def test_chill_follows_the_triangle(temperature, rate):
    """The chill day of a steady temperature is the height of the triangle there."""
    steady = np.full((1, 3), temperature)
    np.testing.assert_allclose(chill_days(steady, steady), [[rate, 2 * rate, 3 * rate]])


def invented_seasons(seed, n=40):
    """Springs of differing warmth, rising from winter to summer, dims (season, day)."""
    rng = np.random.default_rng(seed)
    day = np.arange(300)
    mean = -2 + 26 * np.clip((day - 110) / 150, 0, 1) + rng.normal(0, 2.5, (n, 1))
    mean = mean + rng.normal(0, 3, (n, 300))
    return mean - 5, mean + 5


def test_dates_made_by_the_model_are_found_again():
    """From dates that exponential forcing made, unseen years are predicted within half a day."""
    low, high = invented_seasons(1)
    forcing = np.exp(0.1 * np.minimum(0.75 * high + 0.25 * low, 30.0))
    forcing[:, :122] = 0.0
    day = crossing_day(np.cumsum(forcing, axis=1), np.full(len(low), 120.0))
    region = np.arange(40) % 4
    model = ThermalForcing().fit(low[:30], high[:30], day[:30], region=region[:30])
    error = model.predict(low[30:], high[30:]) - day[30:]
    assert day.std() > 4
    assert np.abs(error).max() < 0.5


def test_weights_favour_the_better_set_and_add_up():
    """Of two sets the one with a tenth of the error takes nearly all; a hopeless one gets zero."""
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 1, 60)
    day = np.full(60, 100.0)
    weights = set_weights(
        np.stack([day + noise, day + 10 * noise]), day, np.zeros(60, dtype=np.int64)
    )
    assert weights.sum() == pytest.approx(1)
    assert weights[0] == 1
    even = set_weights(np.stack([day + noise, day - noise]), day, np.zeros(60, dtype=np.int64))
    np.testing.assert_allclose(even, [0.5, 0.5])
