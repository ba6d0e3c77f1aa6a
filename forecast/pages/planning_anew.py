"""One dog's plan worked out anew by the clock, as somebody at a desk asks for it."""

from __future__ import annotations

from forecast.accounts.roles import Right
from forecast.dosing.therapies import therapies
from forecast.pages.dog import dog_asked
from forecast.pages.dogs import PATH
from forecast.pages.page import Asked, GoTo, Page
from forecast.pages.requests import ask_clock
from forecast.records.plans import newest_plan
from forecast.records.requests import CLAIMED, DOG, PLAN_DOG, WAITING, requests


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


def how_planning_goes(asked: Asked, dog_id: str) -> str:
    """Say that the plan of a dog is being worked out anew; "" where it is not."""
    open_ones = requests(asked.records, states=(WAITING, CLAIMED))
    if not any(one.kind == PLAN_DOG and one.arguments.get(DOG) == dog_id for one in open_ones):
        return ""
    if asked.outside.clock_runs(asked.practice) is False:
        return (
            "this plan was asked to be worked out anew, but no clock runs at this practice: "
            "whoever looks after the machine starts it with `forepaw serve`"
        )
    return "this plan is being worked out anew: load the page again in a moment"


def _anew(asked: Asked) -> GoTo:
    _, shown, _ = dog_asked(asked)
    ask_for_plan(asked, shown.id)
    return GoTo(f"{PATH}/{shown.id}/plan", "Asked for: a plan worked out anew.")


PAGES = (
    Page(f"{PATH}/{{dog}}/plan/anew", "dog-plan-anew", Right.RECORD_CARE, _anew, methods=("POST",)),
)
