"""What the desk's pages share: the newest plan as somebody may see it, branches, names."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from forecast.pages.issue_reading import held
from forecast.pages.page import Asked, NotFoundError
from forecast.pages.requests import moment_words
from forecast.records import Records
from forecast.records.branches import branches
from forecast.records.staff import staff_on_record
from forecast.records.staff_plans import PLAN, StaffPlanRow, newest_staff_plan
from forecast.regions import Branch
from forecast.staffing.kept_plan import KeptPlan, plan_of
from forecast.staffing.worked import Worked, worked_by

PATH = "/staffing"


def shown_plan(asked: Asked) -> tuple[StaffPlanRow, KeptPlan] | None:
    """Return the newest plan, as far as this person may see it; None where there is none."""
    row = newest_staff_plan(asked.records, kind=PLAN)
    if row is None:
        return None
    whole = held.value(("staff plan", row.id), lambda: plan_of(row.content))
    account = asked.account
    if account is None or not account.branches:
        return row, whole
    wanted = frozenset(account.branches)
    return row, held.value(("staff plan", row.id, wanted), lambda: whole.of_branches(wanted))


def worked_shifts(asked: Asked, row: StaffPlanRow, plan: KeptPlan) -> Worked:
    """Return the shifts that people work by, where the plan is the newest, of its branches."""
    today = asked.practice.today
    whole = held.value(
        ("worked", row.id, row.agreed_at, today),
        lambda: worked_by(asked.records, plan_of(row.content), today=today),
    )
    own = own_branches(asked)
    return replace(whole, shifts=tuple(one for one in whole.shifts if one.branch in own))


def own_branches(asked: Asked) -> dict[str, Branch]:
    """Return the branches that this person may see."""
    account = asked.account
    every = branches(asked.records)
    if account is None or not account.branches:
        return every
    return {one: branch for one, branch in every.items() if one in account.branches}


def people_names(records: Records, *, day: date) -> dict[str, str]:
    """Return what members of staff are called, by their random ids."""
    return {one.id: one.shown for one in staff_on_record(records, day=day)}


def standing_words(asked: Asked, row: StaffPlanRow, plan: KeptPlan) -> str:
    """Say what a plan is of and whether it is agreed."""
    service = "" if plan.service is None else f", service level {100 * plan.service:g} %"
    agreed = "a proposal"
    if row.agreed_at is not None:
        agreed = f"agreed {moment_words(asked.practice, row.agreed_at)}"
    elif (before := worked_shifts(asked, row, plan).stands_before(row)) is not None:
        agreed += (
            f"; the one agreed {moment_words(asked.practice, before)} stands in the weeks that it "
            "covers until this one is agreed, and branches' pages and calendars show it"
        )
    return (
        f"{plan.n_weeks} weeks from {plan.first_week.isoformat()}{service}, from forecast "
        f"{plan.issue_id}; the roster is {agreed}"
    )


def asked_plan(asked: Asked) -> tuple[StaffPlanRow, KeptPlan, str]:
    """Return the newest plan and the branch of the address; refused where they go not together."""
    branch = asked.path["branch"]
    found = shown_plan(asked)
    if branch not in own_branches(asked) or found is None or branch not in found[1].branches:
        raise NotFoundError(f"no plan of staff tells of a branch {branch!r}")
    return (*found, branch)
