"""What was given before: reactions, doses handed out, items of no class, medicines, vaccines."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from ready_dog import RECENT, TODAY, ready_dog

from forecast.dosing.dog_record import (
    AdverseReaction,
    ItchScore,
    Medicine,
    TherapyEvent,
    Vaccination,
)
from forecast.dosing.readiness import readiness
from forecast.dosing.therapies import Verdict, therapies, therapy

ALL = sorted(therapies())


def judge(dog, therapy_id="anti_il31_antibody"):
    return readiness(dog, therapy(therapy_id), TODAY)


def codes(result):
    return [reason.code for reason in result.reasons]


@pytest.mark.parametrize("therapy_id", ALL)
def test_an_adverse_reaction_stops_its_class_until_a_vet_signs(therapy_id):
    """That class alone, from its day on, however long ago; reported or not is said."""
    reaction = AdverseReaction(therapy_id, date(2020, 5, 2), reported=False)
    dog = ready_dog(therapy_id, reactions=(reaction,))
    result = judge(dog, therapy_id)
    assert (result.verdict, codes(result)) == (Verdict.NOT_SUITABLE, ["adverse_reaction"])
    assert "not yet reported" in result.reasons[0].sentence
    assert "a vet signs" in result.reasons[0].change
    other = next(one for one in ALL if one != therapy_id)
    elsewhere = ready_dog(therapy_id, reactions=(replace(reaction, therapy=other),))
    assert judge(elsewhere, therapy_id).verdict is Verdict.READY
    signed = ready_dog(therapy_id, reactions=(replace(reaction, lifted=TODAY),))
    assert judge(signed, therapy_id).verdict is Verdict.READY
    tomorrow = ready_dog(therapy_id, reactions=(replace(reaction, lifted=TODAY + timedelta(1)),))
    assert judge(tomorrow, therapy_id).verdict is Verdict.NOT_SUITABLE


def test_a_dose_that_was_only_handed_out_is_asked_for():
    """It may have been given on any day since, or not at all: no other dose until that is known."""
    for days, verdict in ((10, Verdict.WORK_UP_FIRST), (50, Verdict.READY)):
        day = TODAY - timedelta(days=days)
        event = TherapyEvent("anti_il31_antibody", day, status="dispensed")
        dog = ready_dog(therapies=(*ready_dog().therapies, event))
        result = judge(dog)
        assert result.verdict is verdict
        if verdict is Verdict.WORK_UP_FIRST:
            assert codes(result) == ["dispensed_only"]
            assert not result.reasons[0].known


@pytest.mark.parametrize("therapy_id", ALL)
def test_an_item_of_no_class_yet_holds_every_therapy_up_for_seven_weeks(therapy_id):
    """It may have been the injection: 49 days is the longest effect measured against placebo."""
    for days, verdict in ((49, Verdict.WORK_UP_FIRST), (50, Verdict.READY)):
        event = TherapyEvent("not known", TODAY - timedelta(days=days))
        dog = ready_dog(therapy_id, therapies=(*ready_dog(therapy_id).therapies, event))
        assert judge(dog, therapy_id).verdict is verdict


def test_a_history_asked_long_ago_is_asked_again():
    """After 400 days (assumed) a dose given elsewhere may have been missed."""
    old = ready_dog(history_asked=TODAY - timedelta(days=401))
    assert codes(judge(old)) == ["therapy_history_stale"]
    assert judge(ready_dog(history_asked=TODAY - timedelta(days=400))).verdict is Verdict.READY


def test_another_dose_keeps_its_distance_from_the_last():
    """Ready, and not before 28 days after the last one; then at any time."""
    for days, not_before in ((10, TODAY + timedelta(days=18)), (28, None)):
        last = TherapyEvent("anti_il31_antibody", TODAY - timedelta(days=days), responded=True)
        result = judge(ready_dog(therapies=(last,)))
        assert (result.verdict, result.not_before) == (Verdict.READY, not_before)


def test_care_of_the_skin_and_immunotherapy_go_beside_others():
    """Bathing holds no tablet up, nor does a build-up of months; tablets hold the injection up."""
    for beside in ("topical_care", "allergen_immunotherapy"):
        event = TherapyEvent(beside, RECENT)
        dog = ready_dog(therapies=(*ready_dog().therapies, event))
        assert judge(dog).verdict is Verdict.READY
    event = TherapyEvent("topical_glucocorticoid_proactive", RECENT)
    dog = ready_dog(therapies=(*ready_dog().therapies, event))
    assert codes(judge(dog)) == ["other_therapy"]


def test_immunotherapy_needs_a_test_to_choose_its_allergens():
    """And no other class does: a test never makes the diagnosis (Hensel et al. 2015)."""
    for therapy_id in ALL:
        result = judge(ready_dog(therapy_id, allergy_tested=None), therapy_id)
        lacking = therapy_id == "allergen_immunotherapy"
        assert codes(result) == ["allergy_test_not_known" if lacking else "checks_passed"]


def test_a_spoken_score_is_no_score_on_the_line():
    """Limits of agreement up to 2.57 (Strzok et al. 2022): 3.6 + 2.57 is high on either scale."""
    for value, scale, wanted in (
        (1.0, "spoken", ["itch_score_not_known"]),
        (6.1, "spoken", ["itch_score_not_known"]),
        (6.2, "spoken", ["itch_now", "itch_score_not_known"]),
        (1.0, "not known", ["itch_score_not_known"]),
    ):
        assert codes(judge(ready_dog(scores=(ItchScore(value, RECENT, scale),)))) == wanted
    both = (ItchScore(1.0, RECENT), ItchScore(9.0, RECENT, "spoken"))
    assert judge(ready_dog(scores=both)).verdict is Verdict.READY


def test_a_medicine_in_use_speaks_for_its_finding():
    """A painkiller that runs, or may, stops a glucocorticoid; an ended one does not."""
    short = "glucocorticoid_short_course"
    for kind, until, verdict, code in (
        ("nsaid", None, Verdict.NOT_SUITABLE, "nsaid_in_use"),
        ("nsaid", TODAY, Verdict.NOT_SUITABLE, "nsaid_in_use"),
        ("nsaid", TODAY - timedelta(days=1), Verdict.READY, "checks_passed"),
        ("not known", None, Verdict.WORK_UP_FIRST, "nsaid_in_use_not_known"),
        ("other", None, Verdict.READY, "checks_passed"),
    ):
        dog = ready_dog(short, medicines=(Medicine(kind, RECENT, until),))
        result = judge(dog, short)
        assert (result.verdict, codes(result)) == (verdict, [code]), (kind, until)
    suppressed = ready_dog(medicines=(Medicine("immunosuppressant", RECENT),))
    jak = replace(suppressed, therapies=ready_dog("daily_jak_inhibitor").therapies)
    assert codes(judge(jak, "daily_jak_inhibitor")) == ["immune_suppression"]


def test_a_vaccination_on_record_counts_beside_what_was_answered():
    """Live: the vet decides; not known which: read the record; not live, or long ago: nothing."""
    for live, days, wanted in (
        (True, -14, ["live_vaccination"]),
        (True, 10, ["live_vaccination"]),
        (True, -15, ["checks_passed"]),
        (None, -3, ["live_vaccination_not_known"]),
        (None, -15, ["checks_passed"]),
        (False, -3, ["checks_passed"]),
    ):
        given = Vaccination(TODAY + timedelta(days=days), live)
        dog = ready_dog("ciclosporin", vaccinations=(given,))
        assert codes(judge(dog, "ciclosporin")) == wanted, (live, days)


def test_a_short_course_without_an_end_holds_a_dog_up_for_a_month():
    """Years later it tells nothing any more; a daily tablet without an end may still run."""
    for therapy_id, days, verdict in (
        ("glucocorticoid_short_course", 30, Verdict.VET_MUST_DECIDE),
        ("glucocorticoid_short_course", 31, Verdict.READY),
        ("daily_jak_inhibitor", 400, Verdict.VET_MUST_DECIDE),
    ):
        event = TherapyEvent(therapy_id, TODAY - timedelta(days=days), status="dispensed")
        dog = ready_dog(therapies=(*ready_dog().therapies, event))
        assert judge(dog).verdict is verdict, (therapy_id, days)


def test_a_course_handed_out_many_times_is_one_reason():
    """The newest tells whether it may still run."""
    events = [
        TherapyEvent("daily_jak_inhibitor", TODAY - timedelta(days=days), status="dispensed")
        for days in (400, 300, 20)
    ]
    result = judge(ready_dog(therapies=(*ready_dog().therapies, *events)))
    assert codes(result) == ["other_therapy"]
    assert str(TODAY - timedelta(days=20)) in result.reasons[0].sentence
