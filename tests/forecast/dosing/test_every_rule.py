"""Every rule of the table, one test each, called as the rule is; what each must do is written here.

The verdicts and numbers below are copied from no table: they are those of product information and
papers, or, where the table says so, of class knowledge.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import partial

import pytest
from ready_dog import RECENT, TODAY, ready_dog

from forecast.dosing.dog_record import Cover, Finding, ItchScore, TherapyEvent, dog_cover
from forecast.dosing.plan import DosePlan, Proposal
from forecast.dosing.readiness import Readiness, add_months, readiness
from forecast.dosing.rule_list import listed_rules, n_rules, rules_csv
from forecast.dosing.rules import shipped_rules
from forecast.dosing.therapies import THERAPY_IDS, Verdict, therapy
from forecast.dosing.work_up import FINDINGS, WORK_UP

JAK, ANTIBODY, CICLOSPORIN = "daily_jak_inhibitor", "anti_il31_antibody", "ciclosporin"
SHORT, TOPICAL = "glucocorticoid_short_course", "topical_glucocorticoid_proactive"
IMMUNOTHERAPY, CARE = "allergen_immunotherapy", "topical_care"


def judged(therapy_id: str, **changes: object) -> Readiness:
    return readiness(ready_dog(therapy_id, **changes), therapy(therapy_id), TODAY)


def found(therapy_id: str, code: str, finding: Finding) -> Readiness:
    findings = dict(ready_dog(therapy_id).findings) | {code: finding}
    return judged(therapy_id, findings=findings)


def is_for_dogs_only(therapy_id: str) -> None:
    assert judged(therapy_id).verdict is Verdict.READY
    assert judged(therapy_id, species="cat").verdict is Verdict.NOT_SUITABLE
    assert judged(therapy_id, species=None).verdict is Verdict.WORK_UP_FIRST


def has_minimum_age(therapy_id: str, months: int, verdict: str) -> None:
    of_age = add_months(TODAY, -months)
    young = judged(therapy_id, birth_date=of_age + timedelta(days=1))
    assert (young.verdict, young.reasons[0].code) == (verdict, "too_young")
    assert judged(therapy_id, birth_date=of_age).verdict is Verdict.READY
    assert judged(therapy_id, birth_date=None).verdict is Verdict.WORK_UP_FIRST


def has_minimum_weight(therapy_id: str, kilograms: float, verdict: str) -> None:
    light = judged(therapy_id, weight_kg=kilograms - 0.1)
    assert (light.verdict, light.reasons[0].code) == (verdict, "too_light")
    assert judged(therapy_id, weight_kg=kilograms).verdict is Verdict.READY
    assert judged(therapy_id, weight_kg=None).verdict is Verdict.WORK_UP_FIRST


def has_interval(therapy_id: str, days: int, *, planned_ahead: bool = False) -> None:
    assert therapy(therapy_id).minimum_interval == days
    last = (TherapyEvent(therapy_id, TODAY, TODAY, True),)
    not_before = TODAY + timedelta(days=days) if planned_ahead else None
    assert judged(therapy_id, therapies=last).not_before == not_before


def stops(therapy_id: str, code: str, verdict: str) -> None:
    there = found(therapy_id, code, Finding(True, RECENT))
    assert (there.verdict, there.reasons[0].code) == (verdict, code)
    for unknown in (Finding(None, RECENT), Finding(False, None)):
        assert found(therapy_id, code, unknown).verdict is Verdict.WORK_UP_FIRST


def covers(therapy_id: str, cover: Cover) -> None:
    """Half a year into a course that works, or a fortnight after a dose."""
    given = TODAY - timedelta(days=14 if therapy_id == ANTIBODY else 180)
    event = TherapyEvent(therapy_id, given, TODAY, True)
    assert dog_cover(ready_dog(therapy_id, therapies=(event,)), TODAY) is cover


def goes_beside(therapy_id: str, *, others: bool) -> None:
    other = CICLOSPORIN if therapy_id != CICLOSPORIN else JAK
    runs = (*ready_dog(other).therapies, TherapyEvent(therapy_id, RECENT))
    verdict = judged(other, therapies=runs).verdict
    injected = therapy_id == ANTIBODY  # what acts for weeks keeps no other class away by itself
    assert verdict is (Verdict.READY if others or injected else Verdict.VET_MUST_DECIDE)


def is_said(therapy_id: str, words: str) -> None:
    """Look for a caution, or what to watch, on a plan that proposes nothing."""
    plan = DosePlan("dog-0001", "i", therapy_id, (), None, (), Verdict.READY, Proposal.NOTHING)
    assert sum(words in caution.sentence for caution in plan.cautions) == 1


def is_current_for(code: str, days: int) -> None:
    """Good news of the very last day counts, of the day before no more."""
    therapy_id = next((t for t in THERAPY_IDS if code in therapy(t).stops), ANTIBODY)
    wanted = (WORK_UP | FINDINGS)[code].wanted if code in WORK_UP | FINDINGS else False
    for age, verdict in ((days, Verdict.READY), (days + 1, Verdict.WORK_UP_FIRST)):
        news = Finding(wanted, TODAY - timedelta(days=age))
        assert found(therapy_id, code, news).verdict is verdict


def food_is_ruled_out_for(days: int) -> None:
    for age, verdict in ((days, Verdict.READY), (days + 1, Verdict.WORK_UP_FIRST)):
        findings = dict(ready_dog(ANTIBODY).findings) | {
            "perennial_signs": Finding(True, RECENT),
            "food_allergy_ruled_out": Finding(True, TODAY - timedelta(days=age)),
        }
        assert judged(ANTIBODY, findings=findings).verdict is verdict


def history_is_current_for(days: int) -> None:
    asked = TODAY - timedelta(days=days)
    assert judged(ANTIBODY, history_asked=asked).verdict is Verdict.READY
    earlier = judged(ANTIBODY, history_asked=asked - timedelta(days=1))
    assert earlier.verdict is Verdict.WORK_UP_FIRST


def itch_is_seen_from(score: float) -> None:
    assert judged(ANTIBODY, scores=(ItchScore(score, RECENT),)).verdict is Verdict.SEE_NOW
    assert judged(ANTIBODY, scores=(ItchScore(score - 0.1, RECENT),)).verdict is Verdict.READY


def score_is_current_for(days: int) -> None:
    for age, verdict in ((days, Verdict.READY), (days + 1, Verdict.WORK_UP_FIRST)):
        scores = (ItchScore(1, TODAY - timedelta(days=age)),)
        assert judged(ANTIBODY, scores=scores).verdict is verdict


def weight_is_current_for(days: int) -> None:
    for age, verdict in ((days, Verdict.READY), (days + 1, Verdict.WORK_UP_FIRST)):
        assert judged(ANTIBODY, weighed=TODAY - timedelta(days=age)).verdict is verdict


def live_vaccine_keeps_away_for(days: int) -> None:
    for age, verdict in ((days, Verdict.VET_MUST_DECIDE), (days + 1, Verdict.READY)):
        vaccine = Finding(True, TODAY - timedelta(days=age))
        assert found(CICLOSPORIN, "live_vaccination", vaccine).verdict is verdict


def flare_is_open_for(days: int) -> None:
    old_score = (ItchScore(1, TODAY - timedelta(days=28)),)
    for age, verdict in ((days - 1, Verdict.WORK_UP_FIRST), (days + 1, Verdict.READY)):
        flares = (TODAY - timedelta(days=age),)
        assert judged(ANTIBODY, scores=old_score, flare_visits=flares).verdict is verdict


def spoken_score_is_high_from(score: float) -> None:
    for value, verdict in ((score, Verdict.SEE_NOW), (score - 0.1, Verdict.WORK_UP_FIRST)):
        said = (ItchScore(value, RECENT, "spoken"),)
        assert judged(ANTIBODY, scores=said).verdict is verdict


NOT, FIRST, VET = "not suitable", "work-up first", "vet must decide"
STOPS = {
    JAK: {
        NOT: "demodicosis neoplasia serious_infection immune_suppression pregnant_or_lactating "
        "breeding hypersensitivity"
    },
    ANTIBODY: {
        NOT: "pregnant_or_lactating breeding hypersensitivity",
        FIRST: "demodicosis serious_infection",
        VET: "neoplasia",
    },
    CICLOSPORIN: {
        NOT: "demodicosis neoplasia pregnant_or_lactating breeding hypersensitivity",
        FIRST: "serious_infection",
        VET: "live_vaccination diabetes_mellitus",
    },
    SHORT: {
        NOT: "demodicosis serious_infection pregnant_or_lactating diabetes_mellitus "
        "hyperadrenocorticism renal_disease heart_failure gut_ulcer corneal_ulcer nsaid_in_use "
        "hypersensitivity",
        VET: "neoplasia live_vaccination",
    },
    TOPICAL: {
        NOT: "demodicosis hypersensitivity",
        FIRST: "serious_infection",
        VET: "diabetes_mellitus hyperadrenocorticism pregnant_or_lactating",
    },
    IMMUNOTHERAPY: {
        NOT: "hypersensitivity",
        FIRST: "serious_infection",
        VET: "immune_suppression neoplasia pregnant_or_lactating",
    },
    CARE: {NOT: "hypersensitivity"},
}
MINIMUM_AGE = {
    JAK: (12, NOT),  # 21 CFR 520.1604
    ANTIBODY: (12, VET),  # assumed
    CICLOSPORIN: (6, NOT),  # product characteristics
    SHORT: (12, VET),
    TOPICAL: (12, VET),
    IMMUNOTHERAPY: (12, VET),
}
MINIMUM_WEIGHT = {JAK: (3, NOT), ANTIBODY: (3, NOT), CICLOSPORIN: (2, NOT), SHORT: (2, VET)}
SAID = {
    f"{JAK}.caution.skin": "skin infection and skin lumps are very common",
    f"{JAK}.caution.twice_daily": "twice daily for 14 days at most",
    f"{JAK}.monitoring.blood": "blood count",
    f"{JAK}.monitoring.skin_and_lumps": "skin and lumps looked at",
    f"{ANTIBODY}.caution.second_dose": "second dose a month later",
    f"{ANTIBODY}.caution.infection": "bacterial skin infection",
    f"{ANTIBODY}.caution.adverse": "8 % of 150 dogs",
    f"{ANTIBODY}.caution.after_jak_failure": "had failed responded less often",
    f"{ANTIBODY}.monitoring.score": "itch score four weeks after",
    f"{CICLOSPORIN}.caution.stop_rule": "by eight weeks it is stopped",
    f"{CICLOSPORIN}.caution.gut": "55 % of 759 dogs",
    f"{CICLOSPORIN}.caution.taper": "every other day",
    f"{CICLOSPORIN}.monitoring.score": "itch score at four and at eight weeks",
    f"{CICLOSPORIN}.monitoring.gut_and_weight": "gut signs and weight",
    f"{SHORT}.caution.taper": "the shortest course at the lowest dose",
    f"{SHORT}.monitoring.thirst": "thirst, urine, appetite",
    f"{TOPICAL}.caution.thin_skin": "skin may grow thin",
    f"{TOPICAL}.monitoring.sites": "the sites looked at",
    f"{IMMUNOTHERAPY}.caution.slow": "takes 3 to 12 months",
    f"{IMMUNOTHERAPY}.caution.adverse": "2.4 % of 286 dogs",
    f"{IMMUNOTHERAPY}.monitoring.judged": "judged after twelve months",
    f"{CARE}.caution.mild": "mild and non-irritating",
    f"{CARE}.monitoring.skin": "skin looked at for infection",
}
CURRENT_FOR = {
    28: "examination skin_infection serious_infection pregnant_or_lactating live_vaccination "
    "corneal_ulcer nsaid_in_use",
    35: "flea_control",
    90: "ectoparasites",
    180: "demodicosis neoplasia immune_suppression gut_ulcer",
    400: "perennial_signs gut_signs breeding diabetes_mellitus hyperadrenocorticism renal_disease "
    "heart_failure",
    3650: "atopic_dermatitis hypersensitivity",
}
CASES: dict[str, Callable[[], None]] = {
    **{f"{t}.species": partial(is_for_dogs_only, t) for t in THERAPY_IDS},
    **{f"{t}.minimum_age": partial(has_minimum_age, t, *m) for t, m in MINIMUM_AGE.items()},
    **{
        f"{t}.minimum_weight": partial(has_minimum_weight, t, *m) for t, m in MINIMUM_WEIGHT.items()
    },
    **{f"{t}.minimum_interval": partial(has_interval, t, 1) for t in THERAPY_IDS if t != ANTIBODY},
    f"{ANTIBODY}.minimum_interval": partial(has_interval, ANTIBODY, 28, planned_ahead=True),
    **{f"{t}.covers": partial(covers, t, Cover.YES) for t in (JAK, ANTIBODY, CICLOSPORIN, SHORT)},
    **{f"{t}.covers": partial(covers, t, Cover.NOT_KNOWN) for t in (TOPICAL, IMMUNOTHERAPY)},
    f"{CARE}.covers": partial(covers, CARE, Cover.NO),
    **{
        f"{t}.beside_others": partial(goes_beside, t, others=t in (IMMUNOTHERAPY, CARE))
        for t in THERAPY_IDS
    },
    **{
        f"{t}.stop.{code}": partial(stops, t, code, verdict)
        for t, by_verdict in STOPS.items()
        for verdict, codes in by_verdict.items()
        for code in codes.split()
    },
    **{name: partial(is_said, name.split(".")[0], words) for name, words in SAID.items()},
    **{
        f"current_for.{code}": partial(is_current_for, code, days)
        for days, codes in CURRENT_FOR.items()
        for code in codes.split()
    },
    "current_for.food_allergy_ruled_out": partial(food_is_ruled_out_for, 3650),
    "current_for.therapy_history": partial(history_is_current_for, 400),
    "readiness.needs_care_score": partial(itch_is_seen_from, 3.6),
    "readiness.score_current_for": partial(score_is_current_for, 28),
    "readiness.weight_current_for": partial(weight_is_current_for, 90),
    "readiness.live_vaccine_gap": partial(live_vaccine_keeps_away_for, 14),
    "readiness.flare_closed_after": partial(flare_is_open_for, 28),
    "readiness.spoken_scale_limit": partial(spoken_score_is_high_from, 6.17 + 1e-9),
}


def needs_a_test_on_record() -> None:
    lacking = judged(IMMUNOTHERAPY, allergy_tested=None)
    assert (lacking.verdict, lacking.reasons[0].known) == (Verdict.WORK_UP_FIRST, False)


CASES[f"{IMMUNOTHERAPY}.needs_allergy_test"] = needs_a_test_on_record


@pytest.mark.parametrize("rule", CASES)
def test_rule(rule):
    """The rule does what is written of it above, no more and no less."""
    CASES[rule]()


def test_no_rule_is_without_its_test_and_no_test_without_its_rule():
    """A row added to the table, or taken from it, must be added here, or taken from here."""
    groups = listed_rules(shipped_rules()).values()
    assert {one.rule for group in groups for one in group} == set(CASES)


def test_the_list_names_rule_source_status_and_test_of_each():
    """As CSV, a row a rule; the test named is the one above."""
    lines = rules_csv(shipped_rules()).splitlines()
    assert lines[0] == "rule,value,unit,status,source,test"
    assert len(lines) == len(CASES) + 1 == sum(n_rules(shipped_rules()).values()) + 1
    row = next(line for line in lines if line.startswith("daily_jak_inhibitor.minimum_age,"))
    assert row == (
        'daily_jak_inhibitor.minimum_age,12,month,published,"21 CFR 520.1604 (oclacitinib), '
        'indications for use",tests/forecast/dosing/test_every_rule.py::test_rule'
        "[daily_jak_inhibitor.minimum_age]"
    )
