import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.pollen_season import (
    PollenSeasonError,
    clinical_season,
    day_of_cumulative_sum,
    percent_season,
)

WEEK = [10.0] * 7  # a qualifying week of grasses: five times 10 is over 30


def series(values):
    return pd.Series(values, index=pd.date_range("2001-05-01", periods=len(values)), dtype=float)


def day(number):
    return pd.Timestamp("2001-04-30") + pd.Timedelta(days=number)


def test_two_weeks_far_apart_are_two_segments_of_one_season():
    """Ten low days between two good weeks split the season, and it lasts from first to last."""
    season = clinical_season(series([0, *WEEK, *[0] * 10, *WEEK, 0]), "grasses")
    spans = [(segment.start, segment.end) for segment in season.segments]
    assert spans == [(day(2), day(8)), (day(19), day(25))]
    assert (season.start, season.end) == (day(2), day(25))


def test_two_low_days_do_not_split_a_season():
    """Five qualifying days of seven are enough, so two low ones lie within."""
    season = clinical_season(series([0, *WEEK, 0, 0, *WEEK, 0]), "grasses")
    assert [(s.start, s.end) for s in season.segments] == [(day(2), day(17))]


def test_a_day_below_the_threshold_neither_begins_nor_ends():
    """Of 2, 10 x 5, 2 the tens are the season."""
    season = clinical_season(series([0, 2, *[10] * 5, 2, 0]), "grasses")
    assert (season.start, season.end) == (day(3), day(7))


def test_the_largest_five_of_a_week_are_summed():
    """Seven days of 4, 4, 4, 4, 4, 9, 9: the first five make 20, the largest five 30."""
    assert clinical_season(series([0, 4, 4, 4, 4, 4, 9, 9, 0]), "grasses").state == "season"
    assert clinical_season(series([0, 4, 4, 4, 4, 4, 9, 8, 0]), "grasses").state == "no season"


def test_a_threshold_is_reached_by_being_equal():
    """Five days of the daily threshold 10 make no birch season, of 20 they make the sum 100."""
    assert clinical_season(series([0, *[19.9] * 5, 0]), "birch").state == "no season"
    assert clinical_season(series([0, *[20] * 5, 0]), "birch").state == "season"


def test_gaps_of_three_days_are_bridged_and_of_four_are_not():
    """Three missing days within a week of tens count as tens; four end the first stretch."""
    bridged = [0, 10, 10, np.nan, np.nan, np.nan, 10, 10, 0]
    assert clinical_season(series(bridged), "grasses").start == day(2)
    gappy = [0, 10, 10, np.nan, np.nan, np.nan, np.nan, 10, 10, 0]
    assert clinical_season(series(gappy), "grasses").state == "not known"


def test_what_lies_behind_a_long_gap_stays_not_known():
    """A gap before the first start may hide an earlier one; the end, with all days known, is."""
    values = [0, *[np.nan] * 6, 0, *WEEK, 0]
    season = clinical_season(series(values), "grasses")
    assert (season.start_known, season.end_known) == (False, True)
    mirrored = clinical_season(series(values[::-1]), "grasses")
    assert (mirrored.start_known, mirrored.end_known) == (True, False)
    assert percent_season(series(values)).state == "not known"


def test_a_season_that_runs_on_the_first_day_began_before_the_record():
    """Counting began in the middle of the season: its start is not known."""
    season = clinical_season(series([*WEEK, 0]), "grasses")
    assert (season.start_known, season.end_known) == (False, True)


def test_days_before_the_first_count_are_outside_the_record():
    """A trap switched on in spring makes no gap of the winter."""
    values = [np.nan] * 60 + [0, *WEEK, 0] + [np.nan] * 60
    season = clinical_season(series(values), "grasses")
    assert (season.start_known, season.end_known) == (True, True)
    assert percent_season(series(values), percent=90).start == day(62)


@pytest.mark.parametrize("read", [lambda s: clinical_season(s, "birch"), percent_season])
def test_without_any_count_nothing_is_known(read):
    """An empty year is not a year without season."""
    assert read(series([np.nan] * 30)).state == "not known"
    assert read(series([])).state == "not known"


def test_a_year_of_zeros_has_no_season_by_either_rule():
    """Counted and nothing found: no season, known as such."""
    assert clinical_season(series([0.0] * 30), "birch").state == "no season"
    assert percent_season(series([0.0] * 30)).state == "no season"
    assert day_of_cumulative_sum(series([0.0] * 30), 75.0) is None


def test_a_sum_behind_a_gap_is_not_known():
    """The days of the gap might have reached it before."""
    values = [10, 10, *[np.nan] * 5, 10, 80]
    assert day_of_cumulative_sum(series(values), 20.0) == day(2)
    assert day_of_cumulative_sum(series(values), 100.0) is None


@given(st.lists(st.integers(0, 400), min_size=1, max_size=80))
def test_percent_seasons_lie_within_each_other(counts):
    """The season of 90 % lies within that of 95 %, and that within the one of 98 %."""
    seasons = [percent_season(series(counts), percent=p) for p in (98, 95, 90)]
    if sum(counts) == 0:
        assert all(s.state == "no season" for s in seasons)
        return
    starts, ends = [s.start for s in seasons], [s.end for s in seasons]
    assert starts == sorted(starts)
    assert ends == sorted(ends, reverse=True)
    assert starts[-1] <= ends[-1]


@given(st.lists(st.integers(0, 40), min_size=8, max_size=60))
def test_the_clinical_season_read_backwards_is_the_same(counts):
    """Begin and end follow one rule looking ahead and back, so a mirrored year swaps them."""
    ahead = clinical_season(series(counts), "grasses")
    back = clinical_season(series(counts[::-1]), "grasses")
    assert ahead.state == back.state
    n = len(counts)
    if ahead.start is not None:
        assert ahead.end is not None
        assert back.start == day(n + 1 - (ahead.end - day(0)).days)
        assert back.end == day(n + 1 - (ahead.start - day(0)).days)


def test_unknown_taxa_rules_and_counts_are_refused():
    """Each sentence says what was asked and what there is."""
    with pytest.raises(PollenSeasonError, match="'oak'; it has them for birch, grasses"):
        clinical_season(series([1.0]), "oak")
    with pytest.raises(PollenSeasonError, match="80 % was asked; the rules are 90, 95, 98 %"):
        percent_season(series([1.0]), percent=80)
    with pytest.raises(PollenSeasonError, match="found -1 on 2001-05-02"):
        percent_season(series([1.0, -1.0]))
    with pytest.raises(PollenSeasonError, match="2001-05-02 is followed by 2001-05-04"):
        percent_season(series([1.0, 1.0, 1.0, 1.0]).drop(day(3)))
    with pytest.raises(PollenSeasonError, match="must be above zero, got 0"):
        day_of_cumulative_sum(series([1.0]), 0.0)
