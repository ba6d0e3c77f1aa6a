from __future__ import annotations

import numpy as np
import pytest
from statsmodels.discrete.conditional_models import ConditionalLogit

from models.culprits import risk_sets
from models.culprits.conditional_logit import NormalPrior, fit_conditional_logit
from models.culprits.lags import before_visit, visit_delay
from models.culprits.year_blocks import LeftOut, YearBlocks

NO_WAIT = np.ones(1)


@pytest.fixture(scope="module")
def case(invented):
    """Give risk sets of a small practice, and two drivers on its days, (driver, region, day)."""
    practice = invented(5, effects={"trees": 0.3}, visits_a_day=0.15, visit_years=3, years=6)
    sets = risk_sets(practice.flares, practice.is_open)
    drivers = practice.departures.sel(driver=["trees", "humidity"]).values
    at = sets.day - practice.departures["time"].values[0].astype("datetime64[D]").astype(np.int64)
    return sets, drivers, at


def one_by_one(sets, rows):
    """Write a set with several visits as one set a visit, as the library wants it."""
    outcome, exog, groups = [], [], []
    for number in range(sets.first_row.size):
        own = np.flatnonzero(sets.set_of_row == number)
        for row in own:
            for _ in range(int(sets.visits[row])):
                outcome += [float(other == row) for other in own]
                exog += [rows[other] for other in own]
                groups += [len(groups) and groups[-1] + 1] * len(own)
    return np.array(outcome), np.array(exog), np.array(groups)


def test_estimates_and_errors_are_those_of_an_independent_library(case):
    """Conditional logit of statsmodels, on the same strata."""
    sets, drivers, at = case
    rows = before_visit(drivers, sets.region, at, n=1)
    ours = fit_conditional_logit(sets, rows, delay=NO_WAIT)
    outcome, exog, groups = one_by_one(sets, rows[:, 0])
    theirs = ConditionalLogit(outcome, exog, groups=groups).fit(method="newton", disp=False)
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(ours.covariance)), theirs.bse, rtol=1e-4)
    assert ours.log_likelihood == pytest.approx(theirs.llf, rel=1e-9)


def test_the_statistic_of_a_driver_left_out_is_the_librarys_score_test(case):
    """Score and information at the fit without it, from statsmodels."""
    sets, drivers, at = case
    rows = before_visit(drivers, sets.region, at, n=1)[:, 0]
    outcome, exog, groups = one_by_one(sets, rows)
    without = ConditionalLogit(outcome, exog[:, 1:], groups=groups).fit(method="newton", disp=False)
    both = ConditionalLogit(outcome, exog, groups=groups)
    place = np.array([0.0, without.params[0]])
    u, information = both.score(place)[0], -both.hessian(place)
    v = information[0, 0] - information[0, 1] ** 2 / information[1, 1]
    blocks = YearBlocks(1, 1, 1, at[None, :])
    found = LeftOut(sets, rows[:, 1:]).scores(drivers[0], blocks)
    assert found.statistic[0] == pytest.approx(u / np.sqrt(v), rel=1e-4)
    assert found.effect[0] == pytest.approx(u / v, rel=1e-4)


def test_with_a_wait_the_estimate_is_where_the_likelihood_is_highest(case):
    """No step away from it, in any direction, is better; worked out from the definition."""
    sets, drivers, at = case
    delay = visit_delay()
    rows = before_visit(drivers, sets.region, at, n=delay.size)
    fitted = fit_conditional_logit(sets, rows, delay=delay)

    def by_definition(beta):
        rate = (delay * np.exp(rows @ beta)).sum(axis=1)
        share = rate / sets.total(rate)[sets.set_of_row]
        return float(sets.visits @ np.log(share))

    best = by_definition(fitted.coefficients)
    assert best == pytest.approx(fitted.log_likelihood, rel=1e-12)
    for step in (1e-3, -1e-3):
        for driver in np.eye(2):
            assert by_definition(fitted.coefficients + step * driver) < best


def test_a_known_odds_ratio_is_recovered_with_the_wait_integrated_over(invented):
    """exp(0.4) lies within three errors, without shocks; a fit without the wait falls short."""
    practice = invented(
        8,
        effects={"trees": 0.4},
        shock=0.0,
        season=0.0,
        visits_a_day=3.0,
        visit_years=3,
        years=5,
        window=(0, 0),
    )
    sets = risk_sets(practice.flares, practice.is_open)
    days = practice.departures["time"].values.astype("datetime64[D]").astype(np.int64)
    drivers = practice.departures.sel(driver=["trees"]).values
    delay = visit_delay()
    rows = before_visit(drivers, sets.region, sets.day - days[0], n=delay.size)
    fitted = fit_conditional_logit(sets, rows, delay=delay)
    error = float(np.sqrt(fitted.covariance[0, 0]))
    assert error < 0.05
    assert abs(fitted.coefficients[0] - 0.4) < 3 * error
    forgetful = fit_conditional_logit(sets, rows[:, :1], delay=NO_WAIT)
    assert forgetful.coefficients[0] < 0.4 - 3 * error


def test_a_driver_that_tells_every_visit_has_no_odds(case):
    """It separates the visits from all other days: no maximum, so nothing is told."""
    sets, _, _ = case
    rows = (sets.visits > 0).astype(float)[:, None, None]
    assert not fit_conditional_logit(sets, rows, delay=NO_WAIT).converged


def test_under_a_firm_prior_nothing_moves_and_under_none_all_does(case):
    """The posterior mode lies between the prior's mean and the visits' own estimate."""
    sets, drivers, at = case
    rows = before_visit(drivers, sets.region, at, n=1)
    own = fit_conditional_logit(sets, rows, delay=NO_WAIT).coefficients
    mean = np.array([1.0, 1.0])

    def mode(precision):
        prior = NormalPrior(mean, precision * np.eye(2))
        return fit_conditional_logit(sets, rows, delay=NO_WAIT, prior=prior).coefficients

    np.testing.assert_allclose(mode(1e8), mean, atol=1e-4)
    np.testing.assert_allclose(mode(1e-8), own, atol=1e-4)
    between = mode(200.0)
    assert np.all((between - own) * (mean - between) > 0)
