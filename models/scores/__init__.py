"""Scores: how good a forecast was, once it is known what came.

Every score of single cases keeps the dims of what was observed: nothing is averaged on the way, so
that whoever averages says over what. Summaries that must average (decompositions, tables, ratios)
say in their name or first sentence what they run over, and use only cases known on all sides.

``quantiles``      weighted interval score and interval coverage of quantile forecasts
``draws``          CRPS of draws and of a negative binomial
``probabilities``  Brier score, its decomposition, reliability
``alerts``         hits, misses and false alarms of warnings
``agreement``      a verdict against a reference, two readers with each other
``comparison``     one forecast relative to another, with an interval from blocks of cases
``variogram``      dependence between weeks and between regions
``diebold_mariano`` whether one forecast's loss is below another's beyond chance
"""

from models.scores.agreement import (
    Kappa,
    Share,
    VerdictTable,
    cohen_kappa,
    effective_size,
    verdict_table,
    wilson_interval,
)
from models.scores.alerts import AlertTable, count_alerts
from models.scores.comparison import (
    MeanInterval,
    RatioInterval,
    block_bootstrap_mean,
    block_bootstrap_ratio,
    relative_score,
)
from models.scores.diebold_mariano import DieboldMariano, diebold_mariano
from models.scores.draws import crps_from_draws, crps_negative_binomial
from models.scores.errors import ScoreError
from models.scores.probabilities import (
    BrierDecomposition,
    brier_decomposition,
    brier_score,
    reliability_table,
)
from models.scores.quantiles import (
    QUANTILE_LEVELS,
    WeightedIntervalScore,
    interval_coverage,
    weighted_interval_score,
)
from models.scores.variogram import region_pairs, variogram_score, week_pairs

__all__ = [
    "QUANTILE_LEVELS",
    "AlertTable",
    "BrierDecomposition",
    "DieboldMariano",
    "Kappa",
    "MeanInterval",
    "RatioInterval",
    "ScoreError",
    "Share",
    "VerdictTable",
    "WeightedIntervalScore",
    "block_bootstrap_mean",
    "block_bootstrap_ratio",
    "brier_decomposition",
    "brier_score",
    "cohen_kappa",
    "count_alerts",
    "crps_from_draws",
    "crps_negative_binomial",
    "diebold_mariano",
    "effective_size",
    "interval_coverage",
    "region_pairs",
    "relative_score",
    "reliability_table",
    "variogram_score",
    "verdict_table",
    "week_pairs",
    "weighted_interval_score",
    "wilson_interval",
]
