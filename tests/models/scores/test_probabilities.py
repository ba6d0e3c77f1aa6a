from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.scores import (
    ScoreError,
    brier_decomposition,
    brier_score,
    reliability_table,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)


def cases(*data, dims=("region", "week")):
    """Label rows of numbers as regions and weeks."""
    array = np.array(data, dtype=float)
    return xr.DataArray(
        array, dims=dims, coords={d: np.arange(n) for d, n in zip(dims, array.shape, strict=True)}
    )


outcomes_and_odds = st.lists(
    st.tuples(st.booleans(), st.sampled_from([0.0, 0.1, 0.25, 0.5, 0.8, 1.0])),
    min_size=1,
    max_size=60,
).map(lambda pairs: (np.array([o for o, _ in pairs], float), np.array([p for _, p in pairs])))


@examples
@given(outcomes_and_odds)
def test_brier_parts_add_up(pair):
    """Reliability less resolution plus uncertainty is the mean score, whatever was issued."""
    parts = brier_decomposition(*pair)
    total = parts.reliability - parts.resolution + parts.uncertainty
    assert parts.brier == pytest.approx(total, abs=1e-12)
    assert parts.brier == pytest.approx(brier_score(*pair).mean())


@examples
@given(outcomes_and_odds)
def test_the_order_of_cases_does_not_matter(pair):
    """Permuting cases leaves decomposition and table as they are."""
    turned = tuple(part[::-1] for part in pair)
    assert brier_decomposition(*turned) == pytest.approx(brier_decomposition(*pair))
    assert reliability_table(*turned)["events"].equals(reliability_table(*pair)["events"])


@examples
@given(st.floats(0, 1), st.floats(0, 1))
def test_the_honest_probability_scores_best(truth, said):
    """Expected Brier score is least when the true probability is said."""

    def expected(p):
        return truth * brier_score(1.0, p) + (1 - truth) * brier_score(0.0, p)

    assert expected(truth) <= expected(said) + 1e-12


def test_brier_keeps_unknown_weeks_out():
    """NaN stays NaN by case, and the summary counts only what is known."""
    came, odds = cases([1, np.nan, 0]), cases([0.8, 0.5, np.nan])
    assert np.isnan(brier_score(came, odds).values).tolist() == [[False, True, True]]
    parts = brier_decomposition(came, odds)
    assert parts.cases == 1
    assert parts.brier == pytest.approx(0.04)
    assert math.isnan(parts.skill)


def test_no_known_case_gives_no_decomposition():
    """Nothing known is NaN, not a perfect 0."""
    parts = brier_decomposition(np.array([np.nan]), np.array([0.5]))
    assert parts.cases == 0
    assert all(math.isnan(part) for part in parts[:4])


def test_reliability_table_by_hand():
    """Edges belong to the bin above, 1 to the last, and an empty bin has no share."""
    table = reliability_table(
        np.array([0, 1, 1, 1, np.nan]), np.array([0.1, 0.5, 0.7, 1.0, 0.2]), edges=(0, 0.3, 0.5, 1)
    )
    assert table["cases"].tolist() == [1, 0, 3]
    assert table["events"].tolist() == [0, 0, 3]
    assert table["mean_probability"].tolist() == pytest.approx(
        [0.1, np.nan, (0.5 + 0.7 + 1.0) / 3], nan_ok=True
    )
    assert table["observed_share"].tolist() == pytest.approx([0.0, np.nan, 1.0], nan_ok=True)


def test_a_table_of_tenths_by_default():
    """Ten bins from 0 to 1; 0.3 falls into the one that starts there."""
    table = reliability_table(np.array([1.0]), np.array([0.3]))
    assert len(table) == 10
    assert table.loc[table["cases"] == 1, "bin_start"].tolist() == [0.3]


@pytest.mark.parametrize(
    ("came", "odds", "words"),
    [(0.5, 0.5, "0 or 1.*0.5"), (1.0, 1.2, "between 0 and 1.*1.2"), (1.0, -0.1, "-0.1")],
)
def test_impossible_outcomes_and_probabilities(came, odds, words):
    """Half an event and odds beyond certainty are refused with the value found."""
    with pytest.raises(ScoreError, match=words):
        brier_score(came, odds)


def test_bins_must_cover_all_probabilities():
    """Edges that leave a gap are refused."""
    with pytest.raises(ScoreError, match="rise from 0 to 1"):
        reliability_table(np.array([1.0]), np.array([0.5]), edges=(0.1, 1.0))
