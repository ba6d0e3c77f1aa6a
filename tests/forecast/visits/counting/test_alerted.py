"""Weeks after an alert are marked, in its region, from the week on in which it was sent."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.visits.counting import alerted
from forecast.visits.counting.alerted import mark_alerted

SENT = datetime(2023, 3, 15, 9, tzinfo=UTC)  # a Wednesday, of the week of the 13th


@pytest.fixture
def counts() -> xr.Dataset:
    weeks = pd.date_range("2023-02-27", periods=8, freq="7D")
    values = np.ones((2, 8))
    return xr.Dataset(
        {"flare_visits": (("region", "week"), values)},
        coords={"region": ["north", "south"], "week": weeks},
    )


@pytest.fixture
def sent(monkeypatch):
    """Let one alert of the north have been sent on 15 March, as the records would tell."""
    monkeypatch.setattr(
        alerted,
        "sent_moments",
        lambda _, before: [("north", SENT)] if before > SENT else [],
    )


def test_four_weeks_of_the_region_are_marked_and_no_others(counts, sent):
    """Those of 13, 20 and 27 March and 3 April."""
    marked = mark_alerted(counts, None, origin=date(2023, 5, 1))["alerted"]
    assert marked.sel(region="north").values.tolist() == [False] * 2 + [True] * 4 + [False] * 2
    assert not marked.sel(region="south").any()


def test_what_was_sent_after_an_origin_is_not_known_at_it(counts, sent):
    """Nothing is marked, and the counts are the very same, so that old issues can be remade."""
    assert mark_alerted(counts, None, origin=date(2023, 3, 15)) is counts
    assert "alerted" in mark_alerted(counts, None, origin=date(2023, 3, 16))
