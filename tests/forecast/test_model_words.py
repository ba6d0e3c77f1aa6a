"""What the model of visits rests on, in sentences."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import xarray as xr

from forecast.model_words import nowcast_sentences, review_sentences
from models.flare.exposure_decision import Effect, ExposureDecision
from models.flare.recalibration import Recalibration
from models.flare.yearly_review import YearlyReview

KEPT = ExposureDecision(
    "kept",
    ("trees", "grasses"),
    *(0.95, 0.91, 0.99),
    5,
    20,
    11.6,
    Effect(np.log(1.1), np.log(1.02), np.log(1.2)),
    Effect(np.log(1.13), np.log(1.05), np.log(1.22)),
    0.24,
    -0.3,
)


def review_of(exposure, spread=Recalibration()) -> YearlyReview:  # noqa: B008
    drivers = ("temperature", "humidity", "trees", "grasses")
    return YearlyReview(date(2023, 1, 1), date(2023, 3, 1), drivers, exposure, spread)


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        ("kept", "Exposure (trees and grasses) enters the forecast of visits: with it"),
        ("left out", "left out of the forecast of visits, as it is not shown to help: with it"),
        ("not yet known", "whether it helps is not yet known, as 5 of the 3 seasons"),
    ],
)
def test_the_decision_is_said_with_what_it_rests_on(verdict, said):
    """Its interval, its seasons, how many independent region-seasons, and its day."""
    sentence = review_sentences(review_of(replace(KEPT, verdict=verdict)))[0]
    assert said in sentence
    assert "on weeks before 1 Jan 2023" in sentence
    if verdict != "not yet known":
        assert (
            "0.95 of the error without (9 in 10 between 0.91 and 0.99, from 5 seasons" in sentence
        )
        assert "20 region-seasons, which tell as much as 12 independent ones" in sentence


def test_humidity_is_said_with_exposure_and_without_and_what_cannot_be_told():
    """The exponential of 0.122 is 1.13, of 0.095 1.10; a quarter of it is shared with exposure."""
    _, effects, shared, _ = review_sentences(review_of(KEPT))
    assert "+13 % (+5 to +22 %) flare visits where exposure is left out" in effects
    assert "+10 % (+2 to +20 %) where it is in" in effects
    assert "24 % go along with exposure's (damper weeks have less exposure)" in shared
    assert "these visits cannot tell; the other 76 % can be told apart" in shared


def test_how_wide_bands_are_is_said_or_that_it_is_not_known():
    """Three seasons are needed; a factor of one is no factor."""
    unknown = review_sentences(review_of(None))
    assert unknown == [
        "How wide the bands should be is not checked against past seasons yet: 0 of the 3 it takes "
        "can be foretold from those before."
    ]
    told = review_sentences(review_of(None, Recalibration(1.25, 1.0, 4)))[0]
    assert "of 4 earlier seasons" in told
    assert "flare visits are drawn 1.25 times as wide" in told
    assert "all other consultations as the models have them" in told


def test_a_week_still_coming_in_is_said_region_by_region():
    """Seen, share, and what it will likely be; a whole region is not spoken of."""
    coords = {"region": ["north", "south"], "week": [np.datetime64("2024-02-26", "ns")]}
    nowcast = xr.Dataset(
        {
            "flare_visits": (
                ("level", "region", "week"),
                np.array([[[8.0], [np.nan]], [[10.0], [np.nan]], [[13.0], [np.nan]]]),
            ),
            "so_far": (("region", "week"), [[7.0], [np.nan]]),
            "reported_share": (("region", "week"), [[0.7], [np.nan]]),
        },
        coords=coords,
    )
    assert nowcast_sentences(nowcast, {"north": "Northton"}) == [
        "Northton: of the week of 26 Feb 2024 70 % has come in, 7 flare visits so far; likely "
        "10 in the end (9 in 10 between 8 and 13)."
    ]
