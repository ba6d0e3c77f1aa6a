"""The state-space member: that it follows, foretells and forgets as its equations say."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.flare.season_terms import season
from models.flare.state_space import StateSpace
from models.flare.state_space_kernels import FIRST_COLUMN, PARAMETERS, follow, look_ahead
from models.parameters import load_table
from models.streams import DrawStreams

TABLE = load_table("models.flare", "flare.toml")
WEEKS = pd.date_range("2014-01-06", periods=400, freq="7D")
N_DRAWS = 400


def _counts(mean: np.ndarray, *, seed: int = 0) -> xr.DataArray:
    """Poisson counts around means ``(region, week)``."""
    values = np.random.default_rng(seed).poisson(mean).astype(float)
    return xr.DataArray(
        values,
        dims=("region", "week"),
        coords={"region": [f"r{i}" for i in range(len(mean))], "week": WEEKS[: mean.shape[1]]},
    )


def _fitted(counts: xr.DataArray, **known) -> StateSpace:
    return StateSpace().fit(counts, xr.zeros_like(counts), **known)


def _drawn(
    member: StateSpace, first: int, *, n_regions: int = 1, n_weeks: int = 26
) -> xr.DataArray:
    names = [f"r{i}" for i in range(n_regions)]
    weeks = pd.date_range(WEEKS[0], periods=first + n_weeks, freq="7D")[first:]
    known = xr.DataArray(
        np.zeros((N_DRAWS, n_regions, n_weeks)),
        dims=("draw", "region", "week"),
        coords={"region": names, "week": weeks},
    )
    return member.draw(known, streams=DrawStreams([5], N_DRAWS, names))


def _season(n_weeks: int) -> np.ndarray:
    return np.exp(0.6 * np.cos(2 * np.pi * np.arange(n_weeks) / 52.18))


# -------------------------------------------------------------------------- against a direct sum
def _set(**named: float) -> np.ndarray:
    """One set of parameters, shape ``(1, parameter)``."""
    usual = {
        "level_step": 0.05,
        "level_half_life": 30.0,
        "slope_step": 0.004,
        "slope_half_life": 20.0,
        "slope_start": 0.01,
        "short_sd": 0.2,
        "short_persistence": 0.7,
        "season_step": 0.03,
        "season_bend": 0.0,
        "size": 1e12,
    }
    return np.array([[(usual | named)[name] for name in PARAMETERS]])


def test_large_counts_are_followed_as_normal_ones_are():
    """Counts of millions tell the log-mean with variance 1 / count: linear and normal.

    Then the state after the last week is the conditional mean of a joint normal vector, which is
    worked out directly here: the state of each week is a product of transitions and steps.
    """
    n, shares = 12, np.array([1.0, 1.0, 0.0])
    rng = np.random.default_rng(3)
    columns = rng.normal(size=(n + 1, 3))
    level, bases = 2e6, rng.normal(0, 0.2, n)
    counts = np.round(level * np.exp(bases))[None]
    known = np.full((1, n), np.log(level))
    sets, season_sd, base_sd = _set(), np.array([0.4, 0.3, 0.2]), 0.5
    nothing = np.zeros((1, n), bool)
    _, mean, covariance = follow(
        counts, known, nothing, columns[:n], shares, np.zeros((1, 3)), season_sd, base_sd, sets
    )
    move = np.eye(7)
    move[0, 0], move[0, 1] = 0.5 ** (1 / 30), 1.0
    move[1, 1], move[2, 2] = 0.5 ** (1 / 20), 0.7
    step = np.diag([0.05**2, 0.004**2, 0.2**2 * (1 - 0.7**2), 0, 0.03**2, 0.03**2, 0])
    start = np.diag(
        [
            min(0.05**2 / (1 - move[0, 0] ** 2), base_sd**2),
            *(0.01**2, 0.2**2, base_sd**2, *season_sd**2),
        ]
    )
    # covariance of the states of all weeks, from the sums of what each step leaves
    powers = [np.linalg.matrix_power(move, k) for k in range(n + 1)]
    joint = np.zeros((n, n, 7, 7))
    for one in range(n):
        for two in range(n):
            total = powers[one + 1] @ start @ powers[two + 1].T
            for k in range(min(one, two) + 1):
                total = total + powers[one - k] @ step @ powers[two - k].T
            joint[one, two] = total
    seen = np.column_stack([np.tile([1.0, 0.0, 1.0, 1.0], (n, 1)), columns[:n]])
    of_seen = np.einsum("ai,abij,bj->ab", seen, joint, seen) + np.diag(1.0 / counts[0])
    with_last = np.einsum("aij,aj->ia", joint[-1], seen)
    told = np.log(counts[0] / level)
    expected = with_last @ np.linalg.solve(of_seen, told)
    left = joint[-1, -1] - with_last @ np.linalg.solve(of_seen, with_last.T)
    assert mean[0, 0] == pytest.approx(expected, abs=2e-4)
    assert covariance[0, 0] == pytest.approx(left, abs=2e-4)
    centre, spread = look_ahead(mean, covariance, columns[n:], shares, sets)
    ahead = np.concatenate([[1.0, 0.0, 1.0, 1.0], columns[n]])
    assert centre[0, 0, 0] == pytest.approx(ahead @ move @ expected, abs=1e-3)
    variance = ahead @ (move @ left @ move.T + step) @ ahead
    assert spread[0, 0, 0] == pytest.approx(variance, rel=1e-2)


def test_the_likelihood_of_one_count_is_that_of_the_mixture():
    """Of a single week: the negative binomial averaged over a normal log-mean, by quadrature."""
    from scipy import stats

    sets = _set(size=5.0)
    known = np.array([[np.log(8.0)]])
    column = np.zeros((1, 1))

    def likelihood(count: float) -> float:
        found = follow(
            *(np.array([[count]]), known, np.zeros((1, 1), bool), column, np.array([1.0])),
            *(np.zeros((1, 1)), np.array([0.1]), 0.3, sets),
        )
        return float(found[0][0])

    stays = 0.5 ** (1 / 30)
    variance = (
        stays** 2 * min(0.3**2, 0.05**2 / (1 - stays**2))
        + (0.01**2 + 0.05**2 + 0.2**2 + 0.3**2)  # slope, steps of level and memory, base
    )
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    mean = 8.0 * np.exp(np.sqrt(variance) * node)
    exact = [
        np.log((weight * stats.nbinom.pmf(k, 5.0, 5.0 / (5.0 + mean))).sum() / weight.sum())
        for k in (3, 20)
    ]
    # terms of the count alone are left out: log k! differs, and nothing else
    apart = likelihood(20.0) - likelihood(3.0) - np.log(np.prod(np.arange(4.0, 21.0)))
    assert apart == pytest.approx(exact[1] - exact[0], abs=0.02)


def test_a_bent_season_makes_its_high_weeks_less_certain():
    """By the square of exp(beta S) in the short memory's step, all else equal."""
    columns, shares = np.array([[1.0]]), np.array([1.0])
    mean = np.zeros((1, 1, FIRST_COLUMN + 1))
    mean[..., -1] = 0.5
    covariance = np.zeros((1, 1, FIRST_COLUMN + 1, FIRST_COLUMN + 1))
    step = 0.2**2 * (1 - 0.7**2)
    spread = [
        look_ahead(mean, covariance, columns, shares, _set(season_bend=bend))[1][0, 0, 0]
        for bend in (0.0, 0.8)
    ]
    assert spread[1] - spread[0] == pytest.approx(step * (np.exp(2 * 0.8 * 0.5) - 1.0))


# ----------------------------------------------------------------------------------- in use
def test_a_fall_that_lasts_runs_on_and_a_level_that_stands_is_held():
    """Counts falling by a fifth a year are foretold lower in half a year; even ones are not."""
    falling = 200.0 * np.exp(-0.22 * np.arange(300) / 52.18)
    for mean, low, high in ((falling, 0.80, 0.99), (np.full(300, 100.0), 0.93, 1.07)):
        middle = _drawn(_fitted(_counts(mean[None])), 300).median("draw").values[0]
        assert low < middle[-1] / middle[0] < high


def test_the_season_ahead_is_that_of_the_past():
    """Foretold half a year on, when it is known well."""
    mean = 60.0 * _season(340)
    middle = _drawn(_fitted(_counts(mean[None, :313])), 313).median("draw").values[0]
    assert middle == pytest.approx(mean[313:339], rel=0.15)


def test_a_region_that_says_nothing_yet_has_the_season_of_all():
    """Ten known weeks tell no season; that of a region of sixty a week beside it is taken."""
    many = 60.0 * _season(313)
    counts = _counts(np.stack([many, many / 20.0]))
    counts[1, :303] = np.nan
    drawn = _drawn(_fitted(counts), 313, n_regions=2).mean("draw").values
    true = _season(339)[313:]
    assert (drawn[1] / drawn[1].mean()) == pytest.approx(true / true.mean(), rel=0.25)
    assert drawn[1].mean() < 0.2 * drawn[0].mean()


def test_weeks_that_are_not_known_are_weeks_that_only_passed():
    """Ending early, or three unknown weeks: the same forecast of the same weeks."""
    counts = _counts(30.0 * _season(300)[None])
    member = _fitted(counts)
    gap = counts.copy(deep=True)
    gap[:, 297:] = np.nan
    early, late = (_drawn(member.updated(c, xr.zeros_like(c)), 300) for c in (counts[:, :297], gap))
    assert np.array_equal(early.values, late.values)


def test_told_of_the_same_counts_and_kept_as_text_it_draws_the_same():
    """To the last bit."""
    counts = _counts(np.stack([20.0 * _season(250), 3.0 * _season(250)]))
    member = _fitted(counts)
    text = json.dumps(member.to_dict(), default=lambda a: np.asarray(a).tolist())
    drawn = [
        _drawn(m, 250, n_regions=2).values
        for m in (
            member,
            member.updated(counts, xr.zeros_like(counts)),
            StateSpace.from_dict(json.loads(text)),
        )
    ]
    assert np.array_equal(drawn[0], drawn[1])
    assert np.array_equal(drawn[0], drawn[2])


def test_newer_counts_move_the_level_and_leave_the_parameters():
    """Twice as many for eight weeks are foretold to stay for a while."""
    counts = _counts(30.0 * np.ones((1, 300)))
    member = _fitted(counts)
    more = counts.copy(deep=True)
    more[:, 292:] *= 2.0
    told = member.updated(more, xr.zeros_like(more))
    assert np.array_equal(told.parameters_, member.parameters_)
    usual, raised = (float(_drawn(m, 300, n_weeks=4).mean()) for m in (member, told))
    assert 1.2 < raised / usual < 2.2


def test_a_full_week_is_taken_in_only_where_it_says_more():
    """At least 10 where 30 were thought of is no news; at least 60 is."""
    counts = _counts(30.0 * np.ones((1, 300)))
    nothing = _fitted(counts)
    for count, said in ((10.0, False), (60.0, True)):
        seen = counts.copy(deep=True)
        seen[:, 296:] = count
        full = xr.zeros_like(counts, dtype=bool)
        full[:, 296:] = True
        blank = seen.where(~full)
        told = nothing.updated(seen, xr.zeros_like(seen), full=full)
        passed = nothing.updated(blank, xr.zeros_like(blank))
        same = np.array_equal(told.mean_, passed.mean_)
        assert same is not said


def test_nothing_is_drawn_far_above_what_was_ever_seen():
    """A log-mean ends at twice the highest rate of the past."""
    counts = _counts(30.0 * _season(250)[None])
    member = _fitted(counts)
    member.mean_[..., 0] += 9.0
    extra = TABLE.number("direct_lag.pseudo_count")
    rate = np.exp(member.log_rate_[0])
    highest = 2.0 * rate * (float(counts.max()) + extra) / (rate + extra)
    assert TABLE.number("state_space.beyond") == 2.0
    assert float(_drawn(member, 250).mean()) == pytest.approx(highest, rel=0.05)


@pytest.mark.long
def test_intervals_hold_what_they_say_on_counts_of_its_own_kind():
    """Counts made by the equations: 80 % intervals hold 80 %, thirty series of 26 weeks.

    Weeks of a series go together, so the bounds are those of some sixty independent weeks.
    """
    rng, held = np.random.default_rng(11), []
    weeks = pd.date_range(WEEKS[0], periods=339, freq="7D")
    columns = season(weeks.values.astype("datetime64[D]"), 3)
    for series in range(30):
        level, slope, memory = 0.0, rng.normal(0, 0.0015), 0.0
        coefficients = rng.normal(0, [0.4, 0.4, 0.2, 0.2, 0.1, 0.1, 0.1, 0.1])
        log_mean = np.empty(339)
        for week in range(339):
            level += slope + rng.normal(0, 0.01)
            slope = 0.5 ** (1 / 52) * slope + rng.normal(0, 0.00015)
            memory = 0.8 * memory + rng.normal(0, 0.12 * 0.6)
            log_mean[week] = 3.5 + level + memory + columns[week] @ coefficients
        counts = rng.poisson(np.exp(log_mean) * rng.gamma(40.0, 1 / 40.0, 339)).astype(float)
        past = xr.DataArray(
            counts[None, :313],
            dims=("region", "week"),
            coords={"region": ["r0"], "week": weeks[:313]},
        )
        drawn = _drawn(_fitted(past), 313).values[:, 0]
        low, high = np.quantile(drawn, [0.1, 0.9], axis=0)
        held.append(((counts[313:] >= low) & (counts[313:] <= high)).mean())
        assert series < 30
    assert 0.70 < np.mean(held) < 0.93
