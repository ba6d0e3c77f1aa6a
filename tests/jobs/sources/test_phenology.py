"""From what observers saw to one date a region: the median, whatever the order of the rows."""

from __future__ import annotations

import pandas as pd

from jobs.sources.phenology import COLUMNS, region_dates


def seen(*rows):
    """Return rows of region, season and day of January 2026."""
    return pd.DataFrame(
        {
            "region": [region for region, _, _ in rows],
            "species": "hazel",
            "stage": "flowering",
            "season": [season for _, season, _ in rows],
            "date": [pd.Timestamp(2026, 1, day) for _, _, day in rows],
        }
    )


def test_the_median_of_odd_numbers_and_the_earlier_of_the_two_in_the_middle_of_even_ones():
    rows = [
        ("a", 1, 9),
        ("a", 1, 1),
        ("a", 1, 5),
        ("b", 1, 8),
        ("b", 1, 2),
        ("b", 1, 4),
        ("b", 1, 6),
    ]
    frame = region_dates(seen(*rows))
    assert list(frame.itertuples(index=False, name=None)) == [
        ("a", "hazel", "flowering", pd.Timestamp(2026, 1, 5)),
        ("b", "hazel", "flowering", pd.Timestamp(2026, 1, 4)),
    ]
    assert region_dates(seen(*rows[::-1])).equals(frame)


def test_seasons_are_kept_apart():
    assert len(region_dates(seen(("a", 2025, 1), ("a", 2026, 3)))) == 2


def test_nothing_seen_is_an_empty_table_of_the_same_types():
    blank, full = region_dates(seen()), region_dates(seen(("a", 1, 1)))
    assert list(blank.columns) == list(COLUMNS)
    assert (blank.dtypes == full.dtypes).all()
