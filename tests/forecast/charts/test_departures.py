"""Rows of bars: up is more than usual, on one scale, and told in words."""

from __future__ import annotations

from math import log

import pandas as pd
import pytest

from forecast.charts import strips
from forecast.charts.departures import BARS, departure_chart, departure_text, key_of
from forecast.charts.theme import ChartError

WEEKS = pd.date_range("2023-03-06", periods=3, freq="7D")


def frame_of(**parts: list[float]) -> pd.DataFrame:
    rows = [
        {"week": week, "part": part, "change": log(factor)}
        for part, factors in parts.items()
        for week, factor in zip(WEEKS, factors, strict=True)
    ]
    return pd.DataFrame(rows)


@pytest.fixture
def frame() -> pd.DataFrame:
    return frame_of(whole=[2.0, 1.0, 0.5], season=[2.0, 1.0, 1.0], rest=[1.0, 1.0, 0.5])


def test_bars_reach_as_far_as_their_part_moves(frame):
    """From -50 % to +100 % is 2 log 2: each is half the height, from the zero line between."""
    spec = departure_chart(frame, title="T.", source="S.").to_dict()
    cells = pd.DataFrame(spec["datasets"]["cells"])
    length = (cells["zero"] - cells["tip"]).to_numpy()
    half = BARS / 2
    assert length == pytest.approx([half, 0, -half, half, 0, 0, 0, 0, -half])
    top = cells.groupby("part", sort=False)["tip"].min()
    assert top["whole"] == pytest.approx(strips.WORDS)
    assert cells["zero"].diff().dropna().unique() == pytest.approx([0, strips.STEP])
    assert list(cells["whole"]) == [True] * 3 + [False] * 6


def test_small_changes_stay_small():
    """A per cent up or down is a tenth of what the height stands for at least."""
    cells = departure_chart(frame_of(whole=[1.01, 1, 1]), title="T.", source="S.").to_dict()
    row = cells["datasets"]["cells"][0]
    assert row["zero"] - row["tip"] == pytest.approx(BARS * log(1.01) / 0.1)


def test_weeks_before_stand_empty_on_the_axis_of_the_other_figures(frame):
    """The axis begins where theirs does; bars and zero lines begin with the forecast, marked."""
    drawn = departure_chart(frame, title="T.", source="S.", since=pd.Timestamp("2022-12-12"))
    spec = drawn.to_dict()
    begin, end = spec["vconcat"][0]["layer"][0]["encoding"]["x"]["scale"]["domain"]
    days = [pd.Timestamp(moment, unit="ms").strftime("%Y-%m-%d") for moment in (begin, end)]
    assert days == ["2022-12-08", "2023-03-23"]  # half a week before a Monday, and after the last
    rows = spec["datasets"]
    assert {row["from"] for row in rows["zero"]} == {rows["edge"][0]["edge"]}
    assert len(rows["cells"]) == len(frame)


def test_words_say_it_too(frame):
    """Each row's span and its most moved week."""
    text = departure_text(frame, title="T.")
    assert "whole: -50 % to +100 %, most in the week of 6 Mar 2023." in text
    assert "rest: -50 % to 0 %, most in the week of 20 Mar 2023." in text
    assert key_of(frame).endswith("the longest bar is +100 %.")
    spec = departure_chart(frame, title="T.", source="S.", hover=True).to_dict()
    assert spec["datasets"]["cells"][0]["said"] == "whole, week of 6 Mar 2023: +100 %."


def test_weeks_that_do_not_follow_each_other_are_refused(frame):
    """A gap would be drawn over."""
    with pytest.raises(ChartError, match="not Mondays in a row"):
        departure_chart(frame[frame["week"] != WEEKS[1]], title="T.", source="S.")
