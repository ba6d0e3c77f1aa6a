"""How long a dose holds in one dog, as its page shows it: a sentence, a curve, numbers.

It is what the newest plan kept, so nothing is worked out while somebody waits for the page.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.effect_times import of_kept, planned_cover, unlike_the_record
from forecast.dosing.therapies import Therapy, days_rule
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.plans import newest_plan
from models.effect_time import EffectTime
from models.parameters import load_table
from models.weeks import DAYS_IN_WEEK

WIDE, HIGH = 600.0, 100.0  # of the box a curve is drawn in


@dataclass(frozen=True)
class ChanceShown:
    """The chance that the effect of a dose still holds some days after it."""

    days: int
    chance: float


@dataclass(frozen=True)
class EffectShown:
    """How long a dose holds in one dog.

    Attributes
    ----------
    sentence
        What is known, in one sentence.
    rests_on
        What it rests on, or what would make it known.
    longest
        Days beyond which no dose is planned to cover: as measured, or as a vet gave their word.
    measured
        Days of the longest effect measured against placebo.
    covers_until
        Days until which a dose is planned to cover; None where none is.
    covers_at
        Where that day lies in the box of the curve.
    points
        The chance over days, in a box 600 wide and 100 high: left day 0, right `longest`; 0 at the
        bottom, 1 at the top. Empty with the label's range alone.
    chances
        The same by the week; empty with the label's range alone.
    text
        The curve in words.
    response
        Where scores and what is recorded of the response differ; "" where they do not.
    """

    sentence: str
    rests_on: str
    longest: int
    measured: int
    covers_until: int | None
    covers_at: float | None = None
    points: tuple[tuple[float, float], ...] = ()
    chances: tuple[ChanceShown, ...] = ()
    text: str = ""
    response: str = ""


def effect_shown(
    practice: Practice, records: Records, dog: DogRecord, *, therapy: Therapy
) -> EffectShown | None:
    """Return how long a dose of a therapy holds in a dog; None for what is no such animal."""
    if dog.species not in (None, therapy.species):
        return None
    plan = newest_plan(records, dog_id=dog.id, therapy=therapy.id)
    kept = plan.reasons[0].get("effect_time") if plan and plan.reasons else None
    if plan is None or kept is None:
        return _by_label(therapy)
    made_on = plan.made_at.astimezone(practice.time_zone).date()
    effect, today = of_kept(kept), practice.local_date
    differ = unlike_the_record(dog.responded(therapy.id, today), effect)
    return replace(_by_scores(effect, therapy, made_on=made_on), response=differ)


def _by_label(therapy: Therapy) -> EffectShown:
    cover, table = therapy.cover, load_table("models.effect_time", "effect_time.toml")
    least = int(table.number("population.least_relapses"))
    return EffectShown(
        f"This dog's own record does not tell how long a dose holds: the label says "
        f"{cover.full_until} to {cover.ends_at} days, and plans go by that",
        "It would be known from doses given and itch scores on the line (PVAS) in this dog's own "
        f"risk weeks, once the practice has {least} relapses on record; it is worked out when "
        "plans are made.",
        days_rule("plan.longest_cover"),
        days_rule("plan.longest_cover"),
        cover.full_until,
    )


def _by_scores(effect: EffectTime, therapy: Therapy, *, made_on: date) -> EffectShown:
    longest = int(effect.cap)
    days = np.arange(longest + 1)
    chance = effect.lasting(days.astype(float))
    cover = planned_cover(effect, therapy)
    weekly = range(DAYS_IN_WEEK, longest + 1, DAYS_IN_WEEK)
    half = chance < 0.5
    turns = f"below one half from day {int(days[half][0])}" if half.any() else "never below half"
    return EffectShown(
        f"{effect.sentence[:1].upper()}{effect.sentence[1:]}",
        f"Worked out with the plans of {made_on}, from doses and itch scores on the line (PVAS) in "
        "dogs' own risk weeks; what was entered since is not in it.",
        longest,
        days_rule("plan.longest_cover"),
        None if cover is None else cover.full_until,
        None if cover is None else round(WIDE * cover.full_until / longest, 1),
        tuple(
            (round(WIDE * day / longest, 1), round(HIGH * (1.0 - share), 1))
            for day, share in zip(days.tolist(), chance.tolist(), strict=True)
        ),
        tuple(ChanceShown(day, round(float(chance[day]), 3)) for day in weekly),
        "Chance that the effect of a dose still holds, by days since it: "
        f"{100 * chance[0]:.0f} % at first, {turns}, {100 * chance[-1]:.0f} % on day {longest}.",
    )
