"""How one dog's plan stands, in a sentence: on its own page and on that of the dog."""

from __future__ import annotations

from datetime import date

from forecast.dosing.plan import Proposal
from forecast.letters.desk import Desk
from forecast.records.dated import ACTIVE, STATUS_NOT_KNOWN
from forecast.records.plan_decisions import PlanState
from models.words import number_of

FOR_A_VET = (Proposal.DATED_DOSES, Proposal.HOLD_A_SLOT)


def plan_answer(name: str, desk: Desk, today: date) -> str:
    """Say what holds or is proposed for a dog, without a full stop."""
    if desk.gate.status not in (ACTIVE, STATUS_NOT_KNOWN):
        return f"{name} is {desk.gate.status!r} in the records: nothing is planned or sent any more"
    if desk.told is None or desk.plan is None:
        return f"{name} has no plan yet"
    ahead = [day for day in desk.told.doses if day >= today]
    if not desk.told.doses:
        said = str(desk.told.proposal)
    elif not ahead:
        said = "every dose of the plan is past"
    else:
        n = number_of(len(ahead), "dose")
        verb = "signed" if desk.is_signed else "proposed"
        said = f"{n} {verb}, the next on {ahead[0]:%A} {ahead[0].day} {ahead[0]:%B %Y}"
    if desk.is_signed:
        return f"{name}: {said}" if ahead else f"{name}: {said}; a vet has signed it"
    state = desk.plan.state
    if state in (PlanState.DECLINED, PlanState.WITHDRAWN):
        return f"{name}: the plan was {state}"
    if desk.told.proposal in FOR_A_VET:
        return f"{name}: {said}; no vet has signed it"
    return f"{name}: {said}"
