"""One branch's desk: its load beside its capacity, role by role, and who works when."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta

from starlette.responses import Response

from forecast.accounts.roles import Right
from forecast.pages.figure_pages import FigureShown
from forecast.pages.page import Asked, NotFoundError, Page, PageError, View
from forecast.pages.staffing_figures import figures_of
from forecast.pages.staffing_shown import (
    PATH,
    asked_plan,
    own_branches,
    people_names,
    proposed_odds,
    shown_plan,
    standing_words,
    version_of,
    worked_shifts,
)
from forecast.regions import DAY_NAMES
from forecast.staffing.calendar import shifts_calendar
from forecast.staffing.desk_inputs import branch_hours
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.kept_plan import KeptPlan
from forecast.staffing.overflow import WaitingWeek
from forecast.staffing.roster import Shift
from forecast.staffing.slots import PhonePeople
from forecast.staffing.words import (
    branch_answer,
    likely_weeks,
    proposal_words,
    shift_words,
    told_odds,
)
from forecast.staffing.workbook import staffing_workbook
from forecast.staffing.worked import Worked
from forecast.wording import INVENTED, day, odds
from models.weeks import monday_of

_TYPES = {"svg": "image/svg+xml", "json": "application/json"}
_SAFE = re.compile(r"[\w-]+")
WORKBOOK_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@dataclass(frozen=True)
class WeekRow:
    """One week of the branch: hours of work by role beside the roster's, and the odds.

    `proposed` are the odds with the newest proposal, "" where they are the same in words.
    """

    week: date
    loads: tuple[str, ...]
    overflow: str
    is_likely: bool
    turned_away: float
    waiting: float
    proposed: str


@dataclass(frozen=True)
class DayRow:
    """One day of the roster; `people` are those of each role in the order of `ROLES`."""

    day: date
    weekday: str
    people: tuple[tuple[str, ...], ...]
    slots: int | None


@dataclass(frozen=True)
class StaffingBranchPage:
    """What the page of one branch says.

    `week` is the one whose roster is shown, `is_agreed` whether that is worked by; `beside` says
    what the newest proposal would change, "" where it stands itself; `changes` how that week's
    shifts would differ with it.
    """

    answer: str
    id: str
    name: str
    standing: str
    beside: str
    figures: tuple[FigureShown, ...]
    rows: tuple[WeekRow, ...]
    roles: tuple[str, ...]
    week: date
    is_agreed: bool
    weeks: tuple[date, ...]
    earlier: date | None
    later: date | None
    days: tuple[DayRow, ...]
    changes: tuple[str, ...]
    unheld: tuple[str, ...]
    notes: tuple[str, ...]
    phone: PhonePeople | None


def _branch(asked: Asked) -> View:
    row, proposed, branch = asked_plan(asked)
    name = own_branches(asked)[branch].name
    worked = worked_shifts(asked, row, proposed)
    plan = worked.in_plan(proposed)
    weeks = tuple(sorted({*plan.weeks, *worked.agreed}))
    week = _week(asked, plan, branch, weeks)
    at = weeks.index(week)
    people = people_names(asked.records)
    page = StaffingBranchPage(
        answer=branch_answer(plan, branch, name),
        id=branch,
        name=name,
        standing=standing_words(asked, row, proposed),
        beside=proposal_words(worked.at({branch}), proposed.of_branches({branch})),
        figures=figures_of(asked.practice, version_of(row), plan, branch, name),
        rows=tuple(_week_row(plan, one, proposed) for one in plan.waiting if one.branch == branch),
        roles=ROLES,
        week=week,
        is_agreed=week in worked.agreed,
        weeks=weeks,
        earlier=weeks[at - 1] if at else None,
        later=weeks[at + 1] if at + 1 < len(weeks) else None,
        days=_days(plan, branch, week, people),
        changes=_changes(worked.at({branch}), proposed.of_branches({branch}), week, people),
        unheld=tuple(one.sentence for one in plan.roster.unheld if one.branch == branch),
        notes=tuple(one.sentence for one in plan.notes if one.branch == branch),
        phone=next((p for p in plan.phone if (p.branch, p.week) == (branch, week)), None),
    )
    shifts = [_shift_row(one, people) for one in plan.shifts_at(branch)]
    load = [asdict(one) for one in plan.load if one.branch == branch]
    return View("staffing_branch.html", page, {"load": load, "shifts": shifts})


def _week(asked: Asked, plan: KeptPlan, branch: str, weeks: tuple[date, ...]) -> date:
    """Return the week whose roster is asked; unless one is, the likeliest to overflow."""
    text = asked.query.get("week", "")
    if not text:
        likely = likely_weeks(plan, branch)
        return max(likely, key=lambda one: one.overflow_odds).week if likely else plan.weeks[0]
    named = {one.isoformat(): one for one in weeks}
    if text not in named:
        raise PageError(
            f"the week {text!r} was asked for; the plan tells of those from {weeks[0]} to "
            f"{weeks[-1]}, by their Mondays"
        )
    return named[text]


def _week_row(plan: KeptPlan, one: WaitingWeek, proposed: KeptPlan) -> WeekRow:
    load = {(each.branch, each.week, each.role): each for each in plan.load}
    told = []
    for role in ROLES:
        each = load.get((one.branch, one.week, role))
        told.append(
            "not known"
            if each is None
            else f"{each.middle:.0f} of {each.capacity:.0f} h, {each.low:.0f} to {each.high:.0f}; "
            f"hold {each.hours_to_hold:.0f}"
        )
    return WeekRow(
        one.week,
        tuple(told),
        odds(one.overflow_odds),
        one.overflow_odds >= told_odds(),
        one.turned_away,
        one.waiting,
        proposed_odds(proposed, one),
    )


def _days(plan: KeptPlan, branch: str, week: date, people: Mapping[str, str]) -> tuple[DayRow, ...]:
    days = {week + timedelta(days=n) for n in range(7)}
    own = [one for one in plan.shifts_at(branch) if one.day in days]
    slots = {one.day: one.slots for one in plan.slots if one.branch == branch}
    return tuple(
        DayRow(
            on,
            DAY_NAMES[on.weekday()].capitalize(),
            tuple(
                tuple(shift_words(one, people) for one in own if (one.day, one.role) == (on, role))
                for role in ROLES
            ),
            slots.get(on),
        )
        for on in sorted({one.day for one in own} | (days & set(slots)))
    )


def _changes(
    worked: Worked, proposed: KeptPlan, week: date, people: Mapping[str, str]
) -> tuple[str, ...]:
    """Say how the newest proposal would change the shifts of a week, a sentence each."""
    added, dropped = worked.proposed_changes(proposed)
    told = [(one, "would work") for one in added] + [(one, "would not work") for one in dropped]
    of_week = [each for each in told if monday_of(each[0].day) == week]
    of_week.sort(key=lambda each: (each[0].day, each[0].role, each[1]))
    return tuple(
        f"{DAY_NAMES[one.day.weekday()].capitalize()} {day(one.day)}, {one.role}: "
        f"{shift_words(one, people)} {does}"
        for one, does in of_week
    )


def _shift_row(shift: Shift, people: Mapping[str, str]) -> dict[str, object]:
    return {
        "day": shift.day,
        "role": shift.role,
        "person": "" if shift.person is None else people.get(shift.person, "erased"),
        "is_locum": shift.person is None,
        "hours": shift.hours,
        "is_extra": shift.is_extra,
        "is_away": shift.is_away,
    }


# ------------------------------------------------------------------------------ files to take
def _workbook(asked: Asked) -> Response:
    found = shown_plan(asked)
    if found is None:
        raise NotFoundError("no plan of staff has been reckoned yet")
    row, plan = found
    worked = worked_shifts(asked, row, plan)
    invented = asked.practice.settings.practice.invented
    assert asked.account is not None
    shown = worked.in_plan(plan)
    beside = proposal_words(worked, plan)
    if not asked.account.may(Right.PLAN_STAFF):
        shown = replace(shown, roster=replace(shown.roster, burden=None))
    content = staffing_workbook(
        shown,
        names={one.id: one.name for one in own_branches(asked).values()},
        people=people_names(asked.records),
        notes=[*([INVENTED] if invented else []), *([beside] if beside else [])],
        agreed=worked.agreed,
    )
    return download(content, WORKBOOK_TYPE, f"staffing-{plan.first_week}.xlsx")


def _calendar(asked: Asked) -> Response:
    row, plan, branch = asked_plan(asked)
    person, own = asked.query.get("person", ""), own_branches(asked)
    people = people_names(asked.records)
    worked = worked_shifts(asked, row, plan)
    shifts, cancelled = worked.in_plan(plan).shifts_at(branch), worked.at({branch}).cancelled
    if person:
        shifts = tuple(one for one in worked.shifts if one.person == person)
        cancelled = tuple(one for one in worked.cancelled if one.shift.person == person)
        if person not in people or not (shifts or cancelled):
            raise NotFoundError("the roster has no shifts of that person")
    zones = {one.id: one.time_zone for one in asked.practice.settings.region}
    content = shifts_calendar(
        shifts,
        cancelled=cancelled,
        hours=branch_hours(asked.records, day=min(asked.practice.today, plan.first_week)),
        people=people,
        zone_of=lambda one: zones.get(own[one].region_id, "UTC"),
        changed_at=row.changed_at,
        agreed=worked.agreed,
        name=people.get(person) or own[branch].name,
    )
    return download(content, "text/calendar; charset=utf-8", f"shifts-{branch}.ics")


def download(content: bytes, media_type: str, name: str) -> Response:
    """Return a file that a browser saves, and keeps no copy of."""
    safe = re.sub(r"[^\w.-]", "_", name)
    headers = {
        "content-disposition": f'attachment; filename="{safe}"',
        "cache-control": "private, no-store",
    }
    return Response(content, media_type=media_type, headers=headers)


PAGES = (
    Page(
        f"{PATH}/branches/{{branch}}", "staffing-branch", Right.SEE_STAFFING, _branch, has_data=True
    ),
    Page(
        f"{PATH}/branches/{{branch}}/shifts/calendar",
        "staffing-calendar",
        Right.SEE_STAFFING,
        _calendar,
    ),
    Page(f"{PATH}/workbook", "staffing-workbook", Right.SEE_STAFFING, _workbook),
)
