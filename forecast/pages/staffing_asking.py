"""What is asked on the manager's page: a plan, a change to try; and agreeing to a roster."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.requests import ask_clock
from forecast.pages.staffing import staffing_page
from forecast.pages.staffing_shown import PATH, own_branches, shown_plan
from forecast.records.staff_plans import agree_staff_plan
from forecast.staffing.asked import KEEP_AGREED, change_asked, service_asked, weeks_asked
from forecast.staffing.desk_numbers import StaffingError

STAFF_JOB, TRY_JOB = "staff", "try staffing"  # names of the jobs of the clock
_NOT_TAKEN = 422


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
        page = staffing_page(asked, wrong=f"{text[:1].upper()}{text[1:]}.", typed=fields)
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
    Page(f"{PATH}/ask", "staffing-ask", Right.PLAN_STAFF, _ask, methods=("POST",)),
    Page(f"{PATH}/agree", "staffing-agree", Right.PLAN_STAFF, _agree, methods=("POST",)),
)
