"""The desk's jobs of the clock: a plan of staff, and what a change would do."""

from __future__ import annotations

from forecast.outcomes import Outcome
from forecast.records.staff_plans import newest_staff_plan
from forecast.staffing.asked import KEEP_AGREED, service_asked, usual_service, weeks_asked
from forecast.staffing.words import overflow_answer, proposal_words
from jobs.asking import CHANGE, SERVICE, WEEKS, keeping_outcome
from jobs.job import Task, UnknownJobError
from jobs.staff import AskedOfStaff, staff, try_staffing, write_staffing

_REMARKS = 5  # that are told beside the answer; all stand on the page


def staff_job(task: Task) -> None:
    """Plan staff from the newest issue and write workbook and calendars."""

    def do() -> Outcome:
        practice = task.practice
        asked = _asked_of_staff(task)
        done = staff(practice, task.records, asked=asked, today=practice.today, say=task.say)
        write_staffing(practice, done)
        names = {one.id: one.name for one in done.desk.branches.values()}
        shown = done.worked.in_plan(done.plan)
        beside = proposal_words(done.worked, done.plan)
        remarks = [*([beside] if beside else []), *shown.remarks][:_REMARKS]
        return Outcome(overflow_answer(shown, names), None, remarks)

    keeping_outcome(task, do)


def try_staffing_job(task: Task) -> None:
    """Reckon what a change would do and keep the answer for the page."""
    fields = task.arguments.get(CHANGE)
    if not isinstance(fields, dict):
        raise UnknownJobError(f"a request must say which change; it says {fields!r}")
    told = {str(name): str(value) for name, value in fields.items()}

    def do() -> Outcome:
        tried = try_staffing(
            task.practice,
            task.records,
            asked=_asked_of_staff(task),
            fields=told,
            today=task.practice.today,
            say=task.say,
        )
        return Outcome(f"tried: {tried.sentence}", None, [])

    keeping_outcome(task, do)


def _asked_of_staff(task: Task) -> AskedOfStaff:
    """Return what was asked; of a job that is due what the newest plan was asked for."""
    told = task.arguments
    if not told and (newest := newest_staff_plan(task.records)) is not None:
        told = newest.asked
    weeks, service = told.get(WEEKS, ""), told.get(SERVICE, usual_service())
    return AskedOfStaff(
        weeks_asked(str(weeks)),
        service_asked("" if service is None else str(service)),
        keep_agreed=bool(told.get(KEEP_AGREED, False)),
    )
