"""What the records keep of a plan beside its dates and reasons: values for a page or a letter.

A plan is kept as it was proposed, so that what a vet signed can be shown as it was then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date
from typing import Any

from forecast.dosing.effect_times import as_kept, of_kept
from forecast.dosing.moves import Basis
from forecast.dosing.plan import DosePlan
from forecast.dosing.schedule import Outcome
from forecast.dosing.season_dates import DateSpread


def head_of(plan: DosePlan) -> dict[str, Any]:
    """Return the values kept with a plan; none of uncovered weeks, and none known, differ."""
    head: dict[str, Any] = {
        "proposal": str(plan.proposal),
        "uncovered_weeks_known": plan.uncovered_weeks is not None,
        "trade": [_outcome(one) for one in plan.trade],
        "last_dose": _text(plan.last_dose),
        "price": None if plan.price is None else plan.price.flare_weeks,
        "acts_before_season": plan.acts_before_season,
        "week_later": plan.week_later,
        "moved": None if plan.moved is None else plan.moved.sentence,
        "held_against": plan.held_against,
    }
    if plan.season is not None:
        head["season"] = {"start": _spread(plan.season.start), "end": _spread(plan.season.end)}
    return head if plan.effect is None else head | {"effect_time": as_kept(plan.effect)}


def trade_of_kept(head: Mapping[str, Any]) -> tuple[Outcome, ...]:
    """Return the ways of dosing that were compared; none of a plan that kept none."""
    return tuple(
        Outcome(**one | {"dates": tuple(date.fromisoformat(day) for day in one["dates"])})
        for one in head.get("trade", ())
    )


def basis_of(plan: DosePlan) -> Basis:
    """Return what a plan rests on."""
    return Basis(
        proposal=str(plan.proposal),
        doses=tuple(dose.date for dose in plan.doses),
        season_start=None if plan.season is None else plan.season.start.middle,
        last_dose=plan.last_dose,
        price=None if plan.price is None else plan.price.flare_weeks,
        effect_days=None if plan.effect is None else plan.effect.holds_until(),
    )


def basis_of_kept(head: Mapping[str, Any], doses: Sequence[date]) -> Basis:
    """Return what a plan on record rested on; of plans of older versions little is known."""
    season = head.get("season")
    effect = head.get("effect_time")
    return Basis(
        proposal=str(head["proposal"]),
        doses=tuple(doses),
        season_start=None if season is None else date.fromisoformat(season["start"]["middle"]),
        last_dose=_day(head.get("last_dose")),
        price=head.get("price"),
        effect_days=None if effect is None else of_kept(effect).holds_until(),
    )


def _outcome(one: Outcome) -> dict[str, Any]:
    return asdict(one) | {"dates": [str(day) for day in one.dates]}


def _spread(spread: DateSpread) -> dict[str, Any]:
    early, middle, late = (str(day) for day in (spread.early, spread.middle, spread.late))
    return {"early": early, "middle": middle, "late": late, "odds": spread.odds}


def _text(day: date | None) -> str | None:
    return None if day is None else str(day)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
