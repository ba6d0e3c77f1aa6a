"""The season shows each region's odds by week, and tells likely from unlikely by a mark too."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.charts.season import season_chart, season_text
from forecast.charts.theme import ChartError

TITLE = "High weeks are likely in 1 of 2 regions."
ISSUED = pd.Timestamp("2024-04-15")
WORDS = {"South": "no week likely high; 1 in 3", "North": "likely high 22-28 Apr; 3 in 4"}


def make_frame():
    week = pd.date_range("2024-04-01", periods=5, freq="7D")
    parts = []
    for region, odds in (("North", [0.2, 0.75, np.nan]), ("South", [0.1, 0.3, 0.2])):
        part = pd.DataFrame({"week": week, "region": region})
        part["odds"] = [np.nan, np.nan, *odds]
        part["was_high"] = pd.array([True, None, None, None, None], dtype="boolean")
        part["likely"] = part["odds"] >= 0.5
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


@pytest.fixture(scope="module")
def spec():
    chart = season_chart(
        make_frame(), words=WORDS, title=TITLE, source="s", issued=ISSUED, hover=True
    )
    return chart.to_dict()


def test_cells_hold_the_odds_and_what_is_not_known_has_no_shade(spec):
    """Ahead the odds; a past week known lies on the palest; what is not known has none."""
    cells = pd.DataFrame(spec["datasets"]["cells"])
    shades = cells.loc[cells["region"] == "North", "shade"].tolist()
    assert shades[0] == 0.0
    assert shades[2:4] == [0.2, 0.75]
    assert np.isnan(shades[1])
    assert np.isnan(shades[4])


def test_strips_stand_in_the_order_given(spec):
    """South first: its cells lie above those of North, and so does its name."""
    assert [row["name"] for row in spec["datasets"]["strips"]] == ["South", "North"]
    cells = pd.DataFrame(spec["datasets"]["cells"])
    assert (
        cells.loc[cells["region"] == "South", "top"].max()
        < cells.loc[cells["region"] == "North", "top"].min()
    )


def test_a_likely_week_has_a_mark_and_not_its_shade_alone(spec):
    """A triangle where likely, a dot where a past week was high."""
    layers = spec["vconcat"][0]["layer"]
    marks = {
        layer["mark"]["shape"]: layer["transform"][0]["filter"]
        for layer in layers
        if layer["mark"].get("shape")
    }
    assert marks == {"triangle-up": "datum.likely", "circle": "datum.was_high === true"}
    cells = pd.DataFrame(spec["datasets"]["cells"])
    assert cells.loc[cells["likely"], ["region", "week"]].to_numpy().tolist() == [
        ["North", "2024-04-22T00:00:00Z"]
    ]


def test_each_cell_says_its_week_in_a_sentence(spec):
    """Under the pointer: odds ahead, what was, and what is not known."""
    said = pd.DataFrame(spec["datasets"]["cells"]).query("region == 'North'")["said"].tolist()
    assert said == [
        "North, week of 1 Apr 2024: it was high.",
        "North, week of 8 Apr 2024: not known.",
        "North, week of 15 Apr 2024: 20 % that it is high.",
        "North, week of 22 Apr 2024: 75 % that it is high.",
        "North, week of 29 Apr 2024: not known.",
    ]


def test_the_words_name_every_region():
    """The text alternative says what stands beside each strip."""
    text = season_text(WORDS, title=TITLE, note="A note.")
    assert text == (
        f"{TITLE} One strip a region, week by week the odds that it is high. "
        "South: no week likely high; 1 in 3. North: likely high 22-28 Apr; 3 in 4. A note."
    )


def test_odds_past_one_are_refused():
    """With region and week."""
    frame = make_frame()
    frame.loc[3, "odds"] = 1.2
    with pytest.raises(ChartError, match=r"odds of 1\.2 for 'North' in the week of 22 Apr 2024"):
        season_chart(frame, words=WORDS, title=TITLE, source="s", issued=ISSUED)
