"""The practice's odds on the screen, from its records and the latest issue."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from rich.console import Console

from forecast.culprits import kept_culprits
from forecast.issuing import latest_issue
from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.dogs import dog_ids
from forecast.records.issues import IssueRow, add_issue
from forecast.records.vintages import add_vintage
from jobs import console as console_module
from jobs.console_culprits import show_culprits, show_dog
from jobs.culprits import culprits_are_due, culprits_of
from jobs.opening import open_all
from models.culprits import Culprits, DogOdds, LagOdds
from models.culprits.conditional_logit import LogitFit

FIT = LogitFit(np.zeros(1), np.eye(1), 0.0)


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings)


@pytest.fixture
def records(practice):
    held = open_records(practice)
    yield held
    held.close()


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


def test_one_dogs_odds_stand_with_its_episodes_or_the_practices_do(printed):
    """Below six episodes nothing of the dog's own is printed."""
    own = DogOdds("grasses", (0, 6), 1.31, 0.9, 1.9, 7, "dog")
    show_dog("D7", [own])
    show_dog("D8", [replace(own, episodes=5, whose="practice")])
    text = printed()
    assert "grasses 0-6 1.31 0.90-1.90" in text
    assert "From 7 episodes of its own" in text
    assert "5 episodes can be compared; below 6 the practice's odds stand" in text


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
def test_a_practice_is_told_from_its_records_and_it_is_kept(filled):
    """Its visits are counted once each; a month later it is due again."""
    opened = open_practice(filled[0])
    records, climate = open_all(opened)
    made = latest_issue(opened, records)
    dogs = list(dog_ids(records).values())[:3]
    found, own = culprits_of(opened, records, climate, made, say=lambda step: None, dogs=dogs)
    # each dog's own, or the practice's where it has too few episodes
    assert set(own) == set(dogs)
    assert {len(odds) for odds in own.values()} == {len(found.odds)}
    assert found.given == found.used + found.covered + found.alone
    assert found.given > 0
    kept = kept_culprits(records)
    assert kept is not None
    assert (kept.given, kept.issue_id, len(kept.odds)) == (found.given, made.id, len(found.odds))
    assert 0 < kept.dogs <= found.given
    for days, due in ((27, False), (28, True)):
        later = replace(opened, now=opened.now + timedelta(days=days))
        assert culprits_are_due(later, records) is due
    records.close()


def test_it_is_first_due_a_month_after_the_first_forecast_of_visits(practice, records):
    """A hindcast, or a forecast without visits, is none."""
    start = practice.now
    assert not culprits_are_due(practice, records)
    for number, (kind, days) in enumerate((("hindcast", 90), ("issued", 20), ("issued", 40))):
        made_at = start - timedelta(days=days)
        vintage = None
        if kind == "issued" and days == 20:
            vintage = add_vintage(
                records,
                [],
                known_on=made_at.date(),
                made_at=made_at,
                case_definition="v",
                kind="as known then",
            ).id
        row = (f"i{number}", made_at, made_at.date(), kind, "m", "s", 1, "f", "h", "c", vintage)
        add_issue(records, IssueRow(*row), settings_text="", summaries={})
    assert not culprits_are_due(practice, records)
    later = replace(practice, now=start + timedelta(days=8))
    assert culprits_are_due(later, records)
