"""What `forepaw clock`, `forepaw jobs` and `forepaw run` print."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from textwrap import shorten
from zoneinfo import ZoneInfo

from rich.text import Text

from forecast.practice import Practice
from forecast.records import requests
from forecast.records.engine import Records
from forecast.records.notices import notices
from forecast.records.runs import RUNNING, JobRun, last_runs
from jobs.by_hand import RanByHand
from jobs.clock import known_runs, whats_due
from jobs.clock_lock import running_clock
from jobs.console import console, heading, new_table, paragraph, print_table, progress
from jobs.registry import jobs_of, timetable
from jobs.schedule import SUCCEEDED, Due, Timetable, next_moment, next_try, waits, waits_for

_SHOWN, _LONGEST = 5, 72  # requests or troubles; letters of what a run said
_MINUTE, _HOUR = 60, 3600  # s


def show_clock_begins(practice: Practice) -> None:
    """Say on standard error that the clock runs, and for whom."""
    progress.print(
        f"The clock of {practice.settings.practice.name} runs; its times are those of "
        f"{practice.time_zone.key}. `forepaw jobs` shows what ran and what is due.",
        markup=False,
    )


def show_ran(ran: RanByHand) -> None:
    """Print what came of a job run by hand."""
    console.print(f"{ran.job}: {ran.state}" + (f". {ran.sentence}" if ran.sentence else ""),
                  markup=False)  # fmt: skip


def show_jobs(practice: Practice, records: Records) -> None:
    """Print each job's last run and what is due, requests that wait, troubles that go on."""
    clock = running_clock(practice)
    zone = practice.time_zone
    if clock is None:
        paragraph("No clock runs: start it with `forepaw clock`, or as a service.")
    elif clock.since is not None:
        paragraph(f"The clock runs since {_moment(clock.since, practice)}.")
    else:
        paragraph("The clock runs.")
    heading(f"Jobs (times of {zone.key})")
    due = {one.job: one for one in reversed(whats_due(practice, records))}
    known = known_runs(practice, records)
    last = last_runs(records)
    table = new_table("job", "last run", "ended", "next")
    times = timetable(practice, jobs_of(practice))
    for job, when in zip(jobs_of(practice), times, strict=True):
        run = last.get(job.name)
        table.add_row(
            job.name,
            "never" if run is None else _moment(run.started_at, practice),
            Text("") if run is None else _ended(run),
            _next(when, due.get(job.name), times, known, practice),
        )
    table.columns[0].no_wrap = table.columns[1].no_wrap = True
    print_table(table)
    _show_requests(practice, records)
    _show_troubles(practice, records)


def _ended(run: JobRun) -> Text:
    """Say how a run ended, and in a second line what it said."""
    if run.state == RUNNING:
        share = "" if run.progress is None else f", {100 * run.progress:.0f} %"
        return Text(f"runs now{share}")
    words = f"{run.state}, {_took(run.seconds or 0.0)}"
    style = "" if run.state in SUCCEEDED else "bold"
    said = shorten(run.result or "", _LONGEST, placeholder=" ...")
    return Text.assemble((words, style), *([("\n" + said, "dim")] if said else []))


def _took(seconds: float) -> str:
    if seconds < _MINUTE:
        return f"{seconds:.0f} s"
    if seconds < _HOUR:
        return f"{seconds / _MINUTE:.0f} min"
    return f"{seconds / _HOUR:.1f} h"


def _next(
    when: Timetable,
    due: Due | None,
    times: Sequence[Timetable],
    known: Sequence[JobRun],
    practice: Practice,
) -> Text:
    now, zone = practice.now, practice.time_zone
    if due is not None:
        return Text.assemble(("now", "bold"), f"\n{due.why}")
    own = [run for run in known if run.job == when.job]
    again = next_try(when, own, now=now, zone=zone, waits=waits())
    if again is not None:
        return Text(f"{_moment(again, practice)}\nagain, as it failed")
    waiting = waits_for(when.job, times, known, now=now, zone=zone, waits=waits())
    if waiting is not None:
        names, until = waiting
        return Text(f"after {', '.join(names)},\nby {_moment(until, practice)} without")
    coming = next_moment(when, now=now, zone=zone)
    if coming is None:
        return Text("when there is\nsomething to do")
    return Text(_moment(coming[1], practice))


def _show_requests(practice: Practice, records: Records) -> None:
    found = requests.requests(records, states=(requests.WAITING, requests.CLAIMED))
    if not found:
        return
    heading("Asked for, and not done yet")
    for asked in found[:_SHOWN]:
        share = "" if asked.progress is None else f", {100 * asked.progress:.0f} %"
        paragraph(f"{asked.kind}: {asked.state} since {_moment(asked.asked_at, practice)}{share}")
    if len(found) > _SHOWN:
        paragraph(f"... and {len(found) - _SHOWN} more")


def _show_troubles(practice: Practice, records: Records) -> None:
    found = notices(records, open_only=True)
    if not found:
        return
    heading("Troubles that go on")
    for notice in found[:_SHOWN]:
        paragraph(f"{notice.about}, since {_moment(notice.since, practice)}: {notice.sentence}")
    if len(found) > _SHOWN:
        paragraph(f"... and {len(found) - _SHOWN} more; `forepaw doctor` shows all")


def _moment(moment: datetime, practice: Practice) -> str:
    zone: ZoneInfo = practice.time_zone
    local, now = moment.astimezone(zone), practice.now.astimezone(zone)
    same_year = local.year == now.year
    return f"{local:%a %d %b %H:%M}" if same_year else f"{local:%Y-%m-%d %H:%M}"
