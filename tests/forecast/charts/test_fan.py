"""The fan shows what it was given, week by week, and says it in words too."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.charts.fan import COLUMNS, fan_chart, fan_text, high_runs
from forecast.charts.theme import INVENTED, ChartError

TITLE = "Flare visits are likely to be high from 6 to 20 May 2024."
N_PAST, N_AHEAD = 6, 8


def make_frame():
    week = pd.date_range("2024-03-04", periods=N_PAST + N_AHEAD, freq="7D")
    frame = pd.DataFrame({"week": week, "climatology": 4.0, "threshold": 7.5})
    frame["observed"] = [3.0, 4.0, np.nan, 6.0, 5.0, 9.0] + [np.nan] * N_AHEAD
    median = np.array([5.0, 6, 7, 8, 9, 8, 6, 5])
    steps = {"lower_90": -4, "lower_50": -2, "median": 0, "upper_50": 2, "upper_90": 5}
    for name, step in steps.items():
        frame[name] = np.concatenate([np.full(N_PAST, np.nan), median + step])
    frame["high"] = frame["median"] > 7.5
    return frame


@pytest.fixture(scope="module")
def spec():
    return fan_chart(make_frame(), title=TITLE, source="Source line.").to_dict()


def test_the_marks_hold_the_values_given(spec):
    """Each row travels unchanged; what is not known stays empty, never zero."""
    frame, rows = make_frame(), pd.DataFrame(spec["datasets"]["weeks"])
    assert rows["week"].tolist() == [f"{w:%Y-%m-%d}T00:00:00Z" for w in frame["week"]]
    for name in COLUMNS:
        given = frame[name].astype(object).where(frame[name].notna(), None).tolist()
        assert rows[name].astype(object).where(rows[name].notna(), None).tolist() == given


def test_title_source_and_note_are_shown(spec):
    """The answer is the title; source and the line on invented data stand below."""
    assert " ".join(spec["title"]["text"]) == TITLE
    assert spec["title"]["subtitle"] == ["Source line.", INVENTED]


def test_the_note_can_only_go_on_purpose():
    """A real practice passes no note; then none is shown."""
    spec = fan_chart(make_frame(), title=TITLE, source="Source line.", note=None).to_dict()
    assert spec["title"]["subtitle"] == ["Source line."]


def test_high_weeks_are_marked_by_shape_and_ground(spec):
    """A filter on `high` draws triangles, and one ground lies under each run of high weeks."""
    layers = spec["vconcat"][1]["layer"]
    shapes = [layer["mark"].get("shape") for layer in layers]
    triangles = layers[shapes.index("triangle-up")]
    assert triangles["transform"] == [{"filter": "datum.high"}]
    high = [row["week"] for row in spec["datasets"]["weeks"] if row["high"]]
    assert high == [f"2024-05-{day:02d}T00:00:00Z" for day in (6, 13, 20)]
    assert spec["datasets"]["runs"] == [
        {"from": "2024-05-02T12:00:00Z", "to": "2024-05-23T12:00:00Z"}
    ]


def test_an_unreported_week_is_marked_and_a_week_ahead_is_not(spec):
    """Only the past week without a count counts as not reported, and the key explains its mark."""
    rows = spec["datasets"]["weeks"]
    assert [row["week"] for row in rows if row["not_reported"]] == ["2024-03-18T00:00:00Z"]
    assert any("not reported" in row["words"] for row in spec["datasets"]["key"])
    whole = make_frame().assign(observed=lambda d: d["observed"].fillna(2.0))
    complete = fan_chart(whole, title=TITLE, source="s").to_dict()
    assert not any("not reported" in row["words"] for row in complete["datasets"]["key"])


def test_the_line_between_seen_and_forecast_is_between_the_weeks(spec):
    """The rule stands half a week before the first forecast week."""
    assert spec["datasets"]["edge"] == [{"edge": "2024-04-11T12:00:00Z"}]


def test_the_words_say_what_the_figure_shows():
    """The text alternative carries title, span, the peaks seen and forecast, and high weeks."""
    text = fan_text(make_frame(), title=TITLE)
    for part in (
        TITLE,
        "weeks of 4 Mar 2024 to 3 Jun 2024",
        "highest 9 in the week of 8 Apr 2024",
        "median highest 9 in the week of 13 May 2024",
        "between 7 and 11",
        "between 5 and 14",
        "High weeks: weeks of 6 May 2024 to 20 May 2024.",
    ):
        assert part in text
    calm = make_frame().assign(high=False)
    assert "No high week is forecast." in fan_text(calm, title=TITLE)


def test_runs_break_where_weeks_do_not_follow():
    """Two stretches of high weeks are two runs; a high flag not known is not high."""
    frame = make_frame().assign(high=[True, True, False, None, True] + [False] * 9)
    assert [len(run) for run in high_runs(frame)] == [2, 1]


def test_broken_quantiles_are_refused():
    """Crossing or partly missing quantiles are refused, naming the week."""
    frame = make_frame()
    crossed = frame.copy()
    crossed.loc[8, "upper_50"] = 1.0
    with pytest.raises(ChartError, match=r"crossing quantiles in the week of 29 Apr 2024"):
        fan_chart(crossed, title=TITLE, source="s")
    partly = frame.copy()
    partly.loc[9, "lower_90"] = np.nan
    with pytest.raises(ChartError, match=r"only part of its quantiles in the week of 6 May 2024"):
        fan_chart(partly, title=TITLE, source="s")
