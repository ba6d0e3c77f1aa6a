"""The season in words: every sentence worked out by hand from a few draws."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from forecast.season_words import season_answer, spells, strip_words, year_sentence


def draws(high: dict[int, int], n_weeks: int = 26):
    """Twenty draws; the first so many of each week named are 100, a high week, the others 0."""
    array = np.zeros((20, n_weeks))
    for week, many in high.items():
        array[:many, week] = 100.0
    return array


def together(make_issued, *regions):
    """Lay regions side by side, each given by its high draws."""
    parts = [
        make_issued(draws(high)).assign_coords(region=[name])
        for name, high in zip("abcdefgh", regions, strict=False)
    ]
    joined = xr.concat(parts, dim="region", data_vars="minimal", coords="minimal", join="exact")
    return joined.assign_attrs(parts[0].attrs)


NAMES = {"a": "Ay", "b": "Bee", "c": "Cee"}


def test_some_regions_are_counted_and_the_first_is_named(make_issued):
    """Weeks 2 and 4 begin on 20 March and 3 April; 16 of 20 draws are 4 in 5."""
    issued = together(make_issued, {4: 12}, {2: 10, 5: 16}, {3: 4})
    assert season_answer(issued, NAMES) == (
        "High weeks are likely in 2 of 3 regions, first in Bee from 20 Mar; the highest odds are "
        "4 in 5, usual 1 in 5, in Bee in the week of 10 Apr."
    )


def test_a_week_that_is_on_is_said_to_be_now(make_issued):
    """Week 0 holds the origin; where all begin together none is named apart."""
    issued = together(make_issued, {0: 12}, {0: 14}, {0: 11})
    assert season_answer(issued, NAMES).startswith("High weeks are likely in all 3 regions, now;")


def test_one_region_has_its_own_sentence(make_issued):
    """The same as on its page."""
    issued = make_issued(draws({3: 15}))
    answer = season_answer(issued, {"north": "Northton"})
    assert answer.startswith("Northton: high weeks are likely 27 Mar-2 Apr")


def test_regions_that_are_not_known_are_named_or_all_of_them(make_issued):
    """Nothing is said of their weeks."""
    issued = together(make_issued, {4: 12}, {4: 12}, {4: 12})
    issued["odds_high"] = issued["odds_high"].where(issued["region"] == "a")
    assert season_answer(issued, NAMES).endswith("Not known in Bee and Cee.")
    issued["odds_high"] = issued["odds_high"] * np.nan
    assert season_answer(issued, NAMES) == (
        "Flare visits of these 3 regions are not known; exposure and season dates only."
    )
    assert strip_words(issued, "a") == spells(issued, "a") == "not known"


def test_spells_past_the_second_are_counted(make_issued):
    """Weeks 1, 5, 9 and 13 stand alone: two are named, two more there are."""
    issued = make_issued(draws({week: 11 for week in (1, 5, 9, 13)}))
    assert spells(issued, "north") == "likely high 13-19 Mar, 10-16 Apr and 2 more spells"
    assert strip_words(issued, "north", short=True) == "1 in 2 in the week of 13 Mar"
    assert spells(make_issued(draws({})), "north") == "no week likely high"


@pytest.mark.parametrize(("unknown", "told"), [(0, "had 162"), (2, "had 145 in 10 weeks known")])
def test_the_year_ahead_stands_beside_the_same_weeks_before(make_issued, unknown, told):
    """Sixty weeks were counted 0 to 59, so the twelve of a year before had 8 to 19: 162 in all.

    The mean of 20 draws of 100 in half of them is 50 in one week; others are nought.
    """
    issued = make_issued(draws({3: 10}, n_weeks=12))
    issued = issued.assign(visits_mean=issued["visits"].mean("draw"))
    issued["flare_visits_past"][0, 8 : 8 + unknown] = np.nan  # 8 and 9: 17 less
    sentence = year_sentence(issued, "north", "Northton")
    assert sentence == (
        "Northton: 50 flare visits are expected in the 12 weeks ahead; the same weeks of the years "
        f"before {told}."
    )


def test_without_past_years_nothing_is_made_up(make_issued):
    """No number stands for what is not known."""
    issued = make_issued(draws({3: 10}, n_weeks=12))
    issued = issued.assign(visits_mean=issued["visits"].mean("draw"))
    issued["flare_visits_past"][:] = np.nan
    assert year_sentence(issued, "north", "Northton").endswith(
        "what the same weeks had in years before is not known."
    )
