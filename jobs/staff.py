"""Staff: load, roster and stock of the weeks ahead from an issue; or what a change would do."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from forecast.issuing import Issue, latest_issue
from forecast.outbox import STAFF
from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records.engine import Records
from forecast.records.staff_plans import PLAN, WHAT_IF, StaffPlanRow, add_staff_plan, staff_plan
from forecast.records.worked_shifts import worked_shifts
from forecast.staffing.asked import change_asked
from forecast.staffing.calendar import shifts_calendar
from forecast.staffing.desk_inputs import Desk, desk_inputs
from forecast.staffing.desk_numbers import StaffingError
from forecast.staffing.desk_table import limits
from forecast.staffing.kept_plan import KeptPlan, as_text, kept_part, newest_plan
from forecast.staffing.last_year import a_year_before
from forecast.staffing.patterns import learn_patterns, seen_visits
from forecast.staffing.planning import StaffingPlan, plan_staff, weeks_ahead
from forecast.staffing.told_before import no_longer
from forecast.staffing.visit_lengths import learned_minutes, with_learned
from forecast.staffing.what_if import Change, WhatIf, try_change
from forecast.staffing.words import proposal_words
from forecast.staffing.workbook import staffing_workbook
from forecast.staffing.worked import Worked, agreed_shifts, worked_by
from forecast.wording import INVENTED
from jobs.ledger import recorded_run

_PRIVATE_FOLDER = 0o700


@dataclass(frozen=True)
class AskedOfStaff:
    """What is asked of the reckoning: how many weeks, which service level, what of agreed weeks.

    Without a level the practice's own costs decide. With `keep_agreed` agreed weeks stand as they
    are, and the rest is planned.
    """

    weeks: int
    service: float | None
    keep_agreed: bool = False


@dataclass(frozen=True)
class Staffed:
    """A plan that was kept, the row it stands in, what the desk said, and the shifts worked by."""

    row: StaffPlanRow
    plan: KeptPlan
    desk: Desk
    worked: Worked


def staff(
    practice: Practice,
    records: Records,
    *,
    asked: AskedOfStaff,
    today: date,
    say: Callable[[str], None],
) -> Staffed:
    """Plan staff and stock from the newest issue, and keep the plan."""
    with recorded_run(practice, records, "staff", local_date=today, cut=None) as result:
        made = latest_issue(practice, records, as_of=today)
        desk, plan = _reckoned(practice, records, made, asked=asked, today=today, say=say)
        kept = _with_gone(records, kept_part(plan), today=today)
        row = _keep(practice, records, made, PLAN, vars(asked), as_text(kept))
        result.rows = len(kept.roster.shifts)
        result.sentence = f"{result.rows} shifts of {asked.weeks} weeks from issue {made.id}"
    return Staffed(row, kept, desk, worked_by(records, row, kept, today=today))


def _with_gone(records: Records, kept: KeptPlan, *, today: date) -> KeptPlan:
    """Return a plan with the shifts that calendars have told by now and that go with it."""
    before = newest_plan(records)
    if before is None:
        return kept
    told = worked_by(records, *before, today=today).told
    stands = worked_by(records, None, kept, today=today).shifts
    return replace(kept, gone=no_longer(told, stands, today=today))


def try_staffing(
    practice: Practice,
    records: Records,
    *,
    asked: AskedOfStaff,
    fields: Mapping[str, str],
    today: date,
    say: Callable[[str], None],
) -> WhatIf:
    """Say what a change would do, on the draws of the newest issue, and keep the answer."""
    with recorded_run(practice, records, "try staffing", local_date=today, cut=None) as result:
        made = latest_issue(practice, records, as_of=today)
        desk, plan = _reckoned(practice, records, made, asked=asked, today=today, say=say)
        change: Change = change_asked(fields, branches=desk.branches, today=today)
        say("planning the roster with the change")
        with threadpool_limits(1):
            tried = try_change(plan, desk.inputs, change)
        what = {**vars(asked), "change": dict(fields)}
        _keep(practice, records, made, WHAT_IF, what, as_text(tried))
        result.sentence = f"{fields.get('what', '')}, from issue {made.id}"
    return tried


def _reckoned(
    practice: Practice,
    records: Records,
    made: Issue,
    *,
    asked: AskedOfStaff,
    today: date,
    say: Callable[[str], None],
) -> tuple[Desk, StaffingPlan]:
    weeks = weeks_ahead(today, asked.weeks)
    first = weeks[0]
    desk = desk_inputs(practice, records, first_day=first, weeks=asked.weeks)
    if not desk.inputs.staff:
        raise StaffingError(
            "a plan of staff was asked and nobody is on the staff list; enter them on the page "
            "Staffing, or bring them in with `forepaw import staff`"
        )
    say("learning who is seen when")
    seen = seen_visits(practice, records, today=made.cut.origin)
    learned = learned_minutes(seen, today=made.cut.origin)
    desk = replace(desk, inputs=with_learned(desk.inputs, learned))
    patterns = learn_patterns(
        seen,
        desk.inputs.hours,
        regions=made.forecast["region"].values.tolist(),
        today=made.cut.origin,
    )
    began, ended = a_year_before(weeks)
    say(f"planning the roster of {asked.weeks} weeks")
    with threadpool_limits(1):
        plan = plan_staff(
            made.forecast,
            patterns,
            desk.inputs,
            issue_id=made.id,
            today=today,
            n_weeks=asked.weeks,
            service=asked.service,
            seed=(made.seed,),
            agreed=agreed_shifts(records, today=today)[0],
            keep_agreed=asked.keep_agreed,
            worked=worked_shifts(records, first=began, last=ended),
        )
    return desk, plan


def _keep(
    practice: Practice,
    records: Records,
    made: Issue,
    kind: str,
    asked: Mapping[str, Any],
    content: str,
) -> StaffPlanRow:
    plan_id = add_staff_plan(
        records,
        issue_id=made.id,
        made_at=practice.now,
        kind=kind,
        asked=asked,
        content=content,
        newest=int(limits().number("kept.plans")),
    )
    return staff_plan(records, plan_id)


def write_staffing(practice: Practice, staffed: Staffed) -> list[Path]:
    """Write the plan's workbook and a calendar a branch beside the issue's files.

    They hold names, so only their owner reads them, and an erasure of one of the staff deletes
    them.
    """
    plan, desk = staffed.plan, staffed.desk
    folder = practice.outbox_folder / plan.issue_id / STAFF
    folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
    names = {one.id: one.name for one in desk.branches.values()}
    worked, zones = staffed.worked, {one.id: one.time_zone for one in practice.settings.region}
    notes = [INVENTED] if practice.settings.practice.invented else []
    notes += [one for one in [proposal_words(worked, plan)] if one]
    shown = worked.in_plan(plan)
    book = staffing_workbook(
        shown, names=names, people=desk.names, notes=notes, agreed=worked.agreed
    )
    written = {folder / "staffing.xlsx": book}
    for number, branch in enumerate(plan.branches, start=1):
        written[folder / f"shifts-{number}.ics"] = shifts_calendar(
            shown.shifts_at(branch),
            cancelled=worked.at({branch}).cancelled,
            hours=desk.inputs.hours,
            people=desk.names,
            zone_of=lambda one: zones.get(desk.branches[one].region_id, "UTC"),
            changed_at=staffed.row.changed_at,
            agreed=worked.agreed,
            name=names.get(branch, branch),
        )
    for path, content in written.items():
        write_private(path, content)
    return list(written)
