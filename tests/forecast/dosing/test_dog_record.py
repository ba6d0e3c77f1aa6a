"""Cover of a dog: yes, no, or not known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from forecast.dosing.dog_record import Cover, DogRecord, ItchScore, TherapyEvent, dog_cover

GIVEN = date(2024, 5, 1)
DOG = DogRecord("dog-0001", "dog", None, None, None, None, None, None, None, therapies=())


def cover_after(event, days):
    return dog_cover(replace(DOG, therapies=(event,)), GIVEN + timedelta(days=days))


FADING = [(29, Cover.NOT_KNOWN), (48, Cover.NOT_KNOWN)]
WORKING = [(1, Cover.YES), (28, Cover.YES)]
NOTHING = [(-1, Cover.NO), (0, Cover.NO), (49, Cover.NO)]


@pytest.mark.parametrize(("days", "cover"), [*NOTHING, *WORKING, *FADING])
def test_a_dose_that_worked_covers_then_fades_then_ends(days, cover):
    """One antibody dose: no cover on its day, yes to day 28, not known while fading, no from 49."""
    event = TherapyEvent("anti_il31_antibody", GIVEN, responded=True)
    assert cover_after(event, days) is cover


def test_a_dose_without_known_effect_is_not_known_cover():
    """A dose of which nobody recorded the effect is neither cover nor its absence."""
    event = TherapyEvent("anti_il31_antibody", GIVEN)
    assert cover_after(event, 10) is Cover.NOT_KNOWN
    assert cover_after(replace(event, responded=False), 10) is Cover.NO


def test_a_course_covers_while_it_runs():
    """A daily course covers to its last day; without an end on record it is not known."""
    course = TherapyEvent("daily_jak_inhibitor", GIVEN, GIVEN + timedelta(days=9), responded=True)
    assert [cover_after(course, d) for d in (0, 9, 10)] == [Cover.YES, Cover.YES, Cover.NO]
    assert cover_after(replace(course, until=None), 5) is Cover.NOT_KNOWN


def test_a_short_course_without_an_end_is_not_known_for_a_month():
    """A month at most, as its name says (common practice), and the day after the last tablet."""
    course = TherapyEvent("glucocorticoid_short_course", GIVEN, responded=True)
    known = [cover_after(course, d) for d in (0, 30, 31, 32, 400)]
    assert known == [Cover.NO, *[Cover.NOT_KNOWN] * 2, *[Cover.NO] * 2]


def test_no_history_is_not_no_cover():
    """Therapies not known: cover not known. Known to be none: no cover."""
    assert dog_cover(replace(DOG, therapies=None), GIVEN) is Cover.NOT_KNOWN
    assert dog_cover(DOG, GIVEN) is Cover.NO


def test_what_was_only_handed_out_or_has_no_class_is_not_known_cover():
    """For as long as it might work, and then no more; a failed one is known to cover nothing."""
    dispensed = TherapyEvent("anti_il31_antibody", GIVEN, responded=True, status="dispensed")
    assert [cover_after(dispensed, d) for d in (0, 48, 49)] == [
        *[Cover.NOT_KNOWN] * 2,
        Cover.NO,
    ]
    unmapped = TherapyEvent("not known", GIVEN)
    assert [cover_after(unmapped, d) for d in (0, 48, 49)] == [*[Cover.NOT_KNOWN] * 2, Cover.NO]


def test_care_of_the_skin_is_no_cover_and_immunotherapy_not_known():
    """Bathing keeps no flare away; what immunotherapy spares one dog nobody has measured."""
    end = GIVEN + timedelta(days=200)
    assert cover_after(TherapyEvent("topical_care", GIVEN, end, True), 10) is Cover.NO
    course = TherapyEvent("allergen_immunotherapy", GIVEN, end, responded=True)
    assert [cover_after(course, d) for d in (89, 90)] == [Cover.NO, Cover.NOT_KNOWN]


def test_a_spoken_score_is_kept_apart_from_those_on_the_line():
    """The latest of each; a day's worst."""
    scores = (ItchScore(2, GIVEN), ItchScore(7, GIVEN, "spoken"), ItchScore(3, GIVEN))
    dog = replace(DOG, scores=scores)
    assert dog.latest_score(GIVEN) == ItchScore(3, GIVEN)
    assert dog.latest_other_score(GIVEN) == ItchScore(7, GIVEN, "spoken")
    assert dog.latest_other_score(GIVEN - timedelta(days=1)) is None
