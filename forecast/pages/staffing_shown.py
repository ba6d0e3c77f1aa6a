"""What the desk's pages share: the newest plan as somebody may see it, branches, names."""

from __future__ import annotations

from forecast.pages.issue_reading import held
from forecast.pages.page import Asked, NotFoundError
from forecast.pages.requests import moment_words
from forecast.records import Records
from forecast.records.branches import branches
from forecast.records.staff import staff_identities
from forecast.records.staff_plans import PLAN, StaffPlanRow, newest_staff_plan
from forecast.regions import Branch
from forecast.staffing.kept_plan import KeptPlan, plan_of
from forecast.staffing.overflow import WaitingWeek
from forecast.staffing.worked import Worked, worked_by
from forecast.wording import odds

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
        lambda: worked_by(asked.records, row, plan_of(row.content), today=today),
    )
    return whole.at(own_branches(asked))


def own_branches(asked: Asked) -> dict[str, Branch]:
    """Return the branches that this person may see."""
    account = asked.account
    every = branches(asked.records)
    if account is None or not account.branches:
        return every
    return {one: branch for one, branch in every.items() if one in account.branches}


def people_names(records: Records) -> dict[str, str]:
    """Return what members of staff are called, those who left too, by their random ids."""
    return {one.staff_id: one.name or one.reference for one in staff_identities(records)}


def standing_words(asked: Asked, row: StaffPlanRow, plan: KeptPlan) -> str:
    """Say what a plan is of and whether it is agreed."""
    service = "" if plan.service is None else f", service level {100 * plan.service:g} %"
    return (
        f"{plan.n_weeks} weeks from {plan.first_week.isoformat()}{service}, from forecast "
        f"{plan.issue_id}; {_agreed_words(asked, row, plan)}"
    )


def _agreed_words(asked: Asked, row: StaffPlanRow, plan: KeptPlan) -> str:
    if row.agreed_at is not None:
        return f"the roster is agreed {moment_words(asked.practice, row.agreed_at)}"
    worked = worked_shifts(asked, row, plan)
    before = worked.stands_before(row)
    if before is None:
        return "the roster is a proposal"
    when = moment_words(asked.practice, before)
    n = sum(week in worked.agreed for week in plan.weeks)
    weeks = f"{n} of its {plan.n_weeks} weeks" if n < plan.n_weeks else "all of its weeks"
    if plan.held:
        return f"shifts agreed {when} are kept in {weeks}, those of the others are a proposal"
    if plan.standing is not None:
        return (
            f"shifts agreed {when} stand in {weeks}, and odds and costs are theirs by this "
            "forecast; the newest proposal is told beside them"
        )
    return (
        f"the roster is a proposal; the one agreed {when} stands in {weeks} until this one is "
        "agreed, and branches' pages and calendars show it; odds and costs are the proposal's, "
        "until a plan is asked for anew"
    )


def asked_plan(asked: Asked) -> tuple[StaffPlanRow, KeptPlan, str]:
    """Return the newest plan and the branch of the address; refused where they go not together."""
    branch = asked.path["branch"]
    found = shown_plan(asked)
    if branch not in own_branches(asked) or found is None or branch not in found[1].branches:
        raise NotFoundError(f"no plan of staff tells of a branch {branch!r}")
    return (*found, branch)


def version_of(row: StaffPlanRow) -> str:
    """Return the name of what is shown of a plan: another once it is agreed."""
    return row.id if row.agreed_at is None else f"{row.id}-agreed"


def proposed_odds(proposed: KeptPlan, shown: WaitingWeek) -> str:
    """Return the odds of a week with the newest proposal; "" where words would be the same."""
    where = (shown.branch, shown.week)
    found = next((one for one in proposed.waiting if (one.branch, one.week) == where), None)
    words = "" if found is None else odds(found.overflow_odds)
    return "" if words == odds(shown.overflow_odds) else words
