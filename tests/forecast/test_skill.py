"""The record of issued forecasts: averages by hand, and no skill before three seasons."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.records import open_records
from forecast.skill import record, summarise


def rows_of(n_weeks: int, *, error: float = 1.0, usual: float = 2.0) -> pd.DataFrame:
    """Lay out one scored row a week, each four weeks ahead."""
    weeks = pd.date_range("2020-01-06", periods=n_weeks, freq="7D")
    return pd.DataFrame(
        {
            "issue_id": [f"i{n}" for n in range(n_weeks)],
            "region_id": "north",
            "week": weeks,
            "weeks_ahead": 4,
            "observed": 5.0,
            "weighted_interval_score": error,
            "climatology_score": usual,
            "inside_50": np.where(np.arange(n_weeks) % 2 == 0, 1.0, 0.0),
            "inside_90": 1.0,
            "odds_high": 0.2,
            "was_high": [n % 2 == 0 for n in range(n_weeks)],
        }
    )


def test_averages_by_hand():
    """Errors of 1 against 2; every other week inside; odds of 0.2 against half: (0.64+0.04)/2."""
    found = summarise(rows_of(10), kind="issued", seed=1)
    assert found.by_lead["lead"].tolist() == ["1-4", "all"]
    row = found.by_lead.iloc[-1]
    assert row["cases"] == 10
    assert row["relative"] == pytest.approx(0.5)
    assert row["cover_50"] == pytest.approx(0.5)
    assert row["brier"] == pytest.approx(0.34)
    assert (found.n_forecasts, found.n_seasons) == (10, 0)


@pytest.mark.parametrize(("n_weeks", "n_seasons"), [(39, 0), (40, 1), (143, 2), (144, 3), (156, 3)])
def test_a_season_counts_once_most_of_it_is_scored(n_weeks, n_seasons):
    """Forty of 52 weeks; the third season is whole enough after 104 + 40 weeks."""
    found = summarise(rows_of(n_weeks), kind="issued", seed=1)
    assert found.n_seasons == n_seasons
    assert found.is_known == (n_seasons >= 3)
    assert ("skill not yet known" in found.sentence) == (n_seasons < 3)


def test_after_three_seasons_it_is_said_whether_climatology_is_beaten():
    """Always half its error: yes; at times worse: not shown."""
    better = summarise(rows_of(156), kind="issued", seed=1)
    assert "Better than climatology (9 times in 10 between 0.50 and 0.50, from 3" in better.sentence
    mixed = rows_of(156, error=1.6)
    mixed.loc[60:, "weighted_interval_score"] = 2.1
    said = summarise(mixed, kind="issued", seed=1).sentence
    assert "Not shown to be better than climatology" in said
    worse = summarise(rows_of(156, error=2.1), kind="issued", seed=1)
    assert "Worse than climatology (9 times in 10 between 1.05 and 1.05" in worse.sentence


def test_odds_that_are_not_known_are_left_out():
    """None of them: no Brier score; the visits are scored all the same."""
    rows = rows_of(6).assign(was_high=None, odds_high=np.nan)
    assert np.isnan(summarise(rows, kind="issued", seed=1).by_lead["brier"]).all()


def test_hindcasts_are_called_so():
    assert "Record of 6 hindcasts on 6" in summarise(rows_of(6), kind="hindcast", seed=1).sentence


def test_where_nothing_is_scored_skill_is_not_known(small):
    """Said in one sentence, without a number."""
    records = open_records(small)
    found = record(small, records)
    records.close()
    assert found.first is None
    assert found.sentence == (
        "Record: no week of issued forecasts can be held against its counts yet; skill not yet "
        "known."
    )
