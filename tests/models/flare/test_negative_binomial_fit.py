import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from models.flare.negative_binomial_fit import FitError, fit_negative_binomial


def _sample(*, size: float, rows: int = 4000, terms: int = 5, seed: int = 4):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(rows), rng.normal(size=(rows, terms - 1))])
    truth = np.concatenate([[0.5], rng.normal(0, 0.3, terms - 1)])
    offset = rng.normal(0, 0.2, rows)
    mean = np.exp(offset + design @ truth)
    if np.isfinite(size):
        mean = mean * rng.gamma(size, 1 / size, rows)
    return design, rng.poisson(mean).astype(float), offset, truth


def test_equals_the_maximum_likelihood_of_statsmodels():
    """Without a prior the fit is statsmodels' (NB2, Newton), to 1e-8."""
    design, counts, offset, _ = _sample(size=2.5)
    ours = fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(5))
    model = sm.NegativeBinomial(counts, design, offset=offset, loglike_method="nb2")
    theirs = model.fit(method="newton", disp=0, maxiter=200, start_params=[0.5, 0, 0, 0, 0, 0.5])
    assert ours.coefficients == pytest.approx(theirs.params[:-1], abs=1e-8)
    assert 1 / ours.size == pytest.approx(theirs.params[-1], abs=1e-8)
    assert ours.log_likelihood == pytest.approx(theirs.llf, rel=1e-10)


def test_known_coefficients_are_recovered():
    """The truth lies within four standard errors of every estimate."""
    design, counts, offset, truth = _sample(size=4.0)
    fit = fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(5))
    error = np.abs(fit.coefficients - truth) / np.sqrt(np.diag(fit.covariance))
    assert error.max() < 4
    assert fit.size == pytest.approx(4.0, rel=0.25)


def test_poisson_counts_give_a_large_size():
    """Counts without extra spread are not given any."""
    design, counts, offset, _ = _sample(size=np.inf)
    fit = fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(5))
    assert fit.size > 50


def test_a_prior_draws_a_coefficient_to_zero():
    """The tighter the prior, the nearer to zero; at no precision it is the plain fit."""
    design, counts, offset, _ = _sample(size=3.0, rows=60)
    found = [
        abs(fit_negative_binomial(design, counts, offset=offset, precision=p).coefficients[1])
        for p in (np.array([0, w, 0, 0, 0.0]) for w in (0.0, 20.0, 500.0, 1e6))
    ]
    assert found == sorted(found, reverse=True)
    assert found[-1] < 1e-3


def test_slightly_overdispersed_counts_settle_whatever_the_seed():
    """Where the dispersion is small its last digits are noise; the fit must not wait for them."""
    sizes = [
        fit_negative_binomial(d, y, offset=o, precision=np.zeros(5)).size
        for d, y, o, _ in (_sample(size=100.0, rows=1200, seed=seed) for seed in range(60))
    ]
    assert min(sizes) > 10


def test_sparse_counts_settle():
    """Mostly zeros, where fits from other starts were seen to diverge."""
    rng = np.random.default_rng(8)
    design = np.column_stack([np.ones(300), rng.normal(size=300)])
    counts = (rng.random(300) < 0.02).astype(float) * 3
    fit = fit_negative_binomial(design, counts, offset=np.zeros(300), precision=np.ones(2))
    assert np.isfinite(fit.coefficients).all()
    assert np.abs(fit.coefficients).max() < 10


# ------------------------------------------------------------------------------ full diaries
def _full_weeks(limit: int, rows: int = 6000):
    design, counts, offset, truth = _sample(size=4.0, rows=rows, seed=6)
    return design, np.minimum(counts, limit), offset, counts >= limit, truth


def test_full_weeks_taken_as_at_least_give_the_truth_back():
    """A quarter of the weeks cut at three: as counted the level is too low, censored it fits."""
    design, counts, offset, cut, truth = _full_weeks(3)
    assert 0.15 < cut.mean() < 0.4
    plain = fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(5))
    fit = fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(5), censored=cut)
    assert plain.coefficients[0] < truth[0] - 0.15
    error = np.abs(fit.coefficients - truth) / np.sqrt(np.diag(fit.covariance))
    assert error.max() < 4.5
    assert fit.size == pytest.approx(4.0, rel=0.35)


def test_the_censored_fit_is_the_maximum_of_the_likelihood_written_out():
    """No coefficient, nor the size, moved a little gives more; likelihood by scipy's nbinom."""
    design, counts, offset, cut, _ = _full_weeks(4, rows=800)
    fit = fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(5), censored=cut)

    def likelihood(coefficients, size):
        mean = np.exp(offset + design @ coefficients)
        law = stats.nbinom(size, size / (size + mean))
        return np.where(cut, law.logsf(counts - 1), law.logpmf(counts)).sum()

    top = likelihood(fit.coefficients, fit.size)
    assert fit.log_likelihood == pytest.approx(top, rel=1e-10)
    for term in range(5):
        for moved in (-0.01, 0.01):
            other = fit.coefficients + moved * np.eye(5)[term]
            assert likelihood(other, fit.size) < top
    assert likelihood(fit.coefficients, fit.size * 1.03) < top
    assert likelihood(fit.coefficients, fit.size / 1.03) < top


@pytest.mark.parametrize(
    ("counts", "says"),
    [
        (np.array([1.0, np.nan, 2.0]), "missing values"),
        (np.array([1.0, -1.0, 2.0]), "cannot be negative"),
        (np.array([]), "no counts"),
    ],
)
def test_bad_rows_are_refused_in_a_sentence(counts, says):
    """Missing or negative counts never enter a fit."""
    with pytest.raises(FitError, match=says):
        fit_negative_binomial(
            np.ones((len(counts), 1)), counts, offset=np.zeros(len(counts)), precision=np.ones(1)
        )


@pytest.mark.parametrize("seed", [199, 201, 225])
def test_full_weeks_of_counts_without_spread_settle(seed):
    """Counts less spread than chance: nothing tells the dispersion, and the fit ends all the same.

    The three are of 225 tries those that once did not settle.
    """
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(150), rng.normal(size=(150, 1))])
    mean = np.exp(1.2 + 0.3 * design[:, 1])
    counts = rng.binomial(60, np.clip(mean / 60, 0, 1)).astype(float)
    cut = rng.random(150) < 0.05
    fit = fit_negative_binomial(
        design, counts, offset=np.zeros(150), precision=np.full(2, 0.01), censored=cut
    )
    assert fit.coefficients == pytest.approx([1.2, 0.3], abs=0.2)
    assert fit.size > 20
