"""What counts say of a season in progress: amounts, onsets, and what is left of departures."""

from __future__ import annotations

import numpy as np
import pytest

from models.exposure_state import Counted, RegionState, SeasonState, prior_odds, shifts
from models.parameters import load_table

TABLE = load_table("models", "exposure_counts.toml")
MOST = int(TABLE.number("shift.most"))
EPSILON = TABLE.number("detection")
N_DAYS = 40
AMOUNT_SD = 0.7
OWN = TABLE.number("amount_local") * AMOUNT_SD**2


def season_rate(*, late=0.0):
    """Return a bell of two weeks' width around day 25 of the season, summing to about one."""
    days = np.arange(-MOST, N_DAYS + MOST) - late
    bell = np.exp(-0.5 * ((days - 25) / 6.0) ** 2)
    return bell / bell.sum()


def counted(counts, *, rate=None, released=None, scale_log_sd=0.1, noise=0.4):
    counts = np.asarray(counts, float)
    weather = np.ones(len(counts)) if released is None else released
    rate = season_rate() if rate is None else rate
    return Counted(rate[: len(counts) + 2 * MOST], weather, counts, scale_log_sd, noise)


def as_modelled(n_days=N_DAYS, *, times=1.0, late=0.0):
    return times * season_rate(late=late)[MOST : MOST + n_days]


def in_season(*regions, onset_sd=1e-3):
    states = [None if one is None else RegionState(one, AMOUNT_SD) for one in regions]
    return SeasonState(states, onset_sd=onset_sd, amount_sd=AMOUNT_SD)


def test_without_counts_nothing_is_learnt():
    """Odds of the onset's error are the prior's, the amount's mean and spread as well."""
    state = in_season(None, None, onset_sd=7.0)
    np.testing.assert_allclose(state.odds, prior_odds(7.0))
    shared = AMOUNT_SD**2 - OWN
    np.testing.assert_allclose(state.amount_variance, shared)
    np.testing.assert_allclose(state.amount_mean, -shared / 2)


def test_prior_odds_are_those_of_a_normal_error_to_the_whole_day():
    """Zero days: between -1/2 and 1/2 of a standard deviation of one, 0.3829; all sum to one."""
    odds = prior_odds(1.0)
    assert odds[MOST] == pytest.approx(0.38292, abs=1e-5)
    assert odds.sum() == pytest.approx(1.0)


def test_amounts_are_those_of_joint_conditioning():
    """Two regions: the shared amount's mean and variance equal those of one joint Gaussian.

    Built here from the model's equations: log counts of both regions are linear in the shared
    amount, each region's own part, its scale's error, departures and noise.
    """
    rng = np.random.default_rng(2)
    parts = [counted(as_modelled(30) * np.exp(rng.normal(0.6, 0.5, 30))) for _ in range(2)]
    state = in_season(*parts)
    shared, own = AMOUNT_SD**2 - OWN, OWN
    sd, days = TABLE.number("departure.log_sd"), TABLE.number("departure.days")
    response, misfit = [], []
    for one in parts:
        index = one.rate[MOST : MOST + 30]
        h = index / (index + EPSILON)
        usual = -0.5 * (sd**2 + one.noise**2)
        response.append(h)
        misfit.append(np.log(one.counts + EPSILON) - np.log(index + EPSILON) - usual * h)
    h, y = np.concatenate(response), np.concatenate(misfit)
    region = np.repeat([0, 1], 30)
    at = np.tile(np.arange(30), 2)
    same = region[:, None] == region
    apart = np.abs(at[:, None] - at)
    covariance = np.outer(h, h) * (shared + same * (own + parts[0].scale_log_sd ** 2))
    covariance += same * sd**2 * np.exp(-apart / days) + np.eye(60) * parts[0].noise ** 2
    mean = h * (-shared / 2 - own / 2)
    gain = shared * h @ np.linalg.inv(covariance)
    middle = MOST
    assert state.amount_mean[middle] == pytest.approx(-shared / 2 + gain @ (y - mean), abs=1e-9)
    assert state.amount_variance[middle] == pytest.approx(shared - gain @ h * shared, abs=1e-9)


def test_counts_of_a_late_season_tell_that_it_is_late():
    """Counted as modelled six days later: so it most likely is, and within three days of that."""
    state = in_season(counted(as_modelled(late=6)), onset_sd=8.0)
    assert shifts()[state.odds.argmax()] == 6
    assert state.odds[np.abs(shifts() - 6) <= 3].sum() > 0.8


def test_before_a_season_comes_no_counts_speak_against_an_early_one_only():
    """Ten days before the modelled start nothing was counted: late stays possible, early not."""
    state = in_season(counted(np.zeros(12)), onset_sd=8.0)
    prior = prior_odds(8.0)
    early, late = shifts() < -12, shifts() > 0
    assert state.odds[early].sum() < 0.2 * prior[early].sum()
    assert state.odds[late].sum() > prior[late].sum()


def test_a_day_s_weather_stays_where_it_is_when_the_season_moves():
    """Rain on two known days: the counts of a season five days late, damped on those very days."""
    released = np.ones(N_DAYS)
    released[[18, 27]] = 0.1
    state = in_season(counted(as_modelled(late=5) * released, released=released), onset_sd=8.0)
    assert shifts()[state.odds.argmax()] == 5


def factors(state, *, days, n_draws=400):
    rng = np.random.default_rng(3)
    errors = state.onset_errors(rng.normal(size=n_draws))
    own = rng.normal(size=(n_draws, len(state.regions), 2))
    asked = [np.arange(days)] * len(state.regions)
    return state.factors(errors, rng.normal(size=n_draws), own, days=asked)


def test_yesterday_s_count_moves_today_and_less_so_later():
    """A last count of four times the usual: today's factor rises, a month on it is forgotten."""
    usual = as_modelled(25)
    much = usual.copy()
    much[-1] *= 4
    before, after = (
        factors(in_season(counted(one)), days=60)[1][0].mean(axis=0) for one in (usual, much)
    )
    risen = after - before
    assert risen[25] > 0.15
    assert (np.diff(risen[25:]) < 0).all()
    assert abs(risen[55]) < 0.02


def test_a_rich_season_is_taken_to_stay_rich():
    """Three times the usual from the start: the amount of all draws is well above one."""
    amount, _ = factors(in_season(counted(as_modelled(25, times=3.0))), days=60)
    assert 1.8 < amount.mean() < 3.2
    usual, _ = factors(in_season(None), days=60, n_draws=4000)
    assert np.log(amount).std() < 0.75 * np.log(usual).std()
    assert usual.mean() == pytest.approx(1.0, abs=0.05)


def test_a_region_without_counts_borrows_with_a_wider_spread():
    """Its neighbour's rich season lifts it, less than the neighbour, and it is less sure."""
    rich = counted(as_modelled(30, times=4.0))
    amount, departures = factors(in_season(rich, None), days=60, n_draws=2000)
    assert departures[1] is None
    middle = np.median(amount, axis=0)
    assert 1.2 < middle[1] < middle[0]
    assert np.log(amount[:, 1]).std() > 1.3 * np.log(amount[:, 0]).std()


def test_a_scale_of_no_finished_season_tells_nothing_of_the_amount():
    """With an error of the scale of 1.5 a season counted threefold is no rich one."""
    state = in_season(counted(as_modelled(30, times=3.0), scale_log_sd=1.5))
    known = in_season(counted(as_modelled(30, times=3.0)))
    moved = state.amount_mean[MOST] + (AMOUNT_SD**2 - OWN) / 2
    assert 0 < moved < 0.35 * (known.amount_mean[MOST] + (AMOUNT_SD**2 - OWN) / 2)
