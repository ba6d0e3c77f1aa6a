from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from models.effect_time import EffectTimeError, follow_ups
from models.effect_time.follow_up import End

SEASON = [("rex", "2024-05-01", "2024-09-01")]
KNOWN_ON = date(2024, 12, 31)


def frame(rows, *columns: str) -> pd.DataFrame:
    """Make a table; columns named date, first and end hold days."""
    made = pd.DataFrame(rows, columns=list(columns))
    for name in {"date", "first", "end"} & set(columns):
        made[name] = pd.to_datetime(made[name])
    return made


def follow(doses, scores, *, risk=None, blind=None):
    """Follow the doses of one dog."""
    return follow_ups(
        frame([("rex", *dose) for dose in doses], "dog", "date", "reason"),
        frame([("rex", *score) for score in scores], "dog", "date", "pvas"),
        frame(SEASON if risk is None else risk, "dog", "first", "end"),
        relapse_score=3.6,
        known_on=KNOWN_ON,
        blind=None if blind is None else frame(blind, "dog", "first", "end"),
    )


def first(seen):
    """Return quiet, relapsed and end of the first dose."""
    return float(seen.quiet[0]), float(seen.relapsed[0]), End(seen.end[0])


def test_a_relapse_lies_between_two_scores():
    """Quiet after 20 days, itchy after 41."""
    seen = follow([("2024-05-10", "itch")], [("2024-05-30", 1.0), ("2024-06-20", 5.0)])
    assert first(seen) == (20, 41, End.SCORE)


def test_a_score_at_the_relapse_score_is_one():
    """3.6 is itch, 3.5 is not."""
    seen = follow([("2024-05-10", "itch")], [("2024-05-30", 3.5), ("2024-06-20", 3.6)])
    assert first(seen) == (20, 41, End.SCORE)


def test_a_quiet_dog_is_censored_at_its_last_score():
    """Nobody looked after day 41."""
    seen = follow([("2024-05-10", "itch")], [("2024-05-30", 1.0), ("2024-06-20", 2.0)])
    assert first(seen) == (41, np.inf, End.OPEN)


def test_a_dose_for_itch_is_an_event():
    """On day 40; quiet on day 20, but an owner would not have waited from then on."""
    seen = follow([("2024-05-10", "itch"), ("2024-06-19", "itch")], [("2024-05-30", 1.0)])
    assert first(seen) == (40 - 14, 40, End.ITCH)
    close = follow([("2024-05-10", "itch"), ("2024-06-19", "itch")], [("2024-06-14", 1.0)])
    assert first(close) == (35, 40, End.ITCH)


def test_a_score_on_the_day_of_a_dose_for_itch_is_that_dose():
    """The itch brought the dog; it was scored at the visit."""
    seen = follow(
        [("2024-05-10", "itch"), ("2024-06-19", "itch")], [("2024-06-14", 1.0), ("2024-06-19", 7.0)]
    )
    assert first(seen) == (35, 40, End.ITCH)


def test_a_dose_by_calendar_censors():
    """On day 35 the dog had not itched again."""
    seen = follow([("2024-05-10", "itch"), ("2024-06-14", "calendar")], [("2024-05-30", 1.0)])
    assert first(seen) == (35, np.inf, End.CALENDAR)


def test_a_dose_of_unknown_reason_is_neither():
    """What is known is the quiet score before it."""
    seen = follow([("2024-05-10", "itch"), ("2024-06-14", "not known")], [("2024-05-30", 1.0)])
    assert first(seen) == (20, np.inf, End.REASON_NOT_KNOWN)
    assert seen.followed[0] == 35


def test_a_quiet_score_on_the_day_of_a_dose_is_believed():
    """It cannot have been given for itch, whatever was written."""
    seen = follow([("2024-05-10", "itch"), ("2024-06-14", "itch")], [("2024-06-14", 1.0)])
    assert first(seen) == (35, np.inf, End.OPEN)


def test_quiet_after_the_season_is_not_cover():
    """The dose of August is quiet in October; all that counts is the score in August."""
    seen = follow([("2024-08-10", "itch")], [("2024-08-25", 1.0), ("2024-10-20", 0.5)])
    assert first(seen) == (15, np.inf, End.OPEN)
    assert seen.followed[0] == 21  # to the last day of August


def test_itch_after_the_season_is_none_of_this_drug():
    """Nor is a dose for it in November."""
    seen = follow(
        [("2024-08-10", "itch"), ("2024-11-20", "itch")],
        [("2024-08-25", 1.0), ("2024-10-20", 8.0)],
    )
    assert first(seen) == (15, np.inf, End.OPEN)


def test_quiet_before_the_season_is_not_cover_either():
    """A dose ahead of the season: the score before May tells nothing, that in May does."""
    seen = follow([("2024-04-20", "calendar")], [("2024-04-28", 0.5), ("2024-05-05", 6.0)])
    assert first(seen) == (0, 15, End.SCORE)
    assert not seen.responded[0]


def test_itch_first_seen_after_a_month_is_a_relapse_and_no_want_of_response():
    """A dog on which the dose had no effect would have been back before."""
    late = follow([("2024-05-10", "itch"), ("2024-06-14", "itch")], [("2024-04-01", 1.0)])
    soon = follow([("2024-05-10", "itch"), ("2024-06-01", "itch")], [("2024-04-01", 1.0)])
    assert (late.responded[0], soon.responded[0]) == (True, False)


def test_a_dose_long_before_the_season_tells_nothing():
    """More than eight weeks."""
    seen = follow([("2024-02-20", "calendar")], [("2024-05-05", 6.0)])
    assert seen.dog.size == 0


def test_weeks_that_touch_are_one_season_and_a_gap_ends_it():
    """Two weeks in a row, then a pause: what comes after it is not looked at."""
    risk = [
        ("rex", "2024-05-06", "2024-05-13"),
        ("rex", "2024-05-13", "2024-05-27"),
        ("rex", "2024-06-10", "2024-06-17"),
    ]
    seen = follow([("2024-05-07", "itch")], [("2024-05-20", 1.0), ("2024-06-12", 8.0)], risk=risk)
    assert first(seen) == (13, np.inf, End.OPEN)


def test_scores_of_the_first_days_tell_of_the_itch_before():
    """Day 3 is too soon to judge a dose."""
    seen = follow([("2024-05-10", "itch")], [("2024-05-13", 7.0), ("2024-05-30", 1.0)])
    assert first(seen) == (20, np.inf, End.OPEN)


def test_days_under_another_therapy_are_blind():
    """Quiet under tablets says nothing of the injection; nor does a dose by calendar then."""
    blind = [("rex", "2024-05-25", None)]
    seen = follow([("2024-05-10", "itch")], [("2024-05-20", 1.0), ("2024-06-12", 1.0)], blind=blind)
    assert first(seen) == (10, np.inf, End.OPEN)
    again = follow(
        [("2024-05-10", "itch"), ("2024-06-14", "calendar")], [("2024-05-20", 1.0)], blind=blind
    )
    assert first(again) == (10, np.inf, End.CALENDAR)


def test_a_dog_without_scores_is_not_followed():
    """Doses alone do not tell when an effect ended."""
    seen = follow([("2024-05-10", "itch"), ("2024-06-14", "itch")], [])
    assert (seen.dogs, seen.dog.size) == ((), 0)


def test_a_dog_without_risk_weeks_is_not_followed():
    """Its season is not known."""
    seen = follow([("2024-05-10", "itch")], [("2024-05-30", 1.0)], risk=[])
    assert (seen.dogs, seen.dog.size) == (("rex",), 0)
    assert seen.of("rex").dog.size == 0


def test_what_cannot_be_is_refused():
    """In a sentence with what was found and what is allowed."""
    with pytest.raises(EffectTimeError, match=r"'because'.*not known"):
        follow([("2024-05-10", "because")], [])
    with pytest.raises(EffectTimeError, match=r"11.0 on 2024-05-30"):
        follow([("2024-05-10", "itch")], [("2024-05-30", 11.0)])
