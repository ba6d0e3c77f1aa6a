"""Minutes learned from the lengths of visits: as many as there are, leaning on the house's."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from small_desk import inputs

from forecast.staffing.desk_numbers import DOSE, FLARE, OTHER, RECHECK, Minutes, table
from forecast.staffing.patterns import roles_of
from forecast.staffing.visit_lengths import (
    MINUTES_TOLD,
    learned_minutes,
    minutes_told,
    with_learned,
)

TODAY = date(2026, 3, 2)


def seen(kind: str, minutes: list[float], *, days_ago: int = 10) -> pd.DataFrame:
    """Return visits of dogs seen once each, with their lengths."""
    frame = pd.DataFrame(
        {
            "date": pd.Timestamp(TODAY - timedelta(days=days_ago)),
            "branch": "a",
            "dog": [f"{kind}-{days_ago}-{n}" for n in range(len(minutes))],
            "kind": kind,
            "region": "r",
            "minutes": minutes,
        }
    )
    return roles_of(frame, flare_free_days=28)


def test_the_mean_leans_on_the_house_as_on_twenty_visits():
    """Forty of 26 minutes and the house's 20 as of twenty visits: (40 * 26 + 20 * 20) / 60 = 24."""
    assert table().number("minutes.flare_visit.vet") == 20
    assert table().number("length.house_weight") == 20
    (learned,) = learned_minutes(seen("itch flare", [25.0, 27.0] * 20), today=TODAY)
    assert learned == Minutes(FLARE, "vet", 24.0, None, "visits", 40)


def test_few_lengths_those_not_known_and_old_ones_teach_nothing():
    """Twenty-nine are too few; a hundred not known, or of three years ago, are none."""
    few = seen("itch flare", [26.0] * 29)
    unknown = seen("itch flare", [np.nan] * 100, days_ago=40)
    old = seen("itch flare", [26.0] * 100, days_ago=3 * 365)
    ahead = seen("itch flare", [26.0] * 100, days_ago=0)
    assert learned_minutes(pd.concat([few, unknown, old, ahead]), today=TODAY) == ()


def test_planted_minutes_are_recovered_of_whoever_leads_the_visit():
    """Three thousand lengths of each kind about a mean: within three standard errors and leaning.

    A gamma of shape 9 has a third of its mean as spread: 3 * 26 / 3 / sqrt(3000) = 0.47 minutes;
    the house's weight of 20 in 3020 moves a mean that is 6 off by 0.04.
    """
    rng = np.random.default_rng(1)
    means = {"itch flare": 26.0, "recheck": 14.0, "scheduled dose": 9.0, "other": 17.0}
    parts = [seen(kind, rng.gamma(9.0, mean / 9.0, 3000).tolist()) for kind, mean in means.items()]
    found = {(m.kind, m.role): m for m in learned_minutes(pd.concat(parts), today=TODAY)}
    planted = {
        (FLARE, "vet"): 26.0,
        (RECHECK, "vet"): 14.0,
        (DOSE, "technician"): 9.0,
        (OTHER, "vet"): 17.0,
    }
    assert set(found) == set(planted)
    for key, mean in planted.items():
        assert found[key].number == pytest.approx(mean, abs=mean / np.sqrt(3000) + 0.05)
        assert found[key].n_visits == 3000


def test_what_the_desk_entered_comes_before_what_was_learned_and_that_before_the_house():
    given = inputs(["a", "b"], [])
    entered = Minutes(FLARE, "vet", 33.0, None, "desk")
    at_b = Minutes(FLARE, "vet", 40.0, "b", "desk")
    learned = (
        Minutes(FLARE, "vet", 24.0, None, "visits", 40),
        Minutes(RECHECK, "vet", 13.0, None, "visits", 90),
    )
    alone = with_learned(given, learned)
    assert alone.minutes_of(FLARE, "vet", "a").number == 24.0
    assert alone.minutes_of(FLARE, "desk", "a").number == 5.0
    both = with_learned(replace(given, minutes=(*given.minutes, entered, at_b)), learned)
    assert both.minutes_of(FLARE, "vet", "a").number == 33.0
    assert both.minutes_of(FLARE, "vet", "b").number == 40.0
    assert both.minutes_of(RECHECK, "vet", "a").number == 13.0


def test_it_is_said_where_the_minutes_of_each_role_are_from():
    given = with_learned(inputs(["a"], []), [Minutes(FLARE, "vet", 24.0, None, "visits", 40)])
    given = replace(given, minutes=(*given.minutes, Minutes(FLARE, "desk", 7.0, None, "desk")))
    told = {one.what.removeprefix(MINUTES_TOLD): one for one in minutes_told(given)}
    flare = told[FLARE]
    assert (flare.value, flare.source) == ("vet 24, technician 15, desk 7", "visits")
    assert flare.why == (
        "vet: learned from the lengths of 40 visits, leaning on the house's 20 as on 20 visits "
        "more; technician: the house's; desk: entered by the practice"
    )
    assert told[RECHECK].source == "table"
