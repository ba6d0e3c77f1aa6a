"""The picture of a plan: what is ahead, drawn once; nothing that is past."""

from __future__ import annotations

from datetime import date, timedelta

from forecast.dosing.schedule import Outcome
from forecast.pages.plan_timeline import WIDE, timeline

TODAY = date(2023, 5, 1)


def days(*ahead):
    return tuple(TODAY + timedelta(days=n) for n in ahead)


def way(name, *ahead):
    return Outcome(name, days(*ahead), 1.0, 1.0, 1.0)


def test_what_is_past_is_not_drawn():
    """After the first dose its dot is gone from every way, and a span that is over too."""
    trade = [way("planned dates", -20, 36), way("with itch", -20, 36), way("all year", -20, 10, 40)]
    spans = [days(-30, -24), days(14, 27), days(-3, 3)]
    made = timeline(("signed", days(-20, 36)), trade, spans, today=TODAY)
    assert [(one.words, one.text) for one in made.lanes] == [
        ("signed", "2023-06-06"),
        ("all year", "2023-05-11, 2023-06-10"),
    ]
    assert all(0 < x < WIDE for one in made.lanes for x in one.doses)
    # 56 days at least are drawn: 4/56 of the width, and from 14 to 28 of 56 days
    assert made.uncovered == ((150.0, 300.0), (0.0, round(4 / 56 * WIDE, 1)))
    assert "2023-04-01" not in made.text


def test_dates_moved_by_a_vet_stand_beside_those_proposed_once():
    """The way with doses at itch besides has the same dates, and no lane of its own."""
    trade = [way("planned dates", 7, 36), way("with itch", 7, 36)]
    made = timeline(("signed", days(8, 43)), trade, [], today=TODAY)
    assert [one.words for one in made.lanes] == ["signed", "planned dates"]
    assert timeline(("signed", days(-40)), [way("planned dates", -40)], [], today=TODAY) is None
