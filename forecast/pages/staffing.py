"""The manager's desk: which weeks overflow where, what it costs, what to order, what if."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.pages.figure_pages import FigureShown
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, Row, View
from forecast.pages.requests import RequestsPage, ask_clock, moment_words, show_requests
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
    agree_staff_plan,
    newest_staff_plan,
)
from forecast.staffing.asked import (
    KEEP_AGREED,
    change_asked,
    service_asked,
    usual_service,
    weeks_asked,
)
from forecast.staffing.burdens import burden_note, burden_words, burdens
from forecast.staffing.desk_numbers import ROLES, StaffingError
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

STAFF_JOB, TRY_JOB = "staff", "try staffing"  # names of the jobs of the clock
_NOT_TAKEN = 422


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
    plan_id: str
    standing: str
    beside: str
    n_agreed: int
    is_agreed: bool
    is_behind: bool
    n_staff: int
    figures: tuple[FigureShown, ...]
    branches: tuple[BranchChoice, ...]
    weeks_shown: tuple[OddsWeek, ...]
    orders: tuple[OrderRow, ...]
    currency: str
    costs: tuple[CostLine, ...]
    differences: tuple[CostDifference, ...]
    last_year: str
    n_prices_of_house: int
    burden: str
    burden_note: str
    people: tuple[BurdenRow, ...]
    findings: tuple[str, ...]
    unheld: tuple[str, ...]
    roster: str
    told: tuple[Told, ...]
    tried: WhatIf | None
    tried_words: str
    tried_currency: str
    asked: RequestsPage | None
    service: float
    weeks: int
    keep_agreed: bool
    today: date
    roles: tuple[str, ...]
    may_plan: bool
    may_agree: bool
    most_orders: int = 12
    wrong: str = ""
    typed: Mapping[str, str] | None = None


def _staffing(asked: Asked) -> View:
    page = _page(asked)
    tables: dict[str, Sequence[Row]] = {
        "weeks": [
            {"week": one.week, "branch": cell.branch, "overflow_odds": cell.odds}
            for one in page.weeks_shown
            for cell in one.cells
        ],
        "orders": [asdict(one) for one in page.orders],
        "costs": [asdict(one) for one in page.costs],
        "people": [asdict(one) for one in page.people],
        "rests_on": [asdict(one) for one in page.told],
    }
    return View("staffing.html", page, tables)


def _page(asked: Asked, *, wrong: str = "", typed: Mapping[str, str] | None = None) -> StaffingPage:
    assert asked.account is not None
    account, own = asked.account, own_branches(asked)
    names = {one.id: one.name for one in own.values()}
    n_staff = len(staff_on_record(asked.records, day=asked.practice.today))
    found = shown_plan(asked)
    row, proposed = found if found is not None else (None, None)
    worked = None if row is None or proposed is None else worked_shifts(asked, row, proposed)
    plan = None if worked is None or proposed is None else worked.in_plan(proposed)
    newest = newest_issue(asked.records)
    tried, tried_words = _tried(asked)
    sees_all = not account.branches
    may_plan = account.may(Right.PLAN_STAFF)
    return StaffingPage(
        answer=_no_plan(n_staff) if plan is None else overflow_answer(plan, names),
        plan_id="" if row is None else row.id,
        standing="" if row is None or proposed is None else standing_words(asked, row, proposed),
        beside="" if worked is None or proposed is None else proposal_words(worked, proposed),
        n_agreed=0
        if worked is None or plan is None
        else sum(week in worked.agreed for week in plan.weeks),
        is_agreed=row is not None and row.agreed_at is not None,
        is_behind=plan is not None and newest is not None and newest.id != plan.issue_id,
        n_staff=n_staff,
        figures=()
        if row is None or plan is None
        else figure_of_worst(asked.practice, version_of(row), plan, names),
        branches=tuple(
            BranchChoice(one, name, 0 if plan is None else len(likely_weeks(plan, one)))
            for one, name in names.items()
        ),
        weeks_shown=()
        if worked is None or plan is None or proposed is None
        else _weeks(plan, proposed, worked),
        orders=() if plan is None else _orders(plan, names),
        currency="" if plan is None else currency_words(plan.money.currency),
        costs=() if plan is None else plan.money.lines,
        differences=() if plan is None else plan.money.differences,
        last_year=""
        if plan is None
        else " ".join(notes_on(one.roster for one in plan.money.lines)),
        n_prices_of_house=0 if plan is None else len(plan.money.prices_from_table),
        **_burdens(asked, plan, names),
        findings=() if plan is None else _findings(plan),
        unheld=() if plan is None else tuple(one.sentence for one in plan.roster.unheld),
        roster=""
        if plan is None or plan.roster.solution is None
        else plan.roster.solution.sentence,
        keep_agreed=bool(row is not None and row.asked.get("keep_agreed")),
        told=() if plan is None else plan.told,
        tried=tried if sees_all else None,
        tried_words=tried_words if sees_all else "",
        tried_currency="" if tried is None else currency_words(tried.currency),
        asked=show_requests(asked) if account.may(Right.SEE_DATA) and may_plan else None,
        service=usual_service() if plan is None or plan.service is None else plan.service,
        weeks=weeks_asked("") if plan is None else plan.n_weeks,
        today=asked.practice.local_date,
        roles=ROLES,
        may_plan=may_plan,
        may_agree=may_plan and sees_all,
        wrong=wrong,
        typed=typed,
    )


def _burdens(asked: Asked, plan: KeptPlan | None, names: Mapping[str, str]) -> dict[str, Any]:
    """Return how the load lies on people, for who plans and sees all of their shifts."""
    assert asked.account is not None
    if plan is None or not plan.sees_people or not asked.account.may(Right.PLAN_STAFF):
        return {"burden": "", "burden_note": "", "people": ()}
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


# ------------------------------------------------------------------------------ what is asked
def _ask(asked: Asked) -> GoTo | View:
    """Ask the clock for a plan, or for what a change would do."""
    fields = {name: asked.text(name) for name in asked.form}
    try:
        weeks = weeks_asked(fields.get("weeks", ""))
        service = service_asked(fields.get("service", ""))
        if fields.get("what", "plan") == "plan":
            wanted: dict[str, Any] = {"weeks": weeks, "service": service}
            if fields.get(KEEP_AGREED):
                wanted[KEEP_AGREED] = True
            ask_clock(asked, STAFF_JOB, wanted)
            return GoTo(f"{PATH}#requests", "Asked for a plan; it is shown below how it goes on.")
        known = own_branches(asked)
        change_asked(fields, branches=known, today=asked.practice.local_date)
    except StaffingError as refused:
        text = str(refused)
        page = _page(asked, wrong=f"{text[:1].upper()}{text[1:]}.", typed=fields)
        return View("staffing.html", page, status=_NOT_TAKEN)
    change = {name: value for name, value in fields.items() if name in _OF_CHANGE and value}
    ask_clock(asked, TRY_JOB, {"weeks": weeks, "service": service, "change": change})
    return GoTo(f"{PATH}#requests", "Asked to try it; it is shown below how it goes on.")


_OF_CHANGE = (
    *("what", "branch", "hours_more", "role", "hours", "first", "last", "instead"),
    *("per_cent", "weeks_earlier"),
)


def _agree(asked: Asked) -> GoTo:
    assert asked.account is not None
    if asked.account.branches:
        raise PageError(
            "the roster is of all branches, so it is agreed by somebody who sees all of them"
        )
    found = shown_plan(asked)
    if found is None or found[0].id != asked.text("plan"):
        raise NotFoundError("another plan has come since; look at it before you agree")
    now, by, plan_id = asked.practice.now, asked.account.id, found[0].id

    def noted(connection: Connection) -> None:
        note(connection, Action.ROSTER_AGREED, by=by, subject=plan_id, now=now)

    agree_staff_plan(asked.records, plan_id, by=by, at=now, also=noted)
    return GoTo(PATH, "The roster is agreed: calendars show its shifts as confirmed.")


PAGES = (
    Page(PATH, "staffing", Right.SEE_STAFFING, _staffing, has_data=True, menu="Staffing"),
    Page(f"{PATH}/ask", "staffing-ask", Right.PLAN_STAFF, _ask, methods=("POST",)),
    Page(f"{PATH}/agree", "staffing-agree", Right.PLAN_STAFF, _agree, methods=("POST",)),
)
