"""The dosing desk at work: from an issue and the records to proposals for dogs, kept as plans."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Iterable
from dataclasses import asdict, replace
from datetime import date, datetime

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.dog_risk import DogRisk
from forecast.dosing.effect_times import (
    EffectTimes,
    VetsWord,
    effect_times,
    past_risk_weeks,
    word_of,
)
from forecast.dosing.held_against import held_against_the_past
from forecast.dosing.kept import head_of
from forecast.dosing.open_days import open_days
from forecast.dosing.plan import DosePlan, propose_plan
from forecast.dosing.price import price_for
from forecast.dosing.register import (
    RegionPressure,
    Register,
    read_register,
    region_pressure,
    risk_of,
)
from forecast.dosing.risk_skill import RiskSkill, risk_skill
from forecast.dosing.rules import Rules, rules_of
from forecast.dosing.therapies import DosingError, Therapy, days_rule, therapy
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.records.dogs import dog_ids, identity_of
from forecast.records.engine import Records
from forecast.records.identifiers import new_id
from forecast.records.plans import PlanRow, add_plans
from forecast.records.vets_words import vets_words
from models.effect_time import EffectTime
from models.weeks import DAYS_IN_WEEK


def propose_plans(
    practice: Practice,
    records: Records,
    issue: Issue,
    *,
    dogs: Iterable[str] | None,
    therapy_id: str,
    today: date,
) -> list[DosePlan]:
    """Propose for the dogs named, or for every dog of the practice whose region the issue holds.

    Without visits there is no pressure, so there are no plans: the answer is empty. A named dog
    that cannot have a plan is refused.
    """
    if not issue.has_visits:
        return []
    rules = rules_of(practice)
    kind = rules.therapies[therapy(therapy_id).id]
    unknown_home = practice.settings.visits.unknown_home
    register = read_register(records, today=today, unknown_home=unknown_home, rules=rules)
    held = {str(region) for region in issue.forecast["region"].values}
    if dogs is None:
        wanted = [
            dog
            for dog in register.dogs.values()
            if dog.region in held and dog.id not in register.gone
        ]
    else:
        wanted = [_one(records, register, dog, held) for dog in dogs]
    pressures: dict[str, RegionPressure] = {}
    skills: dict[str, RiskSkill] = {}

    def risk_for(dog: DogRecord) -> DogRisk | None:
        if dog.region is None or dog.region not in held:
            return None
        if dog.region not in pressures:
            pressures[dog.region] = region_pressure(issue.forecast, dog.region, register)
            skills[dog.region] = risk_skill(register, dog.region, pressures[dog.region])
        own = skills[dog.region].uses_own
        return risk_of(dog, register, pressures[dog.region], own=own)

    words = vets_words(records, on=today)
    effects = _effects(records, register, kind, risk_for, today=today, rules=rules)
    opening = open_days(practice, records, today, DAYS_IN_WEEK * issue.forecast.sizes["week"])
    found = []
    for dog in wanted:
        risk = risk_for(dog)
        assert risk is not None
        assert dog.region is not None
        word = word_of(words.get((dog.id, kind.id)))
        proposed = propose_plan(
            dog,
            kind,
            risk=risk,
            open_days=opening.get(dog.branch or "", frozenset()),
            issue_id=issue.id,
            today=today,
            price=price_for(dog, practice.settings.dosing.flare_weeks_per_dose),
            rules=rules,
            basis=skills[dog.region].reason,
            effect=_own_effect(effects, dog.id, word),
        )
        found.append(replace(proposed, word=word))
    own = practice.settings.dosing.move_tolerance
    tolerance = days_rule("plan.move_tolerance") if own is None else own
    return held_against_the_past(
        records, found, tolerance=tolerance, today=today, zone=practice.time_zone
    )


def _effects(
    records: Records,
    register: Register,
    kind: Therapy,
    risk_for: Callable[[DogRecord], DogRisk | None],
    *,
    today: date,
    rules: Rules,
) -> EffectTimes | None:
    """Learn how long doses hold from every dog on record, gone ones too; None of a course."""
    if not kind.planned_ahead:
        return None
    weeks = past_risk_weeks(list(register.dogs.values()), kind, risk_for, today=today)
    return effect_times(records, kind, weeks, today=today, rules=rules)


def _own_effect(effects: EffectTimes | None, dog: str, word: VetsWord | None) -> EffectTime | None:
    """Return a dog's effect time where its own scores tell of it."""
    if effects is None:
        return None
    found = effects.of(dog, word=word)
    return None if found.rate is None else found


def keep_plans(records: Records, plans: Iterable[DosePlan], *, made_at: datetime) -> None:
    """Record proposals with their reasons and cautions, as a vet will see them."""
    add_plans(records, [_row(plan, made_at) for plan in plans])


def dogs_by_number(records: Records, numbers: Iterable[str]) -> list[str]:
    """Return the ids of dogs by the practice's own numbers."""
    known = dog_ids(records)
    found = []
    for number in numbers:
        if number not in known:
            plain = {one.casefold(): one for one in known}
            near = difflib.get_close_matches(number.casefold(), plain, n=1)
            hint = f"; did you mean {plain[near[0]]}?" if near else ""
            raise DosingError(
                f"something was asked for dog {number!r}, which is not on record{hint}"
            )
        found.append(known[number])
    return found


def _one(records: Records, register: Register, dog: str, held: Collection[str]) -> DogRecord:
    if dog not in register.dogs:
        raise DosingError(f"a plan was asked for dog {dog!r}; the records hold no such id")
    identity = identity_of(records, dog)
    asked = f"a plan was asked for dog {dog if identity is None else identity.reference}"
    if dog in register.gone:
        raise DosingError(
            f"{asked}, which is recorded as {register.gone[dog]}; if it is not, correct its status "
            "with `forepaw import dogs FILE`"
        )
    region = register.dogs[dog].region
    if region is None:
        raise DosingError(
            f"{asked}; neither its region nor its branch is on record, so its season is not "
            "known: give one with `forepaw import dogs FILE`"
        )
    if region not in held:
        raise DosingError(
            f"{asked} of region {region}; the forecast holds {', '.join(sorted(held))}: issue one "
            "that has its region"
        )
    return register.dogs[dog]


def _row(plan: DosePlan, made_at: datetime) -> PlanRow:
    reasons = [asdict(reason) for reason in plan.reasons]
    cautions = [
        {"caution": c.code, "sentence": c.sentence, "source": c.source} for c in plan.cautions
    ]
    return PlanRow(
        id=new_id(),
        dog_id=plan.dog,
        issue_id=plan.issue_id,
        therapy=plan.therapy,
        state=plan.state,
        signed_by=plan.signed_by,
        made_at=made_at,
        uncovered_weeks=plan.uncovered_weeks or (),
        reasons=(head_of(plan), *reasons, *cautions),
        doses=tuple(dose.date for dose in plan.doses),
    )
