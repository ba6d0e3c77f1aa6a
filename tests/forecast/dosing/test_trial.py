"""A two-week response trial, judged by the published rules at their borders."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from forecast.dosing.dog_record import ItchScore, TherapyEvent
from forecast.dosing.trial import NOT_EXCLUDED, Trial, judge_trial

DAY = date(2023, 5, 1)
TRIAL = Trial("anti_il31_antibody", DAY)


def after(days: int) -> date:
    return DAY + timedelta(days=days)


def judged(*scores, on=40, **more):
    told = [ItchScore(value, after(days)) for days, value in scores]
    return judge_trial(TRIAL, told, today=after(on), **more)


@pytest.mark.parametrize(
    ("before", "last", "responded", "rules"),
    [
        (8.0, 6.0, True, "a fall of 2 points or more"),
        (8.0, 6.1, False, ""),
        (3.0, 1.5, True, "a fall of 50% or more, a score of 2 or less"),
        (3.5, 2.0, True, "a score of 2 or less"),
        (3.5, 2.1, False, ""),
        (4.0, 2.0, True, "a fall of 2 points or more, a fall of 50% or more, a score of 2 or less"),
        (6.3, 4.3, True, "a fall of 2 points or more"),  # 6.3 - 4.3 < 2 in binary
        (5.0, 9.0, False, ""),
    ],
)
def test_a_fall_of_two_points_or_of_half_or_a_score_of_two_or_less(before, last, responded, rules):
    """By the three rules alone, at their borders."""
    found = judged((0, before), (14, last))
    assert found.responded is responded
    if responded:
        assert found.sentence.endswith(f"({rules})")
    else:
        assert "none of the rules is met" in found.sentence


def test_what_cannot_be_told_is_no_poor_response():
    """No score before, none at the end, only a spoken one, or hardly any itch to begin with."""
    assert judged((14, 1.0)).responded is None
    assert "of the week before" in judged((14, 1.0)).sentence
    assert judged((0, 7.0)).responded is None
    assert "from day 10 to day 21" in judged((0, 7.0)).sentence
    assert judged((0, 2.0), (14, 0.0)).responded is None
    spoken = [ItchScore(8.0, DAY, "spoken"), ItchScore(1.0, after(14), "spoken")]
    assert judge_trial(TRIAL, spoken, today=after(40)).responded is None


def test_it_is_judged_from_day_10_to_day_21_by_the_score_nearest_to_day_14():
    """Later ones tell of other things; of a day with two, the worse counts."""
    assert judged((0, 8.0), (9, 1.0), (22, 1.0)).responded is None
    assert judged((0, 8.0), (10, 1.0)).after.value == 1.0
    assert judged((0, 8.0), (12, 1.0), (15, 7.0)).after.value == 7.0
    assert judged((0, 8.0), (14, 1.0), (14, 7.0)).responded is False
    assert judged((-8, 8.0), (14, 1.0)).responded is None
    assert judged((-7, 8.0), (0, 7.5), (14, 1.0)).before.value == 7.5


def test_until_it_is_over_it_says_when_it_is_due():
    running = judged((0, 8.0), on=13)
    assert (running.responded, running.due) == (None, after(14))
    assert judged((0, 8.0), on=22).due is None
    assert judged((0, 8.0), (14, 1.0), on=13).responded is None, "a score ahead is not known yet"


def test_what_else_was_given_is_said():
    """A course that ran into it, not one that ended before or came later, nor the class itself."""
    events = [
        TherapyEvent("glucocorticoid_short_course", after(-9), until=after(1)),
        TherapyEvent("daily_jak_inhibitor", after(-30), until=after(-1)),
        TherapyEvent("anti_il31_antibody", DAY),
        TherapyEvent("topical_care", after(30)),
    ]
    found = judged((0, 8.0), (14, 1.0), therapies=events)
    assert len(found.remarks) == 1
    assert found.remarks[0].startswith("short course of a systemic glucocorticoid was given too")
    assert found.beside == ("glucocorticoid_short_course",)


def test_what_may_still_have_acted_is_said_as_that():
    """A course without an end, a short one within its month, an injection of a fortnight before.

    Neither one that is surely over, nor care that goes beside any; and of a dog of which nothing is
    on record, that.
    """
    tablets = Trial("daily_jak_inhibitor", DAY)
    scores = [ItchScore(8.0, DAY), ItchScore(1.0, after(14))]

    def said(*events):
        found = judge_trial(tablets, scores, therapies=events, today=after(40))
        assert found.beside == ()
        return [one.split(" may still")[0] for one in found.remarks]

    assert said(TherapyEvent("ciclosporin", after(-400))) == ["ciclosporin"]
    assert said(TherapyEvent("glucocorticoid_short_course", after(-20))) == [
        "short course of a systemic glucocorticoid"
    ]
    assert said(TherapyEvent("glucocorticoid_short_course", after(-60))) == []
    assert said(TherapyEvent("anti_il31_antibody", after(-14))) == [
        "long-acting anti-IL-31 antibody injection"
    ]
    assert said(TherapyEvent("anti_il31_antibody", after(-120))) == []
    assert said(TherapyEvent("not known", after(-14))) == ["an item whose class is not known"]
    assert said(TherapyEvent("topical_care", after(-400))) == []
    (none,) = judge_trial(tablets, scores, therapies=None, today=after(40)).remarks
    assert "is not on record" in none


def test_the_text_says_what_a_good_response_does_not_exclude():
    for other in ("food allergy", "fleas", "infection"):
        assert other in NOT_EXCLUDED
