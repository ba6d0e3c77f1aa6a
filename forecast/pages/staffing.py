"""The manager's desk: which weeks overflow where, what it costs, what to order, what if."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from forecast.accounts.roles import Right
from forecast.pages.figure_pages import FigureShown
from forecast.pages.page import Asked, Page, Row, View
from forecast.pages.requests import RequestsPage, moment_words, show_requests
from forecast.pages.staffing_figures import figure_of_worst
from forecast.pages.staffing_shown import (
    PATH,
    own_branches,
    people_names,
    proposed_odds,
    shown_plan,
    standing_words,
    version_of,
    worked_shifts,
)
from forecast.records.issues import newest_issue
from forecast.records.staff import staff_on_record
from forecast.records.staff_plans import (
    WHAT_IF,
    StaffPlanRow,
    newest_staff_plan,
)
from forecast.staffing.asked import (
    KEEP_AGREED,
    usual_service,
    weeks_asked,
)
from forecast.staffing.burdens import burden_note, burden_words, burdens
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.kept_plan import KeptPlan, what_if_of
from forecast.staffing.last_year import notes_on
from forecast.staffing.money import CostDifference, CostLine
from forecast.staffing.patterns import Told
from forecast.staffing.stock import StockOrder
from forecast.staffing.what_if import WhatIf
from forecast.staffing.words import (
    currency_words,
    likely_weeks,
    overflow_answer,
    proposal_words,
    told_odds,
)
from forecast.staffing.worked import Worked
from forecast.wording import odds


@dataclass(frozen=True)
class OddsCell:
    """Odds that a branch's week overflows; `is_likely` where that is told.

    `proposed` are the odds with the newest proposal, "" where they are the same in words.
    """

    branch: str
    odds: float
    words: str
    is_likely: bool
    proposed: str


@dataclass(frozen=True)
class OddsWeek:
    """One week of all branches shown; `is_agreed` whether its shifts are."""

    week: date
    is_agreed: bool
    cells: tuple[OddsCell, ...]


@dataclass(frozen=True)
class BranchChoice:
    """A branch, and in how many weeks it will probably overflow."""

    id: str
    name: str
    n_likely: int = 0


@dataclass(frozen=True)
class OrderRow:
    """One order of stock."""

    branch: str
    item: str
    order_by: date
    arrives: date
    packs: int
    units: float
    price: float | None
    runs_out_odds: float
    is_late: bool


@dataclass(frozen=True)
class BurdenRow:
    """What the roster asks of one person; see `forecast.staffing.burdens.Burden`."""

    who: str
    branch: str
    contract_hours: float
    hours: float
    peak_hours: float
    peak_share: float | None
    extra_shifts: int
    away_shifts: int
    peak_burdens: int


@dataclass(frozen=True)
class StaffingPage:
    """What the desk's page says.

    Attributes
    ----------
    answer
        Which weeks overflow, in a sentence.
    plan_id, standing
        Which plan it is and what it rests on, in words; "" where there is none.
    is_agreed
        Whether its roster is worked by.
    beside
        What agreeing to the newest proposal would change; "" where nothing stands before it.
    n_agreed
        Weeks of the plan whose shifts are agreed.
    is_behind
        Whether a newer forecast has come since.
    findings
        What could not be planned and why, a sentence each.
    figures
        The load of who is likeliest to have too few hours, beside what the roster can take.
    unheld
        Constraints that cannot hold, a sentence each.
    last_year
        What last year's roster is; "" where it is not among those compared.
    burden, burden_note, people
        How the load of the peak weeks lies on people; nobody for who sees only some branches.
    roster
        How far the roster's reckoning got.
    service, weeks, keep_agreed
        What is asked unless another is.
    may_plan, may_agree
        What this person may do; a roster is agreed by who sees all branches.
    """

    answer: str
    n_staff: int
    branches: tuple[BranchChoice, ...]
    tried: WhatIf | None
    tried_words: str
    tried_currency: str
    asked: RequestsPage | None
    service: float | None
    weeks: int
    keep_agreed: bool
    today: date
    roles: tuple[str, ...]
    may_plan: bool
    may_agree: bool
    plan_id: str = ""
    standing: str = ""
    beside: str = ""
    n_agreed: int = 0
    is_agreed: bool = False
    is_behind: bool = False
    figures: tuple[FigureShown, ...] = ()
    weeks_shown: tuple[OddsWeek, ...] = ()
    orders: tuple[OrderRow, ...] = ()
    currency: str = ""
    costs: tuple[CostLine, ...] = ()
    differences: tuple[CostDifference, ...] = ()
    last_year: str = ""
    n_prices_of_house: int = 0
    burden: str = ""
    burden_note: str = ""
    people: tuple[BurdenRow, ...] = ()
    findings: tuple[str, ...] = ()
    unheld: tuple[str, ...] = ()
    roster: str = ""
    told: tuple[Told, ...] = ()
    most_orders: int = 12
    wrong: str = ""
    typed: Mapping[str, str] | None = None


def _staffing(asked: Asked) -> View:
    page = staffing_page(asked)
    tables: dict[str, Sequence[Row]] = {
        "weeks": [
            {
                "week": one.week,
                "branch": cell.branch,
                "overflow_odds": cell.odds,
                "is_agreed": one.is_agreed,
            }
            for one in page.weeks_shown
            for cell in one.cells
        ],
        "orders": [asdict(one) for one in page.orders],
        "costs": [asdict(one) for one in page.costs],
        "people": [asdict(one) for one in page.people],
        "rests_on": [asdict(one) for one in page.told],
    }
    return View("staffing.html", page, tables)


def staffing_page(
    asked: Asked, *, wrong: str = "", typed: Mapping[str, str] | None = None
) -> StaffingPage:
    """Return what the page says; `wrong` and `typed` are of a form that could not be kept."""
    assert asked.account is not None
    account, own = asked.account, own_branches(asked)
    names = {one.id: one.name for one in own.values()}
    n_staff = len(staff_on_record(asked.records, day=asked.practice.today))
    found = shown_plan(asked)
    plan = None if found is None else worked_shifts(asked, *found).in_plan(found[1])
    tried, tried_words = _tried(asked)
    sees_all = not account.branches
    may_plan = account.may(Right.PLAN_STAFF)
    return StaffingPage(
        answer=_no_plan(n_staff) if plan is None else overflow_answer(plan, names),
        n_staff=n_staff,
        branches=tuple(
            BranchChoice(one, name, 0 if plan is None else len(likely_weeks(plan, one)))
            for one, name in names.items()
        ),
        tried=tried if sees_all else None,
        tried_words=tried_words if sees_all else "",
        tried_currency="" if tried is None else currency_words(tried.currency),
        asked=show_requests(asked) if account.may(Right.SEE_DATA) and may_plan else None,
        service=usual_service() if plan is None else plan.service,
        weeks=weeks_asked("") if plan is None else plan.n_weeks,
        keep_agreed=found is not None and bool(found[0].asked.get(KEEP_AGREED)),
        today=asked.practice.local_date,
        roles=ROLES,
        may_plan=may_plan,
        may_agree=may_plan and sees_all,
        wrong=wrong,
        typed=typed,
        **({} if found is None else _of_plan(asked, *found, names=names)),
    )


def _of_plan(
    asked: Asked, row: StaffPlanRow, proposed: KeptPlan, *, names: Mapping[str, str]
) -> dict[str, Any]:
    """Return what the page says of a plan: of the shifts that stand, the proposal beside them."""
    worked = worked_shifts(asked, row, proposed)
    plan = worked.in_plan(proposed)
    newest = newest_issue(asked.records)
    return {
        "plan_id": row.id,
        "standing": standing_words(asked, row, proposed),
        "beside": proposal_words(worked, proposed),
        "n_agreed": sum(week in worked.agreed for week in plan.weeks),
        "is_agreed": row.agreed_at is not None,
        "is_behind": newest is not None and newest.id != plan.issue_id,
        "figures": figure_of_worst(asked.practice, version_of(row), plan, names),
        "weeks_shown": _weeks(plan, proposed, worked),
        "orders": _orders(plan, names),
        "currency": currency_words(plan.money.currency),
        "costs": plan.money.lines,
        "differences": plan.money.differences,
        "last_year": " ".join(notes_on(one.roster for one in plan.money.lines)),
        "n_prices_of_house": len(plan.money.prices_from_table),
        "findings": _findings(plan),
        "unheld": tuple(one.sentence for one in plan.roster.unheld),
        "roster": "" if plan.roster.solution is None else plan.roster.solution.sentence,
        "told": plan.told,
        **_burdens(asked, plan, names),
    }


def _burdens(asked: Asked, plan: KeptPlan, names: Mapping[str, str]) -> dict[str, Any]:
    """Return how the load lies on people, for who plans and sees all of their shifts."""
    assert asked.account is not None
    if not plan.sees_people or not asked.account.may(Right.PLAN_STAFF):
        return {}
    who = people_names(asked.records)
    rows = tuple(
        BurdenRow(
            who.get(one.person, "erased"),
            names.get(one.home, one.home),
            one.contract,
            one.hours,
            one.peak_hours,
            one.peak_share,
            one.extra,
            one.away,
            one.peak_burdens,
        )
        for one in burdens(plan.roster, who)
    )
    note_on = burden_note(plan.roster)
    return {"burden": burden_words(plan.roster, who), "burden_note": note_on, "people": rows}


def _findings(plan: KeptPlan) -> tuple[str, ...]:
    """Return what must be known besides the constraints that cannot hold, told by themselves."""
    unheld = {one.sentence for one in plan.roster.unheld}
    return tuple(sentence for sentence in plan.remarks if sentence not in unheld)


def _no_plan(n_staff: int) -> str:
    if not n_staff:
        return "Nobody is on the staff list yet, so there is nothing to plan with."
    people = "1 person is" if n_staff == 1 else f"{n_staff} people are"
    return f"No plan has been reckoned yet; {people} on the staff list."


def _tried(asked: Asked) -> tuple[WhatIf | None, str]:
    row = newest_staff_plan(asked.records, kind=WHAT_IF)
    if row is None:
        return None, ""
    when = moment_words(asked.practice, row.made_at)
    return what_if_of(row.content), f"from forecast {row.issue_id}, {when}"


def _weeks(plan: KeptPlan, proposed: KeptPlan, worked: Worked) -> tuple[OddsWeek, ...]:
    return tuple(
        OddsWeek(
            week,
            week in worked.agreed,
            tuple(
                OddsCell(
                    one.branch,
                    one.overflow_odds,
                    odds(one.overflow_odds),
                    one.overflow_odds >= told_odds(),
                    proposed_odds(proposed, one),
                )
                for one in plan.waiting
                if one.week == week
            ),
        )
        for week in plan.weeks
    )


def _orders(plan: KeptPlan, names: Mapping[str, str]) -> tuple[OrderRow, ...]:
    every: list[StockOrder] = [order for one in plan.stock for order in one.orders]
    every.sort(key=lambda one: (one.order_by, one.branch, one.item))
    return tuple(
        OrderRow(
            names.get(one.branch, one.branch),
            one.item,
            one.order_by,
            one.arrives,
            one.packs,
            one.units,
            one.price,
            one.runs_out_odds,
            one.is_late,
        )
        for one in every
    )


PAGES = (Page(PATH, "staffing", Right.SEE_STAFFING, _staffing, has_data=True, menu="Staffing"),)
