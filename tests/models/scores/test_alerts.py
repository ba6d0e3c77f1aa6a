from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.scores import (
    AlertTable,
    ScoreError,
    count_alerts,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)


def cases(*data, dims=("region", "week")):
    """Label rows of numbers as regions and weeks."""
    array = np.array(data, dtype=float)
    return xr.DataArray(
        array, dims=dims, coords={d: np.arange(n) for d, n in zip(dims, array.shape, strict=True)}
    )


def test_alerts_are_counted_by_hand():
    """One hit, one false alarm, two misses, one quiet week; a closed week is counted apart."""
    came = cases([1, 0, 1, 1, 0, np.nan])
    warned = cases([1, 1, 0, 0, 0, 1])
    assert count_alerts(came, warned) == AlertTable(1, 1, 2, 1, not_known=1)
    assert count_alerts(np.array([True, False]), np.array([True, True])) == AlertTable(1, 1, 0, 0)


def test_undefined_scores_are_nan_never_zero():
    """A quiet season without alerts says nothing about detection or false alarms."""
    quiet = AlertTable(0, 0, 0, 30).scores()
    defined = {name for name, value in quiet.items() if not math.isnan(value)}
    assert defined == {"accuracy", "probability_of_false_detection"}
    assert all(math.isnan(value) for value in AlertTable(0, 0, 0, 0).scores().values())


def test_dependence_is_undefined_where_nothing_was_detected():
    """Neither no detection nor full detection has a logarithm that could be compared."""
    for table in (AlertTable(0, 3, 2, 10), AlertTable(4, 0, 2, 10)):
        assert math.isnan(table.extremal_dependence_index)
        assert math.isnan(table.symmetric_extremal_dependence_index)
    assert math.isnan(AlertTable(4, 2, 0, 10).symmetric_extremal_dependence_index)


def test_a_perfect_season():
    """All events warned of, no false alarm; the odds ratio has no finite value."""
    scores = AlertTable(5, 0, 0, 20).scores()
    for name in ("probability_of_detection", "critical_success_index", "heidke_skill_score"):
        assert scores[name] == 1.0
    assert scores["equitable_threat_score"] == 1.0
    assert scores["peirce_skill_score"] == 1.0
    assert scores["false_alarm_ratio"] == 0.0
    assert math.isnan(scores["odds_ratio"])
    assert scores["odds_ratio_skill_score"] == 1.0


@examples
@given(st.tuples(*[st.integers(1, 50)] * 4))
def test_alerts_as_good_as_chance_have_no_skill(counts):
    """Where alerts do not depend on events, every skill score is 0."""
    a, b, c, d = counts
    chance = AlertTable(a * c, b * c, a * d, b * d)  # rows in proportion
    for name in (
        "equitable_threat_score",
        "heidke_skill_score",
        "peirce_skill_score",
        "odds_ratio_skill_score",
    ):
        assert getattr(chance, name) == pytest.approx(0.0, abs=1e-9)
    assert chance.odds_ratio == pytest.approx(1.0)


@examples
@given(st.tuples(*[st.integers(0, 60)] * 4))
def test_the_alert_of_the_opposite_event_has_the_same_symmetric_scores(counts):
    """Warning of 'no event' instead turns hits into correct negatives and leaves skill alone."""
    a, b, c, d = counts
    here, turned = AlertTable(a, b, c, d), AlertTable(d, c, b, a)
    for name in ("heidke_skill_score", "peirce_skill_score", "symmetric_extremal_dependence_index"):
        assert getattr(here, name) == pytest.approx(getattr(turned, name), nan_ok=True, abs=1e-9)


def test_false_alarm_ratio_is_not_the_false_alarm_rate():
    """3 of 4 alerts false, in 300 quiet weeks: 75 % of alerts, 1 % of weeks."""
    table = AlertTable(1, 3, 0, 297)
    assert table.false_alarm_ratio == 0.75
    assert table.probability_of_false_detection == 0.01


def test_alerts_are_yes_or_no():
    """Odds in place of an alert are refused: the threshold belongs to whoever warns."""
    with pytest.raises(ScoreError, match=r"alert must be 0 or 1, got 0\.7"):
        count_alerts(np.array([1.0]), np.array([0.7]))
    with pytest.raises(ScoreError, match="0 or more"):
        AlertTable(-1, 0, 0, 0)
