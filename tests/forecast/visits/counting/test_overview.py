"""The first count table."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.visits.counting.overview import certainty_shares, count_table, exclusion_counts


def visits() -> pd.DataFrame:
    rows = [
        ("2023-05-01", "a", "d1", "itch flare", "definite", ""),
        ("2023-05-20", "a", "d1", "itch flare", "probable", ""),  # 19 days later: a recheck
        ("2023-06-01", "a", "d2", "other", "probable", "fleas found"),
        ("2024-05-01", "a", "d1", "itch flare", "probable", ""),
        ("2024-05-01", "b", "d3", "scheduled dose", "possible", ""),
        ("2024-05-02", "b", "d4", "recheck", "none", ""),
        ("2024-05-03", "b", None, "other", "", ""),  # came with its kind
    ]
    columns = ["date", "branch", "dog", "kind", "certainty", "exclusion"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(date=pd.to_datetime(frame["date"]))


def test_visits_are_counted_by_year_and_branch():
    """The second itch visit of an episode is a recheck; a branch without visits has no row."""
    table = count_table(visits(), flare_free_days=28).to_dict("records")
    names = ("flare visit", "recheck", "scheduled dose", "other", "visits")
    counted = {(row["year"], row["branch"]): tuple(row[name] for name in names) for row in table}
    assert counted == {
        (2023, "a"): (1, 1, 0, 1, 3),
        (2024, "a"): (1, 0, 0, 0, 1),
        (2024, "b"): (0, 1, 1, 1, 3),
    }


def test_certainties_are_counted_with_what_is_excluded():
    """A visit that came with its kind was not judged."""
    table = certainty_shares(visits()).set_index("certainty")
    assert table["visits"].to_dict() == {
        "definite": 1, "probable": 3, "possible": 1, "none": 1, "not judged": 1,
    }  # fmt: skip
    assert table["excluded"].to_dict()["probable"] == 1
    assert table["share"].sum() == pytest.approx(1.0)
    assert exclusion_counts(visits()).to_dict() == {"fleas found": 1}
