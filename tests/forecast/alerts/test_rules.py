"""Rules: stated, simulated on past origins, switched on; their history and what is refused."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pandas as pd
import pytest

from forecast.alerts.errors import AlertError
from forecast.alerts.record import record_of_alerts
from forecast.alerts.rules import (
    Stated,
    from_right_of_ten,
    set_rule,
    set_rules,
    switch,
    switch_all,
    threshold_sentence,
)
from forecast.alerts.simulating import PastOdds, past_odds, simulate, simulate_in
from forecast.records import alert_rules as rules_held

MONDAY = datetime(2021, 3, 1)


def origin(number: int, *odds: float, high: str, usual: float = 0.1) -> list[dict]:
    """Return the rows of one weekly origin: odds of its weeks, and which of them were high."""
    first = MONDAY + timedelta(weeks=number)
    return [
        {
            "origin": first,
            "region": "north",
            "week": first + timedelta(weeks=i),
            "odds_high": value,
            "usual_odds": usual,
            "was_high": float(high[number + i] == "#"),
        }
        for i, value in enumerate(odds)
    ]


def past(rows: list[dict]) -> PastOdds:
    frame = pd.DataFrame(rows).astype({"origin": "datetime64[us]", "week": "datetime64[us]"})
    return PastOdds(frame, "the backtest")


def test_a_rule_is_simulated_on_past_origins_and_kept_with_what_was_shown(practice, records, rule):
    """Two origins: the first speaks of weeks 2 and 3, of which 3 came high; the second is on."""
    rows = origin(0, 0, 0, 0.5, 0.4, high="...#..") + origin(1, 0, 0.5, 0.4, 0, high="...#..")
    made, shown = set_rule(
        practice, records, "north", Stated(1, 4), by="a", now=practice.now, past=past(rows)
    )
    assert not made.is_on
    assert [(o.given.day, o.words) for o in shown.own.outcomes] == [(date(2021, 3, 1), "hit")]
    assert shown.own.outcomes[0].given.weeks == (date(2021, 3, 15), date(2021, 3, 22))
    kept = rules_held.rules_in_force(records)["north"].simulation
    assert kept["spoken"] == [{"day": "2021-03-01", "kind": "sudden high week", "came": "hit"}]
    assert "2 past origins of the backtest" in kept["rests_on"]


def test_a_dearer_alert_speaks_less(rule):
    """At a threshold of 1 in 2 odds of 0.4 are kept quiet, and the high week is a miss."""
    rows = origin(0, 0, 0, 0.4, 0, high="..#.")
    assert simulate(replace(rule, cost=1, loss=4), past(rows), seed=1).own.n_hits == 1
    dear = simulate(replace(rule, cost=2, loss=4), past(rows), seed=1)
    assert (dear.own.n_hits, dear.own.n_missed) == (0, 1)


def test_regions_are_pooled_and_each_is_spoken_of_by_itself(rule):
    north = origin(0, 0, 0, 0.5, 0, high="..#.")
    south = [row | {"region": "south", "was_high": 0.0} for row in north]
    shown = simulate(rule, past(north + south), seed=1)
    assert (shown.own.n_hits, shown.own.n_false_alarms) == (1, 0)
    assert (shown.pooled.n_hits, shown.pooled.n_false_alarms) == (1, 1)


@pytest.mark.parametrize(("weeks", "is_said"), [(3, False), (4, True)])
def test_events_between_origins_that_lie_far_apart_are_told_of(rule, weeks, is_said):
    """The rule looks 5 to 28 days ahead: origins of every third week leave nothing between."""
    rows = [row for n in range(0, 4 * weeks, weeks) for row in origin(n, 0.5, 0.1, high="#" * 20)]
    told = simulate(rule, past(rows), seed=1).rests_on
    assert (f"these lie {weeks} weeks apart and the rule looks 28 days ahead" in told) == is_said


def test_events_that_no_past_origin_could_have_spoken_of_are_no_misses(rule):
    """Weeks 2 and 9 came high; the one origin looks at weeks 1 to 4, and knows odds of ten."""
    rows = origin(0, *[0.1] * 10, high="..#......#")
    shown = simulate(rule, past(rows), seed=1).own
    assert (shown.n_events, shown.n_missed, shown.n_out_of_reach) == (1, 1, 1)
    assert "0 of 1 event was warned of before it began (1 more lay between" in shown.sentence
    assert (shown.by_week.misses, shown.by_week.correct_negatives) == (1, 3)


def test_an_event_that_had_begun_before_the_first_look_is_out_of_reach(rule):
    """It is high from the origin's own week on, so no warning could come before it."""
    shown = simulate(rule, past(origin(0, *[0.1] * 5, high="###..")), seed=1).own
    assert (shown.n_events, shown.n_out_of_reach) == (0, 1)


def test_without_past_origins_it_says_what_to_do(practice, records):
    assert past_odds(practice).rows.empty
    _, shown = set_rule(practice, records, "north", Stated(1, 4), by=None, now=practice.now)
    assert "forepaw backtest" in shown.rests_on


def test_a_replay_is_read_and_its_issued_days_are_left_out(practice):
    folder = practice.folder / "replays" / "a"
    folder.mkdir(parents=True)
    row = {"region_id": "north", "odds_high": 0.5, "usual_odds": 0.1, "was_high": True}
    days = [("2021-03-01", "hindcast"), ("2021-03-08", "issued")]
    rows = [row | {"day": day, "week": "2021-03-15", "kind": kind} for day, kind in days]
    pd.DataFrame(rows).to_csv(folder / "scores.csv", index=False)
    found = past_odds(practice)
    assert found.source == "a replay"
    assert list(found.rows["origin"].dt.date) == [date(2021, 3, 1)]


def test_a_rule_is_switched_on_after_it_was_simulated_and_its_history_stays(practice, records):
    with pytest.raises(AlertError, match="there is none yet"):
        switch(records, "north", on=True, by=None, now=practice.now)
    set_rule(practice, records, "north", Stated(1, 4), by="a", now=practice.now)
    # all in one moment: what was done last counts all the same
    assert switch(records, "north", on=True, by="b", now=practice.now).is_on
    switch(records, "north", on=False, by="b", now=practice.now)
    history = rules_held.rule_history(records, "north")
    assert [(one.made_by, one.is_on) for one in history] == [
        ("b", False),
        ("b", True),
        ("a", False),
    ]


def test_a_rule_that_nobody_saw_simulated_is_not_switched_on(practice, records, rule):
    with records.writing() as connection:
        rules_held.add_rule(connection, replace(rule, is_on=False, simulation=None))
    with pytest.raises(AlertError, match="nobody has seen what it would have done"):
        switch(records, "north", on=True, by=None, now=practice.now)


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        (Stated(4, 4), "the first below the second"),
        (Stated(0, 4), "above nothing"),
        (Stated(1, 4, shortest_lead=20, longest_lead=10), "in their order"),
        (Stated(1, 4, shortest_lead=5, longest_lead=10), "a week must lie between"),
        (Stated(1, 4, gap=-1), "the gap is -1 days"),
        (Stated(1, 4, budget=0), "the budget is 0 a year"),
        (Stated(1, 4, off_share=1.5), "off_share is 1.5"),
        (Stated(1, 4, kinds=("rain",)), "it speaks of 'rain'"),
        (Stated(1, 4, kinds=()), "it speaks of nothing"),
        (Stated(float("nan"), 4), "the first below the second"),
        (Stated(1, float("inf")), "the first below the second"),
        (Stated(1e-300, 1e300), "the first below the second"),
    ],
)
def test_what_a_rule_may_not_be_is_refused_and_nothing_is_kept(practice, records, stated, said):
    with pytest.raises(AlertError, match=said):
        set_rule(practice, records, "north", stated, by=None, now=practice.now)
    assert rules_held.rules_in_force(records) == {}


def test_a_region_that_there_is_none_of_is_refused(practice, records):
    with pytest.raises(AlertError, match=r"practice\.toml has north, south"):
        set_rule(practice, records, "west", Stated(1, 4), by=None, now=practice.now)


def test_content_with_three_right_of_ten_is_a_threshold_of_three_in_ten(rule):
    """About 2.3 alerts at the threshold are false for one that is right: 7 to 3."""
    cost, loss = from_right_of_ten(3)
    stated = replace(rule, cost=cost, loss=loss)
    assert stated.on_odds == pytest.approx(0.3)
    assert "about 2.3 of such alerts are false" in threshold_sentence(stated)
    for n in (0, 10):
        with pytest.raises(AlertError, match="between 1 and 9"):
            from_right_of_ten(n)


def test_the_record_begins_when_a_rule_was_switched_on(practice, records):
    """Without a rule that was ever on there is nothing to be missed."""
    found = record_of_alerts(practice, records)
    assert (found.n_events, found.outcomes) == (0, ())


def test_one_rule_for_several_regions_is_each_ones_own(practice, records):
    """Each has its own row, simulation and history; where one cannot be switched none is."""
    both = ["north", "south"]
    set_rule(practice, records, "north", Stated(1.0, 2.0), by=None, now=practice.now)
    with pytest.raises(AlertError, match="there is none yet"):
        switch_all(records, both, on=True, by=None, now=practice.now)
    assert not rules_held.rules_in_force(records)["north"].is_on
    made = set_rules(practice, records, both, Stated(1.0, 4.0), by="ida", now=practice.now)
    assert [one.region_id for one, _ in made] == both
    switch_all(records, both, on=True, by="ida", now=practice.now)
    in_force = rules_held.rules_in_force(records)
    assert {key: (rule.on_odds, rule.is_on) for key, rule in in_force.items()} == {
        "north": (0.25, True),
        "south": (0.25, True),
    }
    assert [len(rules_held.rule_history(records, one)) for one in both] == [3, 2]
    with pytest.raises(AlertError, match="'west'"):
        set_rules(practice, records, ["north", "west"], Stated(1.0, 3.0), by=None, now=practice.now)
    assert len(rules_held.rule_history(records, "north")) == 3


def test_a_rule_is_simulated_in_several_regions_as_in_each(rule):
    """Two regions with other odds: as if each had been asked for alone."""
    north = [row for n in range(4) for row in origin(n, 0.9, 0.9, high="####....")]
    south = [
        row | {"region": "south"} for n in range(4) for row in origin(n, 0.1, 0.9, high=".#......")
    ]
    rows = past(north + south)
    shown = simulate_in(rule, ["north", "south"], rows, seed=1)
    assert shown == {
        one: simulate(replace(rule, region_id=one), rows, seed=1) for one in ("north", "south")
    }
    assert shown["north"].own != shown["south"].own
