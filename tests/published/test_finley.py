"""Alert scores on Finley's tornado forecasts of 1884.

Counts: verification page of the Centre for Australian Weather and Climate Research, after Murphy
1996, Weather and Forecasting 11:3-20. The page confirms the first decimals (96.6 % right, twice as
many alerts as events, more than half detected, 72 % of alerts false, threat score 23 %, 52 % able
to tell); further decimals are worked out from the definitions.
"""

from __future__ import annotations

import math

import pytest
import xarray as xr

from models.scores import AlertTable

FINLEY = AlertTable(hits=28, false_alarms=72, misses=23, correct_negatives=2680)


def test_there_were_2803_forecasts():
    """The four counts add up to the number of forecasts in the source."""
    assert FINLEY.cases == 2803


@pytest.mark.parametrize(
    ("score", "value", "last_digit"),
    [
        ("accuracy", 0.9661, 1e-4),
        ("frequency_bias", 1.9608, 1e-4),
        ("probability_of_detection", 0.5490, 1e-4),
        ("false_alarm_ratio", 0.7200, 1e-4),
        ("probability_of_false_detection", 0.02616, 1e-5),
        ("critical_success_index", 0.2276, 1e-4),
        ("hits_by_chance", 1.8195, 1e-4),
        ("equitable_threat_score", 0.2160, 1e-4),
        ("heidke_skill_score", 0.3553, 1e-4),
        ("peirce_skill_score", 0.5229, 1e-4),
        ("odds_ratio", 45.314, 1e-3),
        ("odds_ratio_skill_score", 0.9568, 1e-4),
        ("extremal_dependence_index", 0.7174, 1e-4),
        ("symmetric_extremal_dependence_index", 0.7528, 1e-4),
    ],
)
def test_score_of_finleys_forecasts(score, value, last_digit):
    """Each score agrees with the known value, to its printed digits."""
    assert getattr(FINLEY, score) == pytest.approx(value, abs=0.51 * last_digit)


def test_never_warning_looks_more_accurate():
    """The critics' point: no alert at all is right in 98.18 % of cases, and detects nothing."""
    never = AlertTable(hits=0, false_alarms=0, misses=51, correct_negatives=2752)
    assert never.accuracy == pytest.approx(0.9818, abs=0.51e-4)
    assert never.probability_of_detection == 0.0
    assert math.isnan(never.false_alarm_ratio)


def test_agrees_with_another_library():
    """The `scores` library gives the same for every score that both have."""
    categorical = pytest.importorskip("scores.categorical")
    counts = {"tp_count": 28, "fp_count": 72, "fn_count": 23, "tn_count": 2680, "total_count": 2803}
    theirs = categorical.BasicContingencyManager(
        {name: xr.DataArray(float(count)) for name, count in counts.items()}
    )
    for ours, name in (
        ("accuracy", "accuracy"),
        ("frequency_bias", "frequency_bias"),
        ("probability_of_detection", "probability_of_detection"),
        ("false_alarm_ratio", "false_alarm_ratio"),
        ("probability_of_false_detection", "probability_of_false_detection"),
        ("critical_success_index", "critical_success_index"),
        ("equitable_threat_score", "equitable_threat_score"),
        ("heidke_skill_score", "heidke_skill_score"),
        ("peirce_skill_score", "peirce_skill_score"),
        ("odds_ratio", "odds_ratio"),
        ("odds_ratio_skill_score", "odds_ratio_skill_score"),
        ("symmetric_extremal_dependence_index", "symmetric_extremal_dependence_index"),
    ):
        assert getattr(FINLEY, ours) == pytest.approx(float(getattr(theirs, name)()), rel=1e-9)
