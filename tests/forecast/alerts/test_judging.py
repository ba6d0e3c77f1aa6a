"""Alerts held against weeks, each outcome counted by hand."""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest

from forecast.alerts.judging import Given, events, tally

FIRST = date(2023, 3, 6)


def week(number: int) -> date:
    return FIRST + timedelta(weeks=number)


def given(kind: str, day: int, *weeks: int, region: str = "north") -> Given:
    return Given(region, kind, week(day), tuple(map(week, weeks)))


def high(pattern: str, region: str = "north") -> dict[tuple[str, date], bool]:
    """Return weeks from a line such as ``.##.``: # is high, . is not, ? is not known."""
    return {(region, week(i)): c == "#" for i, c in enumerate(pattern) if c != "?"}


def test_a_hit_a_false_alarm_and_one_not_known_yet():
    """Weeks 2 and 3 came high; 5 and 6 did not; of 8 and 9 one is not known."""
    weeks = high("..##.....?")
    told = [
        given("season near", 0, 2, 3),
        given("sudden high week", 4, 5, 6),
        given("sudden high week", 7, 8, 9),
    ]
    found = tally(told, weeks, seed=1)
    assert [o.words for o in found.outcomes] == ["not known yet", "false alarm", "hit"]
    assert (found.n_hits, found.n_false_alarms, found.n_waiting) == (1, 1, 1)
    assert found.outcomes[-1].lead_days == 14
    assert found.lead_days == 14
    assert found.sentence == (
        "1 of 2 warnings was right; 1 of 1 event was warned of before it began; of 1 alert it is "
        "not known yet; half of the right ones came 14 days or more ahead"
    )


def test_high_weeks_with_one_between_are_one_event_and_with_two_are_two():
    assert [len(weeks) for _, weeks in events(high("##.#..#"))] == [3, 1]
    assert len(events({**high("#"), **high("#", "south")})) == 2


def test_an_event_that_nobody_was_warned_of_before_it_began_is_a_miss():
    """The alert of week 3 about week 3 came too late, that of week 5 about week 8 in time."""
    weeks = high("...#...##.")
    told = [given("season near", 3, 3), given("sudden high week", 5, 8)]
    found = tally(told, weeks, seed=1)
    assert (found.n_events, found.n_missed) == (2, 1)
    told_of = "2 of 2 warnings were right; 1 of 2 events was warned of before they began"
    assert told_of in found.sentence


def test_that_a_season_is_over_is_right_where_no_week_is_high_and_warns_of_nothing():
    found = tally([given("season over", 0, 1, 2)], high("...#"), seed=1)
    assert [o.words for o in found.outcomes] == ["was over"]
    assert (found.n_hits, found.n_false_alarms, found.n_missed) == (0, 0, 1)
    wrong = tally([given("season over", 0, 2, 3)], high("...#"), seed=1)
    assert [o.words for o in wrong.outcomes] == ["was not over"]
    assert "that a season is over was right 1 of 1 time;" in f"{found.sentence};"
    assert "that a season is over was right 0 of 1 time" in wrong.sentence
    assert "no warning can be judged yet; 0 of 1 event was warned of" in wrong.sentence


def test_the_table_of_weeks_and_its_scores():
    """Warned of 2, 3 and 4, high 3 and 5, of six weeks: 1 hit, 2 false, 1 missed, 2 quiet."""
    found = tally([given("season near", 0, 2, 3, 4)], high("...#.#"), seed=1)
    cells = found.by_week
    assert (cells.hits, cells.false_alarms, cells.misses, cells.correct_negatives) == (1, 2, 1, 2)
    assert found.scores["probability_of_detection"] == pytest.approx(1 / 2)
    assert found.scores["false_alarm_ratio"] == pytest.approx(2 / 3)


def test_scores_that_are_not_defined_are_null_and_never_zero():
    """Without an event nothing is said of detection; the answer is JSON all the same."""
    found = tally([], high("...."), seed=1)
    assert found.scores["probability_of_detection"] is None
    assert found.scores["false_alarm_ratio"] is None
    json.dumps(found.scores, allow_nan=False)


def test_below_ten_events_there_are_counts_and_no_shares():
    """Nine events of three weeks each, then ten."""
    nine, ten = high("#..." * 9), high("#..." * 10)
    told = [given("sudden high week", -1, 0)]
    assert tally(told, nine, seed=1).detection is None
    found = tally(told, ten, seed=1)
    assert found.n_events == 10
    assert found.detection.mean == pytest.approx(1 / 10)
    assert "%" not in tally(told, nine, seed=1).sentence
    assert "10%" in found.sentence


def test_fewer_than_ten_warnings_have_no_share_of_false_ones_either():
    """Ten events, of which nine are warned of and hit, then all ten; never 0 % of a few."""
    weeks = high("#..." * 10)
    told = [given("sudden high week", 4 * i - 1, 4 * i) for i in range(9)]
    found = tally(told, weeks, seed=1)
    assert found.detection.mean == pytest.approx(9 / 10)
    assert found.false_alarms is None
    whole = tally([*told, given("sudden high week", 35, 36)], weeks, seed=1)
    assert whole.false_alarms.mean == 0
    assert "0% (" in whole.sentence
    assert "between 0% and 0%" not in whole.sentence


def test_nothing_on_record_is_said_so():
    assert "No alert" in tally([], {}, seed=1).sentence
