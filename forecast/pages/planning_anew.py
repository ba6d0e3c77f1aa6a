"""One dog's plan worked out anew by the clock, as somebody at a desk asks for it."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from forecast.accounts.roles import Right
from forecast.dosing.therapies import therapies
from forecast.outcomes import outcome_of
from forecast.pages.dog import dog_asked
from forecast.pages.dogs import PATH
from forecast.pages.page import Asked, GoTo, Page
from forecast.pages.requests import ask_clock
from forecast.records.plans import newest_plan
from forecast.records.requests import CLAIMED, DOG, FAILED, PLAN_DOG, WAITING, requests


def ask_for_plan(asked: Asked, dog_id: str, *, only_if_planned: bool = False) -> bool:
    """Ask the clock to plan a dog anew; return whether it was asked.

    With `only_if_planned`, a dog that has no plan is left alone.
    """
    kinds = [one.id for one in therapies().values() if one.planned_ahead]
    if only_if_planned and not any(
        newest_plan(asked.records, dog_id=dog_id, therapy=kind) for kind in kinds
    ):
        return False
    ask_clock(asked, PLAN_DOG, {DOG: dog_id})
    return True


class Going(NamedTuple):
    """How it goes with a plan that was asked for, in a sentence; "" where none is or was."""

    is_under_way: bool
    sentence: str


def how_planning_goes(asked: Asked, dog_id: str, *, newest: datetime | None) -> Going:
    """Say that the plan of a dog is being worked out anew, or why it could not be.

    `newest` is when its newest plan was made: what failed before that is over.
    """
    states = (WAITING, CLAIMED, FAILED)
    mine = [
        one
        for one in requests(asked.records, states=states)
        if one.kind == PLAN_DOG and one.arguments.get(DOG) == dog_id
    ]
    if not mine:
        return Going(False, "")
    last = mine[-1]
    if last.state == FAILED:
        is_over = newest is not None and last.asked_at < newest
        outcome = outcome_of(asked.practice, last.run_id)
        why = last.result if outcome is None else outcome.sentence
        said = "" if is_over else f"no plan could be worked out when one was asked for: {why}"
        return Going(False, said)
    if asked.outside.clock_runs(asked.practice) is False:
        return Going(
            True,
            "this plan was asked to be worked out anew, but no clock runs at this practice: "
            "whoever looks after the machine starts it with `forepaw serve`",
        )
    return Going(True, "this plan is being worked out anew: load the page again in a moment")


def _anew(asked: Asked) -> GoTo:
    _, shown, _ = dog_asked(asked)
    ask_for_plan(asked, shown.id)
    return GoTo(f"{PATH}/{shown.id}/plan", "Asked for: a plan worked out anew.")


PAGES = (
    Page(f"{PATH}/{{dog}}/plan/anew", "dog-plan-anew", Right.RECORD_CARE, _anew, methods=("POST",)),
)
