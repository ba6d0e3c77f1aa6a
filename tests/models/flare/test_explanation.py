from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from models.flare.explanation import REMAINDER, USUAL, explain, regression_terms
from models.flare.forecaster import VisitForecaster
from models.streams import DrawStreams

_spec = importlib.util.spec_from_file_location(
    "counts_for_tests", Path(__file__).with_name("test_forecaster.py")
)
_counts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_counts)


@pytest.fixture(scope="module")
def made():
    past, anomalies, _ = _counts.make_counts(effect=0.3, years=5)
    fitted = VisitForecaster(("humidity",)).fit(past, anomalies)
    ahead = anomalies.isel(week=slice(-52, None)).expand_dims(draw=200)
    drawn = fitted.draw(ahead, streams=DrawStreams([1], 200, _counts.REGIONS))
    return fitted, ahead.mean("draw"), drawn


def test_the_terms_add_up_to_the_forecast(made):
    """Their sum is the log of mean pressure over mean consultations, to rounding."""
    fitted, ahead, drawn = made
    terms = explain(fitted, ahead, drawn)
    rate = drawn.pressure.mean("draw") / drawn.consultations.mean("draw")
    assert terms.sum("term").values == pytest.approx(np.log(rate.values), abs=1e-10)


def test_the_regressions_terms_are_its_log_mean(made):
    """Worked out the other way round: the whole design times all coefficients, plus the shock."""
    fitted, ahead, drawn = made
    regression = fitted.regression_
    weeks = drawn.pressure["week"].values
    terms = regression_terms(regression, ahead, weeks, fitted.past_["week"].values)
    x = ahead.sel(driver="humidity").values
    whole = regression.fixed_design(weeks) @ regression.coefficients_[:-1]
    whole = whole + regression.coefficients_[-1] * x
    shock = regression.shock_
    whole = whole + shock.state_mean * shock.persistence ** np.arange(1, 53)
    assert np.sum(list(terms.values()), axis=0) == pytest.approx(whole, abs=1e-12)


def test_a_damp_week_is_explained_by_humidity(made):
    """The term is effect times anomaly: about 0.3 log units a standard deviation, as planted."""
    fitted, ahead, drawn = made
    terms = explain(fitted, ahead, drawn)
    x = ahead.sel(driver="humidity", drop=True)
    slope = np.polyfit(x.values.ravel(), terms.sel(term="humidity").values.ravel(), 1)[0]
    assert slope == pytest.approx(0.3, abs=0.05)
    # usual and season hold what every year has: they do not move with this year's air
    rest = terms.sel(term=USUAL).values.ravel()
    assert abs(np.corrcoef(x.values.ravel(), rest)[0, 1]) < 0.3


def test_the_remainder_is_small_where_nothing_is_odd(made):
    """Members that agree leave the blend near the regression."""
    terms = explain(*made)
    assert float(np.abs(terms.sel(term=REMAINDER)).mean()) < 0.15
