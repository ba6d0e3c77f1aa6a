"""Rules of a practice's own: tightened freely, loosened only by a named vet, and then said."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from ready_dog import RECENT, TODAY, ready_dog

from forecast.dosing.dog_record import Cover, Finding, TherapyEvent, dog_cover
from forecast.dosing.plan import CAUTIONS, DosePlan, Proposal
from forecast.dosing.readiness import readiness
from forecast.dosing.rules import changed, rules_of, shipped_rules
from forecast.dosing.therapies import DosingError, Verdict, therapy
from forecast.practice import PracticeError, open_practice
from forecast.settings_sections import DosingRuleSection

JAK, ANTIBODY, CICLOSPORIN = "daily_jak_inhibitor", "anti_il31_antibody", "ciclosporin"
SIGNED = {"vet": "Dr Invented", "reason": "on the maker's advice"}


def own(rule: str, value: float | str, **signed: str):
    return changed([DosingRuleSection(rule=rule, value=value, **signed)])


def judged(rules, therapy_id=ANTIBODY, **changes):
    return readiness(ready_dog(therapy_id, **changes), therapy(therapy_id), TODAY, rules=rules)


@pytest.mark.parametrize(
    ("rule", "value", "changes", "verdict"),
    [
        # a dog of two years and 14.2 kg, examined and scored five days ago, passes as shipped
        (f"{JAK}.minimum_age", 36, {}, Verdict.NOT_SUITABLE),
        (f"{JAK}.minimum_weight", 15, {}, Verdict.NOT_SUITABLE),
        (f"{JAK}.stop.renal_disease", "vet must decide", {}, Verdict.WORK_UP_FIRST),
        ("current_for.examination", 4, {}, Verdict.WORK_UP_FIRST),
        ("readiness.weight_current_for", 4, {}, Verdict.WORK_UP_FIRST),
        ("readiness.score_current_for", 4, {}, Verdict.WORK_UP_FIRST),
        ("readiness.needs_care_score", 1.4, {}, Verdict.SEE_NOW),
    ],
)
def test_a_practice_tightens_a_rule_freely(rule, value, changes, verdict):
    """No vet and no reason are asked, nothing is said of it on plans."""
    two = {"birth_date": date(2022, 4, 2), "findings": {**ready_dog(JAK).findings} | changes}
    two["findings"].pop("renal_disease", None)
    assert judged(shipped_rules(), JAK, **two).verdict is Verdict.READY
    rules = own(rule, value)
    assert judged(rules, JAK, **two).verdict is verdict
    assert rules.loosened == ()
    assert shipped_rules().parameters.get(rule) != rules.parameters[rule]


def test_a_new_stop_is_in_force_as_written():
    """The finding is one that the record can hold; the table has no stop on it for this class."""
    rules = own(f"{ANTIBODY}.stop.renal_disease", "vet must decide")
    ill = dict(ready_dog(ANTIBODY).findings) | {"renal_disease": Finding(True, RECENT)}
    assert judged(rules, findings=ill).verdict is Verdict.VET_MUST_DECIDE
    assert judged(shipped_rules(), findings=ill).verdict is Verdict.READY


@pytest.mark.parametrize(
    ("rule", "value"),
    [
        (f"{JAK}.minimum_age", 11),
        (f"{ANTIBODY}.minimum_interval", 27),
        (f"{CICLOSPORIN}.stop.neoplasia", "vet must decide"),
        (f"{CICLOSPORIN}.stop.neoplasia", "ready"),
        ("current_for.examination", 29),
        ("readiness.live_vaccine_gap", 13),
        ("readiness.needs_care_score", 3.7),
        (f"{ANTIBODY}.full_until", 29),
    ],
)
def test_a_looser_rule_needs_a_vet_and_a_reason(rule, value):
    """Either alone is refused; with both it is in force, and says who answers for it."""
    for lacking in ({}, {"vet": "Dr Invented"}, {"reason": "so it is"}):
        with pytest.raises(DosingError, match=r"number 1.*lets more through.*add vet = "):
            own(rule, value, **lacking)
    rules = own(rule, value, **SIGNED)
    assert rules.parameters[rule].value == value
    (said,) = rules.loosened
    assert said.sentence.endswith("Dr Invented answers for it: on the maker's advice.")
    assert f"is {value}" in said.sentence


def test_what_was_loosened_is_printed_on_each_plan_it_bears_on():
    """Of its own class, or of every one; plans of other classes say nothing of it."""
    rules = changed(
        [
            DosingRuleSection(rule=f"{CICLOSPORIN}.minimum_age", value=5, **SIGNED),
            DosingRuleSection(rule="current_for.examination", value=40, **SIGNED),
        ]
    )
    for therapy_id, n in ((CICLOSPORIN, 2), (ANTIBODY, 1)):
        ready = judged(rules, therapy_id)
        plan = DosePlan(
            *("dog-0001", "issue-1", therapy_id, (), None, ()),
            Verdict.READY,
            Proposal.NOTHING,
            loosened=ready.loosened,
        )
        said = [c.sentence for c in plan.cautions if c.code.startswith("loosened")]
        assert said == [one.sentence for one in rules.loosened][2 - n :]
        assert plan.cautions[: len(CAUTIONS)] == CAUTIONS


def test_a_stop_taken_away_is_not_asked_for_any_more():
    """Loosened to none by a vet, a finding not known holds this class up no longer."""
    rules = own(f"{CICLOSPORIN}.stop.diabetes_mellitus", "ready", **SIGNED)
    without = {k: v for k, v in ready_dog(CICLOSPORIN).findings.items() if k != "diabetes_mellitus"}
    assert judged(rules, CICLOSPORIN, findings=without).verdict is Verdict.READY
    shipped = judged(shipped_rules(), CICLOSPORIN, findings=without)
    assert shipped.verdict is Verdict.WORK_UP_FIRST


@pytest.mark.parametrize(
    ("rule", "value", "says"),
    [
        (f"{JAK}.minimum_agee", 12, "did you mean 'daily_jak_inhibitor.minimum_age'"),
        (f"{JAK}.species", "cat", "none that a practice can set"),
        (f"{JAK}.stop.hiccups", "not suitable", "none that a practice can set"),
        ("plan.longest_cover", 60, "none that a practice can set"),
        (f"{JAK}.minimum_age", "old", "must be a number of month, 0 or more"),
        (f"{JAK}.minimum_age", -1, "must be a number of month, 0 or more"),
        (f"{JAK}.stop.neoplasia", "never", "allowed are not suitable, work-up first"),
        (f"{JAK}.stop.neoplasia", 3, "allowed are not suitable, work-up first"),
    ],
)
def test_a_rule_that_cannot_be_set_is_refused(rule, value, says):
    """The sentence says which table, what was found and what is allowed."""
    with pytest.raises(DosingError, match=says) as refusal:
        own(rule, value, **SIGNED)
    assert "practice.toml, [[dosing.rule]] number 1" in str(refusal.value)


def test_rules_of_a_practice_are_those_of_its_practice_toml(small):
    """A table each; a slip within one names its line."""
    table = f'\n[[dosing.rule]]\nrule = "{JAK}.minimum_age"\nvalue = 18\n'
    small.settings_file.write_text(small.settings_text + table, encoding="utf-8")
    rules = rules_of(open_practice(small.folder, now=small.now))
    assert rules.parameters[f"{JAK}.minimum_age"].value == 18
    assert "shipped: 12 month" in rules.parameters[f"{JAK}.minimum_age"].source
    small.settings_file.write_text(small.settings_text + table + 'vett = "Dr"\n', encoding="utf-8")
    line = len((small.settings_text + table).split("\n"))
    with pytest.raises(PracticeError, match=f"line {line}: .*vett is not a setting; did you mean"):
        open_practice(small.folder, now=small.now)


def test_a_longer_cover_than_was_ever_measured_is_refused_with_any_signature():
    """49 days is the longest effect against placebo (Michels et al. 2016)."""
    rules = own(f"{ANTIBODY}.ends_at", 56, **SIGNED)
    with pytest.raises(DosingError, match="end by day 49"):
        _ = rules.therapies[ANTIBODY].cover


def test_rules_never_change_what_is_shipped():
    """Each practice of a process has its own."""
    before = dict(shipped_rules().parameters)
    own(f"{JAK}.minimum_age", 18)
    assert dict(shipped_rules().parameters) == before
    old = replace(ready_dog(JAK), birth_date=TODAY - timedelta(days=400))
    assert readiness(old, therapy(JAK), TODAY).verdict is Verdict.READY


@pytest.mark.parametrize(
    ("rule", "value", "signed", "days", "shipped", "own_rule"),
    [
        # full through day 28 and ended by day 49 as shipped; between them it is not known
        ("full_until", 20, {}, 25, Cover.YES, Cover.NOT_KNOWN),
        ("ends_at", 30, {}, 35, Cover.NOT_KNOWN, Cover.NO),
        ("full_until", 35, SIGNED, 32, Cover.NOT_KNOWN, Cover.YES),
    ],
)
def test_a_dogs_cover_goes_by_the_practices_own_rules(rule, value, signed, days, shipped, own_rule):
    """Tightened, cover ends sooner; loosened by a vet, later."""
    rules = own(f"{ANTIBODY}.{rule}", value, **signed)
    dose = TherapyEvent(ANTIBODY, TODAY - timedelta(days=days), responded=True)
    dog = ready_dog(ANTIBODY, therapies=(dose,))
    assert dog_cover(dog, TODAY) is shipped
    assert dog_cover(dog, TODAY, known=rules.therapies) is own_rule
    # what counts by region, and as a dog's own history, goes by the same rules
    ends_at = value if rule == "ends_at" else 49
    assert rules.cover[ANTIBODY].days == ends_at
    assert shipped_rules().cover[ANTIBODY].days == 49
