"""Readiness: every stop stops, every gap blocks, and nothing absent passes for fine."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from ready_dog import RECENT, TODAY, healthy_findings, ready_dog

from forecast.dosing.dog_record import (
    DogRecord,
    Finding,
    ItchScore,
    TherapyEvent,
)
from forecast.dosing.readiness import add_months, readiness, readiness_for_each
from forecast.dosing.rules import shipped_rules
from forecast.dosing.therapies import DosingError, Verdict, table, therapies, therapy
from forecast.dosing.work_up import (
    CALLS_FOR_DIET,
    FINDINGS,
    NOT_ON_RECORD,
    SPEAKS_AGAINST,
    TOO_OLD,
    WORK_UP,
    check_of,
)

ALL = sorted(therapies())


def with_finding(dog, code, present, recorded=RECENT):
    return replace(dog, findings=dict(dog.findings) | {code: Finding(present, recorded)})


def judge(dog, therapy_id="anti_il31_antibody"):
    return readiness(dog, therapy(therapy_id), TODAY)


def codes(result):
    return [reason.code for reason in result.reasons]


@pytest.mark.parametrize("therapy_id", ALL)
def test_a_dog_with_a_full_current_record_is_ready(therapy_id):
    """The complete record passes for every therapy, so a later failure is due to its one change."""
    result = judge(ready_dog(therapy_id), therapy_id)
    assert result.verdict is Verdict.READY, result.reasons
    assert codes(result) == ["checks_passed"]


@pytest.mark.parametrize("therapy_id", ALL)
def test_an_empty_record_is_never_ready_and_names_what_is_missing(therapy_id):
    """A dog of which nothing is known gets a work-up, every gap named and marked as not known."""
    nothing = DogRecord("dog-0002", None, None, None, None, None, None, None, None)
    result = judge(nothing, therapy_id)
    assert result.verdict is Verdict.WORK_UP_FIRST
    assert not any(reason.known for reason in result.reasons)
    named = {code.removesuffix("_not_known") for code in codes(result)}
    assert {"species", "age", "weight", "itch_score", "therapy_history"} <= named
    assert set(WORK_UP) | set(therapy(therapy_id).stops) <= named


@pytest.mark.parametrize("therapy_id", ALL)
def test_every_single_gap_keeps_a_dog_from_being_ready(therapy_id):
    """Leaving out any one field or finding that a therapy asks for is enough to block it."""
    dog = ready_dog(therapy_id)
    asked = [*WORK_UP, *CALLS_FOR_DIET, *therapy(therapy_id).stops]
    for code in asked:
        without = {k: v for k, v in dog.findings.items() if k != code}
        for findings in (without, without | {code: Finding(None, RECENT)}):
            result = judge(replace(dog, findings=findings), therapy_id)
            assert result.verdict is Verdict.WORK_UP_FIRST, code
            assert f"{code}_not_known" in codes(result)
    for field in ("species", "birth_date", "weight_kg", "weighed", "therapies", "history_asked"):
        assert judge(replace(dog, **{field: None}), therapy_id).verdict is Verdict.WORK_UP_FIRST
    assert judge(replace(dog, scores=()), therapy_id).verdict is Verdict.WORK_UP_FIRST
    assert judge(replace(dog, weight_kg=float("nan")), therapy_id).verdict is Verdict.WORK_UP_FIRST


@pytest.mark.parametrize("therapy_id", ALL)
def test_good_news_without_a_date_or_from_the_future_is_not_known(therapy_id):
    """A finding without a day, or dated ahead, counts as not known."""
    asked = []
    for code in ("examination", "skin_infection", "hypersensitivity"):
        if code in therapy(therapy_id).stops or code in WORK_UP:
            asked.append(code)
    for code in asked:
        for recorded in (None, TODAY + timedelta(days=3)):
            wanted = (WORK_UP | FINDINGS)[code].wanted
            dog = with_finding(ready_dog(therapy_id), code, wanted, recorded)
            assert f"{code}_not_known" in codes(judge(dog, therapy_id))


@pytest.mark.parametrize("therapy_id", ALL)
def test_a_cat_is_not_suitable(therapy_id):
    """These therapies are planned for dogs only."""
    result = judge(ready_dog(therapy_id, species="cat"), therapy_id)
    assert result.verdict is Verdict.NOT_SUITABLE
    assert result.reasons[0].code == "species"


@pytest.mark.parametrize(
    ("therapy_id", "months", "verdict"),
    [
        ("daily_jak_inhibitor", 12, Verdict.NOT_SUITABLE),  # 21 CFR 520.1604
        ("ciclosporin", 6, Verdict.NOT_SUITABLE),  # product characteristics
        ("anti_il31_antibody", 12, Verdict.VET_MUST_DECIDE),  # assumed: put to the vet
        ("glucocorticoid_short_course", 12, Verdict.VET_MUST_DECIDE),  # from memory
    ],
)
def test_a_pup_is_stopped_until_the_very_day(therapy_id, months, verdict):
    """One day short of the minimum age stops; on the day itself the dog is old enough."""
    of_age = add_months(TODAY, -months)
    young = judge(ready_dog(therapy_id, birth_date=of_age + timedelta(days=1)), therapy_id)
    assert young.verdict is verdict
    assert "too_young" in codes(young)
    assert judge(ready_dog(therapy_id, birth_date=of_age), therapy_id).verdict is Verdict.READY


def test_a_leap_day_pup_is_of_age_on_the_first_of_march():
    """Where the month has no such day, the dog is of age the day after, never before."""
    assert add_months(date(2024, 2, 29), 12) == date(2025, 3, 1)
    assert add_months(date(2024, 8, 31), 6) == date(2025, 3, 1)
    assert add_months(date(2023, 12, 15), 12) == date(2024, 12, 15)


@pytest.mark.parametrize(
    ("therapy_id", "kg"),
    [("daily_jak_inhibitor", 3.0), ("anti_il31_antibody", 3.0), ("ciclosporin", 2.0)],
)
def test_a_small_dog_is_not_suitable(therapy_id, kg):
    """Below the label's weight stops (3, 3 and 2 kg: product information); at it passes."""
    small = judge(ready_dog(therapy_id, weight_kg=kg - 0.1), therapy_id)
    assert small.verdict is Verdict.NOT_SUITABLE
    assert "too_light" in codes(small)
    assert judge(ready_dog(therapy_id, weight_kg=kg), therapy_id).verdict is Verdict.READY


@pytest.mark.parametrize("therapy_id", ALL)
def test_every_stop_of_the_table_stops(therapy_id):
    """Each finding that the table lists gives the table's verdict, with the table's source."""
    for code, stop in therapy(therapy_id).stops.items():
        result = judge(with_finding(ready_dog(therapy_id), code, True), therapy_id)
        assert result.verdict == stop.value
        reason = next(reason for reason in result.reasons if reason.code == code)
        assert reason.source == stop.source


@pytest.mark.parametrize(
    ("therapy_id", "code", "verdict"),
    [
        # product information of oclacitinib: demodicosis, neoplasia, serious infection, pregnancy
        ("daily_jak_inhibitor", "demodicosis", Verdict.NOT_SUITABLE),
        ("daily_jak_inhibitor", "neoplasia", Verdict.NOT_SUITABLE),
        ("daily_jak_inhibitor", "serious_infection", Verdict.NOT_SUITABLE),
        ("daily_jak_inhibitor", "pregnant_or_lactating", Verdict.NOT_SUITABLE),
        # product characteristics of ciclosporin: history of malignant disorders
        ("ciclosporin", "neoplasia", Verdict.NOT_SUITABLE),
        # product characteristics of prednisolone tablets
        ("glucocorticoid_short_course", "diabetes_mellitus", Verdict.NOT_SUITABLE),
        ("anti_il31_antibody", "demodicosis", Verdict.WORK_UP_FIRST),
        ("anti_il31_antibody", "neoplasia", Verdict.VET_MUST_DECIDE),
        ("anti_il31_antibody", "pregnant_or_lactating", Verdict.NOT_SUITABLE),
    ],
)
def test_the_stops_named_in_labels_hold(therapy_id, code, verdict):
    """The verdicts written out here, apart from the table, are those that come back."""
    assert judge(with_finding(ready_dog(therapy_id), code, True), therapy_id).verdict is verdict


@pytest.mark.parametrize("therapy_id", ALL)
def test_an_untreated_skin_infection_is_treated_first(therapy_id):
    """Cytology that shows infection puts the work-up first for every therapy."""
    dog = with_finding(ready_dog(therapy_id), "skin_infection", True)
    assert judge(dog, therapy_id).verdict is Verdict.WORK_UP_FIRST


def test_bad_news_never_goes_stale():
    """A neoplasia recorded five years ago still stops; an old all-clear only asks again."""
    old = date(2019, 4, 2)
    jak = "daily_jak_inhibitor"
    dog = ready_dog(jak)
    assert judge(with_finding(dog, "neoplasia", True, old), jak).verdict is Verdict.NOT_SUITABLE
    cleared = judge(with_finding(dog, "neoplasia", False, old), jak)
    assert cleared.verdict is Verdict.WORK_UP_FIRST
    assert codes(cleared) == ["neoplasia_stale"]


def test_pregnancy_is_only_asked_where_it_can_be():
    """A male or a neutered bitch needs no pregnancy check; an entire or unknown one does."""
    findings = {k: v for k, v in healthy_findings().items() if k != "pregnant_or_lactating"}
    for sex, neutered, verdict in (
        ("male", False, Verdict.READY),
        ("female", True, Verdict.READY),
        ("female", False, Verdict.WORK_UP_FIRST),
        ("female", None, Verdict.WORK_UP_FIRST),
        (None, None, Verdict.WORK_UP_FIRST),
    ):
        dog = ready_dog(sex=sex, neutered=neutered, findings=findings)
        assert judge(dog).verdict is verdict, (sex, neutered)


@pytest.mark.parametrize("code", sorted(WORK_UP))
def test_stale_work_up_asks_for_an_examination(code):
    """Good news older than the table allows is asked again; on the last day it still counts."""
    days = int(table().number(f"current_for.{code}"))
    wanted = WORK_UP[code].wanted
    last_day = with_finding(ready_dog(), code, wanted, TODAY - timedelta(days=days))
    assert judge(last_day).verdict is Verdict.READY
    stale = with_finding(ready_dog(), code, wanted, TODAY - timedelta(days=days + 1))
    assert judge(stale).verdict is Verdict.WORK_UP_FIRST
    assert codes(judge(stale)) == [f"{code}_stale"]


def test_a_stale_weight_is_weighed_again():
    """A weight older than the table allows (90 days, assumed) puts weighing first."""
    result = judge(ready_dog(weighed=TODAY - timedelta(days=91)))
    assert (result.verdict, codes(result)) == (Verdict.WORK_UP_FIRST, ["weight_stale"])


@pytest.mark.parametrize("therapy_id", ALL)
def test_itch_now_is_seen_and_never_scheduled(therapy_id):
    """PVAS 3.6 or more within four weeks means see now, even above a stop; 3.5 does not."""
    itchy = ready_dog(therapy_id, scores=(ItchScore(3.6, RECENT),))
    assert judge(itchy, therapy_id).verdict is Verdict.SEE_NOW
    assert judge(with_finding(itchy, "neoplasia", True), therapy_id).verdict is Verdict.SEE_NOW
    calm = ready_dog(therapy_id, scores=(ItchScore(3.5, RECENT),))
    assert judge(calm, therapy_id).verdict is Verdict.READY


def test_the_latest_score_decides_and_the_worst_of_its_day():
    """A high score followed by a low one is over; two scores of one day count as the worse."""
    earlier = ItchScore(7.0, RECENT - timedelta(days=2))
    assert judge(ready_dog(scores=(ItchScore(1.0, RECENT), earlier))).verdict is Verdict.READY
    both = (ItchScore(5.0, RECENT), ItchScore(1.0, RECENT))
    assert judge(ready_dog(scores=both)).verdict is Verdict.SEE_NOW


def test_an_old_score_says_nothing_of_today():
    """A low score older than four weeks is not known, so the owner is asked."""
    old = ready_dog(scores=(ItchScore(1.0, TODAY - timedelta(days=29)),))
    assert codes(judge(old)) == ["itch_score_stale"]


def test_urgent_signs_are_seen_now():
    """Signs that need care, once recorded, come before everything."""
    assert judge(with_finding(ready_dog(), "urgent_signs", True)).verdict is Verdict.SEE_NOW


def test_an_open_flare_is_rechecked_first():
    """A flare visit with no score since asks for a recheck; a score after it closes the matter."""
    visit = RECENT + timedelta(days=2)
    dog = ready_dog(flare_visits=(visit,))
    assert codes(judge(dog)) == ["flare_open"]
    scored = replace(dog, scores=(*dog.scores, ItchScore(1.0, visit + timedelta(days=1))))
    assert judge(scored).verdict is Verdict.READY


def test_a_dog_that_itches_all_year_needs_a_diet_trial():
    """Perennial itch without a diet trial puts the work-up first (guideline, eight weeks)."""
    dog = with_finding(ready_dog(), "perennial_signs", True)
    for food in (Finding(None, None), Finding(False, RECENT)):
        findings = dict(dog.findings) | {"food_allergy_ruled_out": food}
        assert codes(judge(replace(dog, findings=findings))) == ["food_trial"]
    done = with_finding(dog, "food_allergy_ruled_out", True)
    assert judge(done).verdict is Verdict.READY


def test_response_decides_who_decides():
    """A response not known, or a failure, is the vet's decision; a later response overrules."""
    known = "anti_il31_antibody"
    first = TherapyEvent(known, date(2022, 5, 2), responded=False)
    later = TherapyEvent(known, date(2023, 5, 2), responded=True)
    for events, verdict in (
        ((), Verdict.VET_MUST_DECIDE),
        ((replace(later, responded=None),), Verdict.VET_MUST_DECIDE),
        ((first,), Verdict.VET_MUST_DECIDE),
        ((later, first), Verdict.READY),
    ):
        assert judge(ready_dog(therapies=events)).verdict is verdict


def test_another_course_in_force_is_the_vets_decision():
    """A course that runs, or whose end is not on record, is put to the vet; an ended one is not."""
    dog = ready_dog()
    course = TherapyEvent("daily_jak_inhibitor", RECENT)
    for until, verdict in (
        (None, Verdict.VET_MUST_DECIDE),
        (TODAY, Verdict.VET_MUST_DECIDE),
        (TODAY - timedelta(days=1), Verdict.READY),
    ):
        events = (*dog.therapies, replace(course, until=until))
        assert judge(replace(dog, therapies=events)).verdict is verdict


def test_a_live_vaccine_counts_before_and_after():
    """Ciclosporin is put to the vet two weeks after a live vaccine, and when one is ahead."""
    for days, verdict in (
        (-14, Verdict.VET_MUST_DECIDE),
        (-15, Verdict.READY),
        (10, Verdict.VET_MUST_DECIDE),
    ):
        day = TODAY + timedelta(days=days)
        dog = with_finding(ready_dog("ciclosporin"), "live_vaccination", True, day)
        assert judge(dog, "ciclosporin").verdict is verdict


def test_every_reason_is_a_sentence_with_a_source():
    """Nothing is stopped without words and an origin."""
    for therapy_id in ALL:
        for result in (judge(ready_dog(therapy_id), therapy_id), judge(ready_dog(species="cat"))):
            assert all(len(reason.sentence) > 10 and reason.source for reason in result.reasons)


def test_impossible_records_are_refused():
    """A score off the scale, a course that ends before it starts, an unknown therapy: refused."""
    with pytest.raises(DosingError, match="PVAS runs from 0 to 10"):
        ItchScore(11.0, TODAY)
    with pytest.raises(DosingError, match="must not be before the start"):
        TherapyEvent("ciclosporin", TODAY, TODAY - timedelta(days=1))
    with pytest.raises(DosingError, match="known are daily_jak_inhibitor"):
        TherapyEvent("wonder_drug", TODAY)


def test_gut_signs_call_for_a_diet_trial_too():
    """Hensel et al. 2015: elimination diet when perennial or with gut signs."""
    dog = with_finding(ready_dog(), "gut_signs", True)
    without = {k: v for k, v in dog.findings.items() if k != "food_allergy_ruled_out"}
    result = judge(replace(dog, findings=without))
    assert (result.verdict, codes(result)) == (Verdict.WORK_UP_FIRST, ["food_trial"])
    assert "gut signs" in result.reasons[0].sentence


def test_the_work_up_comes_in_the_order_of_the_trade():
    """Fleas and mites, infection, food, and only then the diagnosis (Hensel et al. 2015)."""
    nothing = replace(ready_dog(), findings={})
    named = [code.removesuffix("_not_known") for code in codes(judge(nothing))]
    order = ["examination", "flea_control", "ectoparasites", "skin_infection", "perennial_signs"]
    order += ["gut_signs", "atopic_dermatitis"]
    assert [code for code in named if code in order] == order


def test_all_classes_at_once_are_judged_as_each_alone():
    """What is shared is worked out once, and changes nothing."""
    nothing = DogRecord("dog-0002", None, None, None, None, None, None, None, None)
    for dog in (ready_dog(), nothing, with_finding(ready_dog(), "diabetes_mellitus", True)):
        each = readiness_for_each(dog, TODAY, rules=shipped_rules())
        assert each == {therapy_id: judge(dog, therapy_id) for therapy_id in ALL}


@pytest.mark.parametrize("therapy_id", ALL)
def test_every_reason_says_what_would_change_it(therapy_id):
    """A vet reads what is to be done, whatever holds the dog up."""
    nothing = DogRecord("dog-0002", None, None, None, None, None, None, None, None)
    ill = replace(
        ready_dog(therapy_id, species="cat", birth_date=RECENT, weight_kg=0.4),
        findings={code: Finding(not kind.wanted, RECENT) for code, kind in FINDINGS.items()},
        scores=(ItchScore(8, RECENT),),
    )
    for dog in (nothing, ill):
        assert all(len(reason.change) > 5 for reason in judge(dog, therapy_id).reasons)


# ------------------------------------------------------------------------------ counting checks
@pytest.mark.parametrize("therapy_id", ALL)
def test_every_reason_names_its_check_in_words_and_how_it_went(therapy_id):
    """Not on record where nothing is; too old after ten years; speaks against where found so."""
    nothing = DogRecord("dog-0002", None, None, None, None, None, None, None, None)
    for reason in judge(nothing, therapy_id).reasons:
        words, state = check_of(reason)
        assert state == NOT_ON_RECORD
        assert "_" not in words
        assert reason.sentence.startswith(words)
    dog = ready_dog(therapy_id)
    old = replace(dog, weighed=TODAY - timedelta(days=3650))
    assert check_of(judge(old, therapy_id).reasons[0]) == ("weight", TOO_OLD)
    ill = with_finding(dog, "skin_infection", True, RECENT)
    words = WORK_UP["skin_infection"].words
    assert check_of(judge(ill, therapy_id).reasons[0]) == (words, SPEAKS_AGAINST)
