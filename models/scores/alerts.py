"""Scores of alerts: a warning was given or not, the event came or not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.fields import Field, apply_kernel
from models.scores.errors import ScoreError

_Array = NDArray[np.float64]

_SCORES = (
    "accuracy",
    "frequency_bias",
    "probability_of_detection",
    "false_alarm_ratio",
    "probability_of_false_detection",
    "critical_success_index",
    "equitable_threat_score",
    "heidke_skill_score",
    "peirce_skill_score",
    "odds_ratio",
    "odds_ratio_skill_score",
    "extremal_dependence_index",
    "symmetric_extremal_dependence_index",
)


@dataclass(frozen=True)
class AlertTable:
    """Counts of the four outcomes of alerts, and the scores that follow from them.

    A score that the counts do not define is NaN, never 0: without an event nothing can be said
    about detection, without an alert nothing about false alarms.

    Attributes
    ----------
    hits
        Alert given, event came.
    false_alarms
        Alert given, event did not come.
    misses
        No alert, event came.
    correct_negatives
        No alert, no event.
    not_known
        Cases left out because alert or event is not known.

    References
    ----------
    Definitions: Jolliffe I.T., Stephenson D.B. (eds) 2012. Forecast Verification, 2nd edition,
    chapter 3. Extremal dependence: Ferro C.A.T., Stephenson D.B. 2011. Weather and Forecasting
    26:699-713.
    """

    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int
    not_known: int = 0

    def __post_init__(self) -> None:
        """Refuse negative counts."""
        counts = (self.hits, self.false_alarms, self.misses, self.correct_negatives, self.not_known)
        if min(counts) < 0:
            raise ScoreError(f"counts of alerts must be 0 or more, got {counts}")

    @property
    def cases(self) -> int:
        """Number of cases in which alert and event are known."""
        return self.hits + self.false_alarms + self.misses + self.correct_negatives

    @property
    def accuracy(self) -> float:
        """Share of cases called right; high for any rare event that is never warned of."""
        return _ratio(self.hits + self.correct_negatives, self.cases)

    @property
    def frequency_bias(self) -> float:
        """Alerts per event; above 1 is too many."""
        return _ratio(self.hits + self.false_alarms, self.hits + self.misses)

    @property
    def probability_of_detection(self) -> float:
        """Share of the events that were warned of."""
        return _ratio(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float:
        """Share of the alerts that were false: not the share of quiet cases that were warned of."""
        return _ratio(self.false_alarms, self.hits + self.false_alarms)

    @property
    def probability_of_false_detection(self) -> float:
        """Share of the cases without event that were warned of (the false alarm rate)."""
        return _ratio(self.false_alarms, self.false_alarms + self.correct_negatives)

    @property
    def critical_success_index(self) -> float:
        """Hits among all cases with an alert or an event (the threat score)."""
        return _ratio(self.hits, self.hits + self.false_alarms + self.misses)

    @property
    def hits_by_chance(self) -> float:
        """Hits to expect from as many alerts given at random."""
        alerts, events = self.hits + self.false_alarms, self.hits + self.misses
        return _ratio(alerts * events, self.cases)

    @property
    def equitable_threat_score(self) -> float:
        """Critical success index beyond what chance gives (Gilbert's skill score)."""
        chance = self.hits_by_chance
        return _ratio(self.hits - chance, self.hits + self.false_alarms + self.misses - chance)

    @property
    def heidke_skill_score(self) -> float:
        """Share called right beyond what chance gives."""
        a, b, c, d = self.hits, self.false_alarms, self.misses, self.correct_negatives
        return _ratio(2 * (a * d - b * c), (a + c) * (c + d) + (a + b) * (b + d))

    @property
    def peirce_skill_score(self) -> float:
        """Probability of detection less probability of false detection."""
        return self.probability_of_detection - self.probability_of_false_detection

    @property
    def odds_ratio(self) -> float:
        """Odds of an event after an alert over those without; NaN where it would be infinite."""
        return _ratio(self.hits * self.correct_negatives, self.false_alarms * self.misses)

    @property
    def odds_ratio_skill_score(self) -> float:
        """Odds ratio brought to -1 .. 1 (Yule's Q)."""
        right, wrong = self.hits * self.correct_negatives, self.false_alarms * self.misses
        return _ratio(right - wrong, right + wrong)

    @property
    def extremal_dependence_index(self) -> float:
        """Skill at rare events that does not sink to 0 as they get rarer."""
        detected = _log(self.probability_of_detection)
        falsely = _log(self.probability_of_false_detection)
        return _ratio(falsely - detected, falsely + detected)

    @property
    def symmetric_extremal_dependence_index(self) -> float:
        """Extremal dependence index that treats event and no event alike."""
        pod, pofd = self.probability_of_detection, self.probability_of_false_detection
        detected, falsely = _log(pod), _log(pofd)
        missed, quiet = _log(1.0 - pod), _log(1.0 - pofd)
        return _ratio(falsely - detected - quiet + missed, falsely + detected + quiet + missed)

    def scores(self) -> dict[str, float]:
        """All scores by name, in the order above."""
        return {name: getattr(self, name) for name in _SCORES}


def count_alerts(observed: Field, warned: Field) -> AlertTable:
    """Count hits, false alarms, misses and correct negatives over all cases.

    Parameters
    ----------
    observed
        1 (or True) where the event came, 0 where not, NaN where not known; any dims.
    warned
        1 (or True) where an alert was given, 0 where not, NaN where not known; broadcast.

    Returns
    -------
    AlertTable
        Cases with an unknown side are counted as ``not_known`` and enter no score.

    Raises
    ------
    ScoreError
        If a value is neither 0, 1 nor NaN.
    """
    code = apply_kernel(_cell, observed, warned, name="cell", attrs={})
    cells = np.ravel(code.values if isinstance(code, xr.DataArray) else code)
    known = cells[~np.isnan(cells)].astype(np.int64)
    hits, false_alarms, misses, correct_negatives = np.bincount(known, minlength=4).tolist()
    return AlertTable(hits, false_alarms, misses, correct_negatives, int(cells.size - known.size))


def _cell(observed: _Array, warned: _Array) -> _Array:
    """Return the number of the outcome: 0 hit, 1 false alarm, 2 miss, 3 correct negative."""
    for values, what in ((observed, "an event"), (warned, "an alert")):
        wrong = ~np.isin(values, (0.0, 1.0)) & ~np.isnan(values)
        if np.any(wrong):
            raise ScoreError(f"{what} must be 0 or 1, got {float(values[wrong].flat[0]):g}")
    return np.asarray(2.0 * (1.0 - warned) + (1.0 - observed))


def _ratio(numerator: float, denominator: float) -> float:
    if denominator == 0 or math.isnan(numerator) or math.isnan(denominator):
        return math.nan
    return numerator / denominator


def _log(probability: float) -> float:
    return math.log(probability) if probability > 0.0 else math.nan
