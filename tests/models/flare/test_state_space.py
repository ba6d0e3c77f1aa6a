"""The state-space member: that it follows, foretells and forgets as its equations say."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from models.flare.season_terms import season
from models.flare.state_space import StateSpace
from models.flare.state_space_kernels import FIRST_COLUMN, PARAMETERS, follow, walk
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


def _of_paths(mean, root, columns, shares, parameters) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of the paths: they are linear in the normal numbers, unbent."""
    shape = (len(columns) + 1, len(mean))

    def path(normals: np.ndarray) -> np.ndarray:
        return walk(mean, root, columns, shares, parameters, normals.reshape(shape))

    centre = path(np.zeros(shape))
    answers = np.array([path(one) - centre for one in np.eye(np.prod(shape))])
    return centre, answers.T @ answers


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
    root = np.linalg.cholesky(covariance[0, 0])
    centre, variance = _of_paths(mean[0, 0], root, columns[n:], shares, sets[0])
    ahead = np.concatenate([[1.0, 0.0, 1.0, 1.0], columns[n]])
    assert centre[0] == pytest.approx(ahead @ move @ expected, abs=1e-3)
    expected_variance = ahead @ (move @ left @ move.T + step) @ ahead
    assert variance[0, 0] == pytest.approx(expected_variance, rel=1e-2)


def test_the_likelihood_of_one_count_is_that_of_the_mixture():
    """Of a single week: the negative binomial averaged over a normal log-mean, by quadrature."""
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
    mean, root = np.zeros(FIRST_COLUMN + 1), np.zeros((FIRST_COLUMN + 1, FIRST_COLUMN + 1))
    mean[-1] = 0.5
    step = 0.2**2 * (1 - 0.7**2)
    variance = [
        _of_paths(mean, root, np.array([[1.0]]), np.array([1.0]), _set(season_bend=bend)[0])[1]
        for bend in (0.0, 0.8)
    ]
    expected = step * (np.exp(2 * 0.8 * 0.5) - 1.0)
    assert variance[1][0, 0] - variance[0][0, 0] == pytest.approx(expected)


def test_weeks_of_a_path_share_what_lasts():
    """Two weeks on: level 2^(-1/30) a week, slope in between, memory 0.7 a week, base for good."""
    mean = np.zeros(FIRST_COLUMN)
    spread = np.array([0.3, 0.0, 0.2, 0.1])
    nothing = np.zeros((2, 0))
    _, found = _of_paths(mean, np.diag(spread), nothing, np.zeros(0), _set(slope_step=0.0)[0])
    stays = 0.5 ** (1 / 30)
    level = stays * (stays**2 * 0.3**2 + 0.05**2)
    memory = 0.7 * 0.2**2  # at its long-run variance from the first week on
    assert found[0, 1] == pytest.approx(level + memory + 0.1**2)


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
    """Ending early, or three unknown weeks: forecasts of the same weeks that differ by chance."""
    counts = _counts(30.0 * _season(300)[None])
    member = _fitted(counts)
    gap = counts.copy(deep=True)
    gap[:, 297:] = np.nan
    early, late = (_drawn(member.updated(c, xr.zeros_like(c)), 300) for c in (counts[:, :297], gap))
    for week in (0, 12):
        one, two = (np.sqrt(d.values[:, 0, week]) for d in (early, late))
        assert stats.ks_2samp(one, two).pvalue > 0.01


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


def test_a_full_week_tells_what_a_bound_tells():
    """Of a normal log-mean plus the noise of a count, known to lie above the log of the count.

    The moments of what is left are those of a truncated normal sum, by quadrature.
    """
    base_sd, size, known = 0.3, 20.0, np.log(30.0)
    sets = _set(level_step=1e-6, slope_start=1e-9, slope_step=1e-9, short_sd=1e-6, size=size)
    for count in (10.0, 30.0, 60.0):
        found = follow(
            *(np.array([[count]]), np.array([[known]]), np.ones((1, 1), bool)),
            *(np.zeros((1, 1)), np.array([1.0]), np.zeros((1, 1)), np.array([0.1])),
            *(base_sd, sets),
        )
        noise = np.sqrt(1.0 / count + 1.0 / size)
        at = np.linspace(-3.0, 3.0, 20001)
        weight = stats.norm.pdf(at, 0.0, base_sd) * stats.norm.sf(
            np.log(count) - known - at, 0, noise
        )
        mean = (at * weight).sum() / weight.sum()
        variance = ((at - mean) ** 2 * weight).sum() / weight.sum()
        assert found[1][0, 0, 3] == pytest.approx(mean, abs=1e-5)
        assert found[2][0, 0, 3, 3] == pytest.approx(variance, rel=1e-3)
        assert found[0][0] == pytest.approx(np.log(weight.sum() * (at[1] - at[0])), abs=1e-4)


def test_full_weeks_that_say_no_more_than_was_thought_hardly_move_the_level():
    """At least 10 where 30 were thought of is hardly news; at least 60 for a month is."""
    counts = _counts(30.0 * np.ones((1, 300)))
    nothing = _fitted(counts)
    full = xr.zeros_like(counts, dtype=bool)
    full[:, 296:] = True
    passed = nothing.updated(counts.where(~full), xr.zeros_like(counts))
    usual = float(_drawn(passed, 300, n_weeks=4).mean())
    for count, low, high in ((10.0, 0.97, 1.06), (60.0, 1.25, 2.2)):
        seen = counts.where(~full, count)
        told = nothing.updated(seen, xr.zeros_like(seen), full=full)
        assert low < float(_drawn(told, 300, n_weeks=4).mean()) / usual < high


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


@pytest.mark.parametrize(("shared", "low", "high"), [(0.0, 0.0, 0.25), (1.0, 0.7, 0.99)])
def test_regions_go_together_as_they_did(shared, low, high):
    """Shocks of their own, or one for both: so their surprises say, and so totals are drawn."""
    rng = np.random.default_rng(8)
    shocks = rng.normal(size=(3, 320))
    memory = np.zeros((2, 320))
    for week in range(1, 320):
        step = np.sqrt(shared) * shocks[2, week] + np.sqrt(1.0 - shared) * shocks[:2, week]
        memory[:, week] = 0.8 * memory[:, week - 1] + 0.15 * step
    member = _fitted(_counts(40.0 * np.exp(memory), seed=4))
    assert low <= member.alike_ <= high
    drawn = np.log1p(_drawn(member, 320, n_regions=2).values[:, :, 4])
    assert np.corrcoef(drawn.T)[0, 1] == pytest.approx(member.alike_, abs=0.25)


@pytest.mark.long
def test_intervals_hold_what_they_say_on_counts_of_its_own_kind():
    """Counts made by the equations: 80 % intervals hold 80 %, thirty series of 26 weeks.

    Weeks of a series go together, so the bounds are those of some sixty independent weeks.
    """
    rng, held = np.random.default_rng(11), []
    weeks = pd.date_range(WEEKS[0], periods=339, freq="7D")
    columns = season(weeks.values.astype("datetime64[D]"), 3)
    for _ in range(30):
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
    assert 0.70 < np.mean(held) < 0.90
