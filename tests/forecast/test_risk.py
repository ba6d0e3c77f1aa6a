"""Risk read off draws made by hand, whose answer is known beforehand.

A flare season is read off running means over three weeks. A block of weeks at 100 with zeros
around it has means of 33, 67, 100, ..., 100, 67, 33 at its edges: above 50 it is the block itself.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from forecast.risk import (
    exposure_seasons,
    flare_seasons,
    high_weeks,
    seasons_not_known,
    week_odds,
)

FIRST = date(2023, 3, 6)  # a Monday


def monday(number: int) -> date:
    return FIRST + timedelta(weeks=number)


def blocks(*spans: tuple[int, int], n_weeks: int = 40) -> np.ndarray:
    """Return one draw with 100 in the weeks of each span, first to last."""
    row = np.zeros(n_weeks)
    for first, last in spans:
        row[first : last + 1] = 100
    return row


def season_of(make_issued, draws, **changes):
    (window,) = flare_seasons(make_issued(np.stack(draws), **changes))
    return window


def test_a_block_of_high_weeks_is_the_flare_season(make_issued):
    """From the Monday of its first week to the Sunday of its last; the peak is inside."""
    window = season_of(make_issued, [blocks((10, 19))] * 20)
    assert (window.region, window.kind, window.allergen) == ("north", "flare", None)
    assert window.start == (monday(10),) * 3
    assert window.end == (monday(20) - timedelta(days=1),) * 3
    assert window.peak == (monday(11),) * 3  # the first of the weeks whose mean is 100
    assert window.share_of_draws == 1.0


def test_the_peak_is_the_highest_week_of_the_season_not_of_the_year(make_issued):
    """A short burst of 400 elsewhere is no part of the longest stretch."""
    row = blocks((10, 19))
    row[15] = 160  # means of 120 in weeks 14 to 16
    row[30:32] = 400
    window = season_of(make_issued, [row] * 20)
    assert window.peak == (monday(14),) * 3
    assert window.end[1] == monday(20) - timedelta(days=1)


@pytest.mark.parametrize(
    ("gap", "start", "end"), [(2, 10, 24), (3, 18, 25)], ids=["two weeks", "three weeks"]
)
def test_a_pause_of_two_weeks_does_not_end_a_season_and_one_of_three_does(
    make_issued, gap, start, end
):
    """Two blocks of 5 and 7 weeks: joined over two low weeks; over three, the longer one alone."""
    second = 10 + 5 + gap
    row = blocks((10, 14), (second, second + 6))
    window = season_of(make_issued, [row] * 20)
    assert window.start[1] == monday(start)
    assert window.end[1] == monday(end) - timedelta(days=1)


def test_the_spread_of_a_start_is_that_of_its_draws(make_issued):
    """Eleven draws that start a week after each other: 10, 50 and 90 % are the 2nd, 6th, 10th."""
    window = season_of(make_issued, [blocks((5 + n, 25)) for n in range(11)])
    assert window.start == (monday(6), monday(10), monday(14))
    assert window.end == (monday(26) - timedelta(days=1),) * 3


def test_a_season_that_half_of_the_draws_have_is_said_to_come_in_half_of_them(make_issued):
    """Its dates are those of the draws that have it."""
    window = season_of(make_issued, [blocks((10, 19))] * 10 + [blocks()] * 10)
    assert window.share_of_draws == 0.5
    assert window.start == (monday(10),) * 3


@pytest.mark.parametrize(("n_with", "given"), [(1, 0), (2, 1), (3, 1)])
def test_a_season_in_under_a_tenth_of_the_draws_gets_no_dates(make_issued, n_with, given):
    """One draw of twenty is too few, two are not."""
    draws = [blocks((10, 19))] * n_with + [blocks()] * (20 - n_with)
    assert len(flare_seasons(make_issued(np.stack(draws)))) == given


def test_a_flare_season_over_new_year_keeps_its_order(make_issued):
    """Down south it runs from December to February: start, peak and end rise, years and all."""
    window = season_of(make_issued, [blocks((5, 14))] * 20, first="2023-11-06")
    assert window.start[1] == date(2023, 12, 11)
    assert window.end[1] == date(2024, 2, 18)
    assert window.start[1] < window.peak[1] < window.end[1]


def test_dates_of_random_draws_keep_their_order(make_issued):
    """Whatever the draws, 10 % comes before 50 % before 90 %, and start before peak before end."""
    rng = np.random.default_rng(4)
    for _ in range(10):
        draws = rng.gamma(1.0, 40.0, (30, 40)).astype(int)
        for window in flare_seasons(make_issued(draws)):
            for span in (window.start, window.peak, window.end):
                assert span[0] <= span[1] <= span[2]
            for start, peak, end in zip(window.start, window.peak, window.end, strict=True):
                assert start <= peak <= end


def test_a_region_without_a_threshold_has_no_flare_season(make_issued):
    """Its season is not known, however high the draws."""
    assert flare_seasons(make_issued(np.full((20, 40), 500), threshold=np.nan)) == []


def test_weeks_without_consultations_divide_by_nothing(make_issued):
    """A closed branch: no consultation, no flare, no season."""
    assert flare_seasons(make_issued(np.zeros((20, 40)), consultations=0.0)) == []


# ------------------------------------------------------------------------------ odds
def test_high_weeks_are_those_whose_odds_reach_the_level(make_issued):
    """Three of four draws high in week 3, two of four in week 4, one in week 5."""
    draws = np.zeros((4, 10))
    draws[:3, 3] = draws[:2, 4] = draws[:1, 5] = 80
    issued = make_issued(draws)
    assert high_weeks(issued, at_least=0.5) == {"north": [monday(3), monday(4)]}
    assert high_weeks(issued, at_least=0.75) == {"north": [monday(3)]}
    assert high_weeks(issued, at_least=0.76) == {"north": []}


def test_week_odds_say_each_week_with_its_quantiles(make_issued):
    """Ten draws 0 to 9: the median is 4.5, the odds of more than 50 per 1,000 are none."""
    issued = make_issued(np.repeat(np.arange(10)[:, None], 3, axis=1))
    found = week_odds(issued)
    assert [w.week for w in found] == [monday(n) for n in range(3)]
    assert found[0].quantiles[0.5] == 4.5
    assert len(found[0].quantiles) == 23
    assert (found[0].odds_high, found[0].climatology_odds) == (0.0, 0.2)
    assert week_odds(issued, "pressure")[0].quantity == "pressure"


def test_odds_that_are_not_known_stay_not_known(make_issued):
    """Neither zero nor left out; no level calls such a week high."""
    issued = make_issued(np.full((4, 5), 500), threshold=np.nan)
    assert all(np.isnan(w.odds_high) for w in week_odds(issued))
    assert high_weeks(issued, at_least=0.0) == {"north": []}


def test_without_visits_there_are_no_odds_and_no_flare_season(without_visits):
    """Nothing is said of what nobody counted."""
    assert week_odds(without_visits) == []
    assert high_weeks(without_visits, at_least=0.5) == {}
    assert flare_seasons(without_visits) == []


# ------------------------------------------------------------------------------ exposure seasons
def numbers(*days: date) -> np.ndarray:
    return np.array([(day - date(1970, 1, 1)).days for day in days], dtype=float)


def exposed(make_issued, starts, *, peak_after=20, length=40, **changes):
    start = np.asarray(starts, dtype=float)
    seasons = {"start": start, "peak": start + peak_after, "end": start + length}
    return exposure_seasons(make_issued(np.zeros((len(start), 30)), seasons=seasons, **changes))


def test_an_exposure_season_has_the_dates_of_its_draws(make_issued):
    """Eleven draws a day after each other from 1 April."""
    first = numbers(date(2023, 4, 1))[0]
    (window,) = exposed(make_issued, first + np.arange(11))
    assert (window.region, window.kind, window.allergen) == ("north", "exposure", "birch")
    assert window.start == (date(2023, 4, 2), date(2023, 4, 6), date(2023, 4, 10))
    assert window.peak[1] == date(2023, 4, 26)
    assert window.end[1] == date(2023, 5, 16)
    assert window.share_of_draws == 1.0


def test_an_exposure_season_may_cross_new_year(make_issued):
    """From mid-December to late January, in that order."""
    (window,) = exposed(make_issued, numbers(date(2023, 12, 15)).repeat(11), first="2023-11-06")
    assert window.start[1] == date(2023, 12, 15)
    assert window.peak[1] == date(2024, 1, 4)
    assert window.end[1] == date(2024, 1, 24)


def test_late_in_a_season_its_dates_are_not_mixed_with_next_year_s(make_issued):
    """Over in three draws of ten: the dates are those of the seven, and so is the share."""
    now, next_year = numbers(date(2023, 4, 1), date(2024, 4, 5))
    (window,) = exposed(make_issued, [now] * 7 + [next_year] * 3)
    assert window.start == (date(2023, 4, 1),) * 3
    assert window.share_of_draws == pytest.approx(0.7)
    (window,) = exposed(make_issued, [now] * 3 + [next_year] * 7)
    assert window.start == (date(2024, 4, 5),) * 3
    assert window.share_of_draws == pytest.approx(0.7)


def test_an_allergen_without_a_season_ahead_is_left_out(make_issued):
    """No dates in any draw, or in under a tenth of them."""
    day = numbers(date(2023, 4, 1))[0]
    assert exposed(make_issued, [np.nan] * 20) == []
    assert exposed(make_issued, [day] + [np.nan] * 19) == []
    (window,) = exposed(make_issued, [day] * 5 + [np.nan] * 15)
    assert window.share_of_draws == 0.25


def test_a_season_that_is_not_known_is_not_called_none(make_issued):
    """Known in half of the draws, half of which have it: one in two. Known in none: not known."""
    day = numbers(date(2023, 4, 1))[0]
    start = np.array([day] * 5 + [np.nan] * 15)
    seasons = {"start": start, "peak": start + 20, "end": start + 40}
    issued = make_issued(np.zeros((20, 30)), seasons=seasons)
    known = np.array([1] * 10 + [0] * 10, np.int8)
    issued["season_dated"] = (("region", "allergen", "draw"), known[None, None])
    (window,) = exposure_seasons(issued)
    assert window.share_of_draws == 0.5
    assert seasons_not_known(issued) == set()
    nothing = make_issued(np.zeros((20, 30)))
    assert seasons_not_known(nothing) == set()  # known in all draws, and none of them has one
    nothing["season_dated"] = (("region", "allergen", "draw"), np.zeros((1, 1, 20), np.int8))
    assert exposure_seasons(nothing) == []
    assert seasons_not_known(nothing) == {("north", "birch")}
