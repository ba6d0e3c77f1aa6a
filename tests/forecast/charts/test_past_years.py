"""Past years lie over the same weeks, at most three, and unknown weeks stay open."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.charts.past_years import past_years_chart, past_years_text
from forecast.charts.theme import ChartError

TITLE = "North: 30 flare visits are expected."
WEEKS = pd.date_range("2024-03-04", periods=4, freq="7D")


def past(years=("two years before", "one year before")):
    return pd.concat(
        [
            pd.DataFrame(
                {"week": WEEKS, "year": year, "visits": [1.0, 5.0, np.nan, 2.0], "smooth": 2.0}
            )
            for year in years
        ],
        ignore_index=True,
    )


def ahead():
    unknown = [np.nan, np.nan]
    return pd.DataFrame(
        {
            "week": WEEKS,
            "observed": [3.0, 4.0, *unknown],
            "lower_90": [*unknown, 1.0, 2.0],
            "median": [*unknown, 6.0, 5.0],
            "upper_90": [*unknown, 9.0, 8.0],
        }
    )


def test_rows_travel_unchanged():
    """What is not known stays empty."""
    spec = past_years_chart(past(), ahead(), title=TITLE, source="s").to_dict()
    rows = spec["datasets"]["past"]
    assert [row["visits"] for row in rows[:4]] == [1.0, 5.0, None, 2.0]
    assert [row["observed"] for row in spec["datasets"]["ahead"]] == [3.0, 4.0, None, None]


def test_the_words_count_the_weeks_that_are_known():
    """1 + 5 + 2 = 8 in the three weeks known of four; most in the second."""
    text = past_years_text(past(), ahead(), title=TITLE)
    assert "Two years before: 8 in 3 weeks, most (5) in the week like that of 11 Mar 2024." in text
    assert "Forecast: median highest 6 in the week of 18 Mar 2024." in text
    nothing = past().assign(visits=np.nan)
    assert "One year before: not known." in past_years_text(nothing, ahead(), title=TITLE)


def test_the_pointer_is_told_this_year_and_those_before():
    """Seen where it was seen, else the forecast; of an unknown week that it is not known."""
    spec = past_years_chart(past(), ahead(), title=TITLE, source="s", hover=True).to_dict()
    said = [row["words"] for row in spec["datasets"]["hover"]]
    assert said[0] == "Week of 4 Mar 2024: seen 3; two years before 1; one year before 1."
    assert said[2] == (
        "Week of 18 Mar 2024: forecast 6; two years before not known; one year before not known."
    )


def test_more_years_than_can_be_told_apart_are_refused():
    """Four lines of one hue are not."""
    with pytest.raises(ChartError, match="4 past years; at most 3"):
        past_years_chart(past(("a", "b", "c", "d")), ahead(), title=TITLE, source="s")
