"""Backtest: forecasts from past origins, each with only what was known then, and their scores."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pandas as pd

from forecast.backtest import FOLDER, BacktestTask
from forecast.backtest import backtest as look_back
from forecast.climate import ClimateStore
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.regions import regions
from jobs.learn import what_is_known


def backtest(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    first_weeks: int,
    every: int,
    workers: int,
    say: Callable[[str], None],
) -> pd.DataFrame:
    """Score forecasts from origins before a day; those scored before on the same data are kept.

    Counts of a first bulk import are as finally known, not as known then: what came late is in.
    """
    cut, known = what_is_known(practice, records, climate, origin=origin, say=say)
    return look_back(
        BacktestTask(
            known,
            regions(practice),
            cut,
            practice.settings.forecast.seed,
            practice.settings.forecast.high_week_centile,
        ),
        first_weeks=first_weeks,
        every=every,
        workers=workers,
        keep_in=practice.folder / FOLDER,
        progress=say,
    )
