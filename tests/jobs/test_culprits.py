"""The practice's odds on the screen, from its records and the latest issue."""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
from rich.console import Console

from forecast.issuing import latest_issue
from forecast.practice import open_practice
from jobs import console as console_module
from jobs.console_culprits import show_culprits
from jobs.culprits import culprits_of
from jobs.opening import open_all
from models.culprits import Culprits, LagOdds
from models.culprits.conditional_logit import LogitFit

FIT = LogitFit(np.zeros(1), np.eye(1), 0.0)


@pytest.fixture
def printed(monkeypatch) -> Callable[[], str]:
    """Give a function that returns what was printed, on 80 columns, as one line."""
    paper = io.StringIO()
    monkeypatch.setattr(console_module, "console", Console(file=paper, width=80, highlight=False))

    def text() -> str:
        assert max(len(line.rstrip()) for line in paper.getvalue().splitlines()) <= 80
        return " ".join(paper.getvalue().split())

    return text


def odds(driver: str, verdict: str, **changes) -> LagOdds:
    """Make one driver's odds of 1.25."""
    values = {
        **{"driver": driver, "window": (0, 6), "odds_ratio": 1.25, "low": 1.1, "high": 1.42},
        **{"p_value": 0.004, "q_value": 0.02, "any_p_value": 0.03, "verdict": verdict},
        **{"terms": (driver,), "fit": FIT, "inflation": 2.0},
    }
    return LagOdds(**(values | changes))


def told(*found: LagOdds, p_value: float = 0.03) -> Culprits:
    """Make a practice's odds of 200 flare visits, of which 150 are compared."""
    return Culprits(found, p_value, 200, 150, 40, 10, 16, 10_000)


def test_what_is_found_stands_with_its_interval_and_a_caution(printed):
    """And what was left out is counted."""
    show_culprits(told(odds("grasses", "found"), odds("trees", "cannot be told", p_value=0.4)))
    text = printed()
    assert "grasses 0 to 6 days before the itch (odds ratio 1.25, 1.10 to 1.42)" in text
    assert "no diagnosis of any dog" in text
    assert "200 flare visits; left out: 40 of dogs under cover" in text
    assert "0.004" in text


def test_what_is_not_known_is_no_number(printed):
    """A record too short to judge has odds and neither interval nor p value."""
    nan = float("nan")
    short = odds(
        *("grasses", "cannot be told"), p_value=nan, q_value=nan, any_p_value=nan, low=nan, high=nan
    )
    show_culprits(told(short, p_value=nan))
    text = printed()
    assert "not known" in text
    assert "nan" not in text


@pytest.mark.long
def test_a_practice_is_told_from_its_records(filled):
    """Nothing is written; its visits are counted once each."""
    opened = open_practice(filled[0])
    records, climate = open_all(opened)
    made = latest_issue(opened, records)
    found = culprits_of(opened, records, climate, made, say=lambda step: None)
    assert found.given == found.used + found.covered + found.alone
    assert found.given > 0
    records.close()
