"""A verdict against a reference: weights, strata, what cannot be told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.scores import ScoreError, cohen_kappa, verdict_table, wilson_interval


def test_weighted_shares_by_hand():
    """Sensitivity (10 + 10) / (10 + 10 + 30) = 0.4; predictive value 20 / (20 + 5) = 0.8."""
    table = verdict_table(
        [True, True, True, False], [True, True, False, True], weights=[10, 10, 30, 5]
    )
    assert table.sensitivity.value == pytest.approx(0.4)
    assert table.predictive_value.value == pytest.approx(0.8)
    assert table.specificity.value == 0.0


def test_equal_weights_change_nothing():
    """A sample of one in ten tells the same shares as if each stood for itself."""
    truth, verdict = [True] * 8 + [False] * 4, [True] * 6 + [False] * 6
    plain = verdict_table(truth, verdict)
    tenth = verdict_table(truth, verdict, weights=[10.0] * 12)
    assert tenth.sensitivity.low == pytest.approx(plain.sensitivity.low)
    assert tenth.predictive_value.high == pytest.approx(plain.predictive_value.high)


def test_what_no_case_tells_is_not_known():
    """Without a flare there is no sensitivity, without a found one no predictive value."""
    table = verdict_table([False, False], [False, False])
    assert math.isnan(table.sensitivity.value)
    assert math.isnan(table.predictive_value.low)
    assert table.specificity.value == 1.0
    assert all(math.isnan(end) for end in wilson_interval(0.5, 0))


def test_missed_cases_of_a_large_stratum_widen_sensitivity():
    """20 of 2,000 looked at and none a flare: some may be, and sensitivity is not surely 100 %."""
    truth = [True] * 20 + [False] * 20
    verdict = [True] * 20 + [False] * 20
    weights = [5.0] * 20 + [100.0] * 20
    strata = ["definite"] * 20 + ["none"] * 20
    simple = verdict_table(truth, verdict, weights=weights)
    table = verdict_table(truth, verdict, weights=weights, strata=strata)
    assert table.sensitivity.value == 1.0
    assert table.sensitivity.high == 1.0
    # Jeffreys: the 97.5 % point of Beta(0.5, 20.5) is 0.117, that is 234 flares beside 100
    assert table.sensitivity.low < 0.5 < simple.sensitivity.low


@pytest.mark.parametrize("missed", [0.002, 0.02])
def test_intervals_hold_the_truth_as_often_as_they_say(missed):
    """300 samples of a population that is known: at least 92 % of the intervals hold it."""
    rng = np.random.default_rng(4)
    sizes = {"definite": 400, "probable": 600, "possible": 1500, "none": 7500}
    chance = {"definite": 0.95, "probable": 0.75, "possible": 0.15, "none": missed}
    drawn = {"definite": 40, "probable": 60, "possible": 50, "none": 50}
    whole = {name: rng.random(size) < chance[name] for name, size in sizes.items()}
    found = sum(whole[name].sum() for name in ("definite", "probable"))
    sensitivity = found / sum(flares.sum() for flares in whole.values())
    predictive = found / (sizes["definite"] + sizes["probable"])
    held = np.zeros(2)
    for _ in range(300):
        truth = np.concatenate([rng.choice(whole[k], n, replace=False) for k, n in drawn.items()])
        strata = np.repeat(list(drawn), list(drawn.values()))
        weights = np.concatenate([np.full(n, sizes[k] / n) for k, n in drawn.items()])
        verdict = np.isin(strata, ["definite", "probable"])
        table = verdict_table(truth, verdict, weights=weights, strata=strata)
        held[0] += table.sensitivity.low <= sensitivity <= table.sensitivity.high
        held[1] += table.predictive_value.low <= predictive <= table.predictive_value.high
    assert (held / 300 >= 0.92).all(), held / 300


def test_kappa_of_one_answer_is_not_defined():
    """Agreement by chance is then certain."""
    found = cohen_kappa(["no", "no"], ["no", "no"])
    assert math.isnan(found.value)
    assert found.agreed == 1.0
    assert cohen_kappa([], []).n == 0


def test_what_does_not_fit_is_refused():
    """Different lengths, a weight of nothing, a share above one."""
    with pytest.raises(ScoreError, match="they hold 1, 2 and 1"):
        verdict_table([True], [True, False])
    with pytest.raises(ScoreError, match="must be above 0"):
        verdict_table([True], [True], weights=[0.0])
    with pytest.raises(ScoreError, match="2 and 1 were given"):
        cohen_kappa(["a", "b"], ["a"])
    with pytest.raises(ScoreError, match="between 0 and 1"):
        wilson_interval(1.2, 10)
