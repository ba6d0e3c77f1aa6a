"""What moves a week, read off an issue laid out by hand."""

from __future__ import annotations

from datetime import date
from math import log

import numpy as np
import pytest
import xarray as xr

from forecast.explaining import (
    change_in_words,
    explained_regions,
    explained_weeks,
    explanation_frame,
    part_name,
)
from forecast.wording import explanation_sentence

TERMS = {
    "usual": log(0.04),
    "season": log(1.10),
    "trend": 0.0,
    "humidity": log(1.25),
    "moulds and indoor": log(0.90),
    "recent weeks": log(1.2),
    "remainder": log(0.8),
}


@pytest.fixture
def issued(make_issued) -> xr.Dataset:
    """Give 26 weeks from 6 March 2023, 40 per 1,000 as usual; the third has the highest odds."""
    draws = np.zeros((20, 26))
    draws[:15, 2] = 100.0
    values = np.array(list(TERMS.values()))[:, None, None] * np.ones((1, 1, 26))
    held = make_issued(draws).assign_coords(term=list(TERMS))
    return held.assign(explanation=(("term", "region", "week"), values))


def test_parts_multiply_to_the_forecast(issued):
    """40 x 1.1 x 1.25 x 0.9 x 1.2 x 0.8 = 47.52 flares per 1,000; in all +18.8 %."""
    weeks = explained_weeks(issued, "north")
    assert len(weeks) == 26
    assert weeks[2].week == date(2023, 3, 20)
    assert weeks[2].usual == pytest.approx(40.0)
    assert weeks[2].forecast == pytest.approx(47.52)
    assert sum(weeks[2].parts.values()) == pytest.approx(log(1.188))
    assert weeks[2].departure == pytest.approx(log(1.188))
    assert list(weeks[2].parts)[-1] == "all else"


def test_the_sentence_names_the_largest_parts_and_the_remainder(issued):
    """Of the week with the highest odds; three parts by size, the trend of nothing is not one."""
    assert explanation_sentence(issued, "north", "Northton") == (
        "Northton, week of 20 Mar: 47.5 flares per 1,000 consultations, 19 % more than the 40.0 of "
        "the same weeks of past years; moved most by humidity (+25 %), recent weeks (+20 %) and "
        "mould spores and mites and fleas (-10 %); all else makes -20 %."
    )


def test_an_issue_that_does_not_tell_it_gives_nothing(issued, without_visits):
    """Of before it was kept, without visits, or of a region whose visits are not known."""
    assert explained_weeks(issued.drop_vars("explanation"), "north") == ()
    assert explained_weeks(without_visits, "north") == ()
    assert explained_regions(issued) == {"north"}
    assert explained_regions(issued.assign(explanation=issued["explanation"] * np.nan)) == set()
    assert explained_regions(without_visits) == set()
    assert explained_weeks(issued.assign(explanation=issued["explanation"] * np.nan), "north") == ()
    assert explanation_sentence(issued.drop_vars("explanation"), "north", "Northton") is None


def test_all_together_come_first_in_the_figure(issued):
    """Six parts and their sum, 26 weeks each."""
    frame = explanation_frame(explained_weeks(issued, "north"))
    assert len(frame) == 7 * 26
    assert frame["part"].iloc[0] == "in all"
    first = frame[frame["week"] == frame["week"].iloc[0]].set_index("part")["change"]
    assert first["in all"] == pytest.approx(first.drop("in all").sum())


def test_changes_are_said_as_shares():
    """Of the rate, signed; what rounds to nothing has no sign."""
    assert [change_in_words(v) for v in (log(1.5), log(0.5), 0.001, -0.001)] == [
        "+50 %",
        "-50 %",
        "0 %",
        "0 %",
    ]
    assert part_name("weeds") == "weed pollen"
