from __future__ import annotations

import numpy as np
from statsmodels.stats.multitest import multipletests

from models.culprits.false_discovery import q_values


def test_by_hand():
    """Of 0.005, 0.01, 0.03, 0.04 in order, times 4 over rank: 0.02, 0.02, 0.04, 0.04."""
    found = q_values(np.array([0.01, 0.04, 0.03, 0.005]))
    np.testing.assert_allclose(found, [0.02, 0.04, 0.04, 0.02])


def test_as_an_independent_library():
    """Benjamini and Hochberg's of statsmodels."""
    p = np.random.default_rng(0).random(40) ** 2
    np.testing.assert_allclose(q_values(p), multipletests(p, method="fdr_bh")[1])


def test_tests_that_told_nothing_count_as_none():
    """NaN stays NaN and makes the others no weaker."""
    found = q_values(np.array([0.01, np.nan, 0.02]))
    np.testing.assert_allclose(found, [0.02, np.nan, 0.02])
    assert np.isnan(q_values(np.array([np.nan]))).all()
