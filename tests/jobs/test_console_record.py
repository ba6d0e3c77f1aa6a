"""What a backtest prints of forecasts against references: never a number that is not known."""

from __future__ import annotations

import io

import pandas as pd
import pytest
from rich.console import Console

from jobs import console as console_module
from jobs import console_record
from jobs.console_record import show_backtest

MODELS = {"forepaw": 1.0, "climatology": 2.0, "trend-climatology": 2.0, "last season": 4.0}


def _scores(n_origins: int) -> pd.DataFrame:
    """Lay out origins four weeks apart, each scored one to four weeks ahead."""
    rows = []
    for origin in pd.date_range("2020-01-06", periods=n_origins, freq="28D"):
        for lead in range(1, 5):
            for model, wis in (MODELS | {"last value": 1.0}).items():
                week = origin + pd.Timedelta(weeks=lead - 1)
                rows.append((origin, week, lead, "north", model, 5.0, wis, 0.5, 1.0))
    columns = ("origin", "week", "lead", "region", "model", "observed", "wis")
    return pd.DataFrame(rows, columns=[*columns, "within_50", "within_90"])


@pytest.fixture
def paper(monkeypatch) -> io.StringIO:
    """Return what is printed, on a screen of 120 columns."""
    found = io.StringIO()
    screen = Console(file=found, width=120, highlight=False)
    monkeypatch.setattr(console_module, "console", screen)
    monkeypatch.setattr(console_record, "console", screen)
    return found


@pytest.mark.filterwarnings("ignore:Mean of empty slice")
def test_too_few_origins_for_the_test_are_said_so(paper):
    """Two origins, half of climatology's error: the ratio is known, p and the span are not."""
    show_backtest(_scores(2), seed=1)
    said = " ".join(paper.getvalue().split())
    assert "nan" not in said
    assert "0.50" in said
    assert "not known" in said
    assert "Skill not yet known: 1 of the 3 seasons" in said
