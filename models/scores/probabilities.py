"""Scores of probabilities of an event that came or did not come."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.fields import Field, apply_kernel
from models.scores.errors import ScoreError

_Array = NDArray[np.float64]

_TENTHS: tuple[float, ...] = tuple(np.round(np.linspace(0.0, 1.0, 11), 1).tolist())


class BrierDecomposition(NamedTuple):
    """Mean Brier score over the known cases, and the three parts it is made of.

    Attributes
    ----------
    brier
        Mean Brier score, ``reliability - resolution + uncertainty``; lower is better.
    reliability
        Mean squared distance between what was said and what then happened; 0 is calibrated.
    resolution
        How far outcomes differ between the probabilities issued; higher is better.
    uncertainty
        Variance of the outcome itself: the score of always saying the base rate.
    cases
        Number of cases in which probability and outcome are known.
    """

    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    cases: int

    @property
    def skill(self) -> float:
        """Share of the base rate's score that was saved; NaN where the outcome never varied."""
        if not self.uncertainty > 0.0:
            return float("nan")
        return 1.0 - self.brier / self.uncertainty


def brier_score(observed: Field, probability: Field) -> Any:
    """Brier score of each case: squared distance of the probability from the outcome.

    Parameters
    ----------
    observed
        1 (or True) where the event came, 0 where not, NaN where not known; any dims.
    probability
        Probability issued, 0 to 1.

    Returns
    -------
    float, numpy array or DataArray
        Score of each case, 0 best, 1 worst. NaN where an input is NaN.

    Raises
    ------
    ScoreError
        If an outcome is not 0 or 1, or a probability lies outside 0 to 1.

    References
    ----------
    Brier G.W. 1950. Verification of forecasts expressed in terms of probability. Monthly Weather
    Review 78:1-3.
    """

    def kernel(outcome: _Array, issued: _Array) -> _Array:
        _require_outcomes_and_probabilities(outcome, issued)
        # Not the library's, which refuses outcomes that are not known.
        return np.asarray((issued - outcome) ** 2)

    return apply_kernel(
        kernel,
        observed,
        probability,
        name="brier_score",
        attrs={"units": "1", "long_name": "Brier score"},
    )


def brier_decomposition(observed: Field, probability: Field) -> BrierDecomposition:
    r"""Mean Brier score over all known cases, split into its three parts.

    Parameters
    ----------
    observed
        1 where the event came, 0 where not, NaN where not known; any dims.
    probability
        Probability issued, 0 to 1, broadcast with the outcomes.

    Returns
    -------
    BrierDecomposition
        NaN in every part where no case is known.

    Raises
    ------
    ScoreError
        If an outcome is not 0 or 1, or a probability lies outside 0 to 1.

    Notes
    -----
    Cases are grouped by the distinct probabilities issued, for which the parts add up exactly.
    With :math:`n_i` cases at :math:`p_i`, of which the share :math:`\bar o_i` came,

    .. math:: B = \frac1n \sum_i n_i (p_i - \bar o_i)^2 - \frac1n \sum_i n_i (\bar o_i - \bar o)^2
       + \bar o (1 - \bar o)

    Many distinct probabilities with few cases each make both reliability and resolution look
    larger than they are; round the probabilities first to see fewer groups.

    References
    ----------
    Murphy A.H. 1973. A new vector partition of the probability score. Journal of Applied
    Meteorology 12:595-600.
    """
    outcome, issued = _known_cases(observed, probability)
    if not outcome.size:
        return BrierDecomposition(np.nan, np.nan, np.nan, np.nan, 0)
    distinct, group = np.unique(issued, return_inverse=True)
    weight = np.bincount(group) / outcome.size
    share = np.bincount(group, weights=outcome) / np.bincount(group)
    base_rate = outcome.mean()
    return BrierDecomposition(
        brier=float(np.mean((issued - outcome) ** 2)),
        reliability=float(np.sum(weight * (distinct - share) ** 2)),
        resolution=float(np.sum(weight * (share - base_rate) ** 2)),
        uncertainty=float(base_rate * (1.0 - base_rate)),
        cases=int(outcome.size),
    )


def reliability_table(
    observed: Field, probability: Field, *, edges: Sequence[float] = _TENTHS
) -> pd.DataFrame:
    """Share of the cases in which the event came, by the probability that was issued.

    Parameters
    ----------
    observed
        1 where the event came, 0 where not, NaN where not known; any dims.
    probability
        Probability issued, 0 to 1, broadcast with the outcomes.
    edges
        Rising edges of the bins from 0 to 1; a probability on an edge belongs to the bin above,
        1 to the last.

    Returns
    -------
    pandas.DataFrame
        One row a bin: ``bin_start, bin_end, cases, events, mean_probability, observed_share``. The
        last two are NaN in a bin without cases.

    Raises
    ------
    ScoreError
        If the edges do not rise from 0 to 1, an outcome is not 0 or 1, or a probability lies
        outside 0 to 1.
    """
    bounds = np.asarray(edges, dtype=np.float64)
    if bounds.size < 2 or bounds[0] != 0.0 or bounds[-1] != 1.0 or np.any(np.diff(bounds) <= 0.0):
        raise ScoreError(f"bin edges must rise from 0 to 1, got {list(edges)}")
    outcome, issued = _known_cases(observed, probability)
    n_bins = bounds.size - 1
    place = np.minimum(np.searchsorted(bounds, issued, side="right") - 1, n_bins - 1)
    cases = np.bincount(place, minlength=n_bins)
    filled = np.where(cases > 0, cases, np.nan)
    events = np.bincount(place, weights=outcome, minlength=n_bins)
    return pd.DataFrame(
        {
            "bin_start": bounds[:-1],
            "bin_end": bounds[1:],
            "cases": cases,
            "events": events.astype(np.int64),
            "mean_probability": np.bincount(place, weights=issued, minlength=n_bins) / filled,
            "observed_share": events / filled,
        }
    )


def _known_cases(observed: Field, probability: Field) -> tuple[_Array, _Array]:
    """Flat outcomes and probabilities of the cases in which both are known."""

    def kernel(outcome: _Array, issued: _Array) -> tuple[_Array, _Array]:
        _require_outcomes_and_probabilities(outcome, issued)
        nothing = np.zeros(np.broadcast_shapes(outcome.shape, issued.shape))
        return outcome + nothing, issued + nothing

    pair = apply_kernel(
        kernel, observed, probability, name="cases", attrs={}, output_core_dims=((), ())
    )
    outcome, issued = (
        np.ravel(part.values if isinstance(part, xr.DataArray) else part) for part in pair
    )
    known = ~(np.isnan(outcome) | np.isnan(issued))
    return outcome[known], issued[known]


def _require_outcomes_and_probabilities(outcome: _Array, issued: _Array) -> None:
    for values, wrong, allowed in (
        (outcome, ~np.isin(outcome, (0.0, 1.0)) & ~np.isnan(outcome), "an outcome must be 0 or 1"),
        (issued, (issued < 0.0) | (issued > 1.0), "a probability must lie between 0 and 1"),
    ):
        if np.any(wrong):
            raise ScoreError(
                f"{allowed}, got {float(values[wrong].flat[0]):g} ({int(wrong.sum())} such values)"
            )
