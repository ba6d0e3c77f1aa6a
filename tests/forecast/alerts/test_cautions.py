"""Cautions: what an alert's rule would have said of one made by hand, and what changed since."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from forecast.alerts import desk
from forecast.alerts.cautions import cautions
from forecast.alerts.errors import AlertError
from forecast.records import alerts as held
from forecast.records.alert_rules import add_rule
from forecast.records.alert_tables import alert

QUIET = [0.0, 0.1, 0.1, 0.1, 0.1, 0.1]
HIGH = [0.0, 0.1, 0.5, 0.5, 0.1, 0.1]
# the weather reaches the day before the origin, and nothing is stale
ATTRIBUTES = {"origin": "2023-03-08", "weather_until": "2023-03-07"}


@pytest.fixture
def issue(issued) -> Callable:
    """Give what makes an issue of some odds, with what its file says of its sources."""

    def make(odds, **more):
        made = issued(odds, **more)
        made.forecast.attrs |= ATTRIBUTES
        return made

    return make


@pytest.fixture
def by_hand(practice, records, rule, issue) -> Callable:
    """Give what drafts by hand, from an issue of some odds, and returns it with what is said."""
    with records.writing() as connection:
        add_rule(connection, rule)

    def draft(kind: str, odds, *, changed=None):
        if changed is not None:
            with records.writing() as connection:
                add_rule(connection, changed)
        one = issue(odds)
        made = desk.draft_by_hand(practice, records, one, "north", kind=kind, by="a")
        return made, cautions(practice, records, made, drafted_from=one, newest=one)

    return draft


def told_before(records, draft, kind: str, day: date) -> None:
    """Keep an alert of the region that went out on a day before."""
    moment = draft.made_at - (draft.made_at.date() - day)
    made = replace(draft, id=f"of {day}", kind=kind, state="sent", made_at=moment, sent_at=moment)
    with records.writing() as connection:
        connection.execute(alert.insert(), {**vars(made), "facts": dict(made.facts)})


def test_a_season_called_over_by_hand_carries_its_cautions(by_hand):
    """It reads as the all-clear, nobody had heard of the season, and skill is not known."""
    made, said = by_hand("season over", QUIET)
    assert made.kind == "season over"
    assert "all-clear for one's own dog" in said[0]
    assert "they would hear the end of what nobody spoke of" in said[1]
    assert "tells nobody any odds" in said[2]
    assert len(said) == 3


def test_the_season_that_was_spoken_of_may_be_called_over(practice, records, by_hand):
    """Owners heard of it on 1 February, 35 days before; the gap of 28 is over."""
    made, _ = by_hand("season over", QUIET)
    told_before(records, made, "season near", date(2023, 2, 1))
    said = " ".join(cautions(practice, records, made, drafted_from=None, newest=None))
    assert "hear the end" not in said
    assert "days between two alerts" not in said
    assert "is not held any more, or cannot be read" in said
    assert "nobody knows whether it still bears it out" in said


def test_what_its_rule_would_have_said_against_it(practice, records, rule, by_hand):
    """Within the gap, said before in the season, of a rule that is off and does not speak of it."""
    off = replace(
        rule, id="off", is_on=False, kinds=("season near",), made_at=rule.made_at + timedelta(1)
    )
    made, said = by_hand("peak near", HIGH, changed=off)
    assert "the rule of its region is switched off" in said[0]
    assert "does not speak of 'peak near'" in said[1]
    told_before(records, made, "peak near", date(2023, 2, 20))
    said = cautions(practice, records, made, drafted_from=None, newest=None)
    gap = (
        "Owners of the region were written to on 20 Feb 2023 (peak near); its rule leaves 28 "
        "days between two alerts."
    )
    assert gap in said
    assert "The same was said on 20 Feb 2023; a season has each kind once." in said


def test_a_draft_of_the_clock_has_passed_its_rule(practice, records, rule, issue):
    """What remains is that no odds are told, as nobody knows how good forecasts are here."""
    with records.writing() as connection:
        add_rule(connection, rule)
    one = issue(HIGH)
    made = desk.draft_due(practice, records, one).alerts[0]
    said = cautions(practice, records, made, drafted_from=one, newest=one)
    assert len(said) == 1
    assert "not known to be better than past years alone" in said[0]
    better = replace(made, skill="better")
    assert cautions(practice, records, better, drafted_from=one, newest=one) == []


@pytest.mark.parametrize(
    ("kind", "drafted", "newer", "words"),
    [
        ("peak near", HIGH, QUIET, "the highest odds are 1 in 10 now, and below 1 in 5"),
        ("peak near", HIGH, [0, 0.1, 0.22, 0.22, 0.1, 0.1], None),  # between both thresholds
        ("season over", QUIET, HIGH, "week of 20 Mar 2023 are 1 in 2: the season is not over"),
        ("season over", QUIET, [0, 0.19, 0.19, 0.19, 0.19, 0.9], None),
        ("season over", QUIET, [0, 0.1, float("nan"), 0.1, 0.1, 0.1], "knows no odds, or not of"),
    ],
)
def test_what_a_newer_forecast_says_otherwise_is_said(
    practice, records, by_hand, issue, kind, drafted, newer, words
):
    """Also once it was sent, while its weeks last: somebody may want to withdraw it."""
    made, _ = by_hand(kind, drafted)
    later = issue(newer, issue_id="i2")
    for state in ("draft", "approved", "sending", "sent"):
        one = replace(made, state=state)
        said = cautions(practice, records, one, drafted_from=later, newest=later)
        found = [sentence for sentence in said if "newest forecast" in sentence]
        assert len(found) == (words is not None), said
        assert words is None or words in found[0]
    over = replace(practice, now=practice.now + timedelta(days=60))
    sent = replace(made, state="sent")
    assert cautions(over, records, sent, drafted_from=later, newest=later) == []


def test_a_hindcast_is_no_ground_for_a_draft_by_hand(practice, records, rule, issue):
    with records.writing() as connection:
        add_rule(connection, rule)
    one = issue(HIGH)
    past = replace(one, cut=replace(one.cut, kind="hindcast"))
    with pytest.raises(AlertError, match="is a hindcast"):
        desk.draft_by_hand(practice, records, past, "north", kind="peak near", by="a")
    assert held.alerts(records) == []
