import numpy as np
import pytest

from models.flare.shocks import SharedShock


def _counts(*, spread: float, persistence: float, weeks: int = 1500, seed: int = 2):
    rng = np.random.default_rng(seed)
    state, shocks = 0.0, np.empty(weeks)
    for week in range(weeks):
        state = persistence * state + spread * np.sqrt(1 - persistence**2) * rng.standard_normal()
        shocks[week] = state
    mean = np.full((4, weeks), 15.0)
    return rng.poisson(mean * np.exp(shocks - spread**2 / 2)).astype(float), mean, shocks


def test_planted_shocks_are_found():
    """Spread and persistence of simulated shocks come back, in the mean of ten samples."""
    found = []
    for seed in range(10):
        counts, mean, _ = _counts(spread=0.3, persistence=0.8, seed=seed)
        shock = SharedShock.estimate(counts, mean, size=np.inf)
        found.append((shock.spread, shock.persistence))
    assert np.mean(found, axis=0) == pytest.approx([0.3, 0.8], abs=0.03)


def test_shocks_of_a_single_region_are_not_taken_for_noise():
    """Though its counts' whole spread, shock and noise, was put down to the size beforehand."""
    rng = np.random.default_rng(11)
    state, shocks = 0.0, np.empty(1500)
    for week in range(1500):
        state = 0.8 * state + 0.3 * 0.6 * rng.standard_normal()
        shocks[week] = state
    mean = np.full((1, 1500), 60.0)
    counts = rng.poisson(mean * np.exp(shocks - 0.045)).astype(float)
    # var = m + m^2 / k with 1 / k = exp(0.3^2) - 1
    found = SharedShock.estimate(counts, mean, size=1 / np.expm1(0.09))
    assert found.spread == pytest.approx(0.3, abs=0.06)
    assert found.persistence == pytest.approx(0.8, abs=0.1)


def test_no_shock_is_found_where_there_is_none():
    """Poisson noise alone is hardly called a shock."""
    rng = np.random.default_rng(5)
    mean = np.full((4, 1500), 15.0)
    found = SharedShock.estimate(rng.poisson(mean).astype(float), mean, size=np.inf)
    assert found.spread < 0.06


def test_the_state_follows_the_last_weeks():
    """After weeks far above the mean the next weeks start above it and fade."""
    counts, mean, _ = _counts(spread=0.3, persistence=0.8)
    counts[:, -6:] = 30
    found = SharedShock.estimate(counts, mean, size=np.inf)
    paths = found.paths(np.random.default_rng(1).standard_normal((4000, 31)))
    level = np.exp(paths).mean(0)
    assert level[0] > 1.3
    assert level[-1] == pytest.approx(1.0, abs=0.06)


def test_unknown_weeks_are_passed_over():
    """Regions and weeks without counts neither raise nor lower the shock."""
    counts, mean, _ = _counts(spread=0.3, persistence=0.5)
    counts[2, :] = np.nan
    counts[:, 700] = np.nan
    found = SharedShock.estimate(counts, mean, size=np.inf)
    assert found.spread == pytest.approx(0.3, abs=0.08)


def test_told_of_the_same_weeks_the_state_is_the_same_to_the_bit():
    """So a model that was learnt today draws as if it had been told of nothing."""
    counts, mean, _ = _counts(spread=0.3, persistence=0.8)
    found = SharedShock.estimate(counts, mean, size=np.inf)
    assert found.after(counts, mean, size=np.inf) == found


def test_newer_weeks_move_the_state_alone():
    """Two weeks at twice the mean raise it; spread and persistence are those that were learnt."""
    counts, mean, _ = _counts(spread=0.3, persistence=0.8)
    found = SharedShock.estimate(counts, mean, size=np.inf)
    newer = np.hstack([counts, np.full((4, 2), 30.0)])
    told = found.after(newer, np.hstack([mean, np.full((4, 2), 15.0)]), size=np.inf)
    assert (told.spread, told.persistence) == (found.spread, found.persistence)
    assert told.state_mean > max(found.state_mean, 0.3)


def test_weeks_of_which_nothing_is_seen_fade_the_state():
    """By hand: 0.2 at a persistence of a half is 0.05 two weeks on, and its spread nears its own.

    Variance: a sixteenth of 0.01, and fifteen sixteenths of 0.09.
    """
    later = SharedShock(0.3, 0.5, 0.2, 0.01).later(2)
    assert later.state_mean == pytest.approx(0.05)
    assert later.state_variance == pytest.approx(0.01 / 16 + 0.09 * 15 / 16)
    assert (later.spread, later.persistence) == (0.3, 0.5)


def test_weeks_not_known_and_weeks_not_there_fade_it_alike():
    """Counts that end three weeks early say the same as counts with three unknown weeks."""
    counts, mean, _ = _counts(spread=0.3, persistence=0.8, weeks=200)
    found = SharedShock.estimate(counts, mean, size=np.inf)
    unknown = np.full((4, 3), np.nan)
    told = found.after(np.hstack([counts, unknown]), np.hstack([mean, unknown]), size=np.inf)
    later = found.later(3)
    assert told.state_mean == pytest.approx(later.state_mean, rel=1e-12)
    assert told.state_variance == pytest.approx(later.state_variance, rel=1e-12)
    assert found.later(0) is found
