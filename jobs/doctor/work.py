"""Checks of the work: the clock, its runs, the sources, what waits for a person."""

from __future__ import annotations

import fcntl
import os
from datetime import datetime, timedelta

from forecast.backup import newest_backup, overdue_days
from forecast.records import requests
from forecast.records.imports import HELD, imported_files
from forecast.records.issues import issues
from forecast.records.notices import Delivery, notices
from forecast.records.runs import JobRun, last_runs, running_runs
from jobs.clock_lock import running_clock
from jobs.doctor.check import Check
from jobs.doctor.look import Look
from jobs.ledger import FAILED
from jobs.opening import LOCK_FILE, SWEPT
from jobs.send import channels, troubled_deliveries
from jobs.sources.state import SourceState, source_states
from models.parameters import load_table


def clock(look: Look) -> list[Check]:
    """Look whether the clock runs."""
    running = running_clock(look.practice)
    if running is None:
        do = "start it: forepaw serve, as a service"
        return [Check("clock", "warn", "no clock runs on this folder, so nothing is done", do)]
    if running.process is None or running.since is None:
        return [Check("clock", "ok", "a clock runs")]
    since = _moment(look, running.since)
    sentence = f"it runs since {since}: process {running.process} on {running.machine}"
    return [Check("clock", "ok", sentence)]


def runs_that_ended_badly(look: Look) -> list[Check]:
    """Look which jobs failed or were killed the last time, and which were left as running."""
    found = [
        Check("runs", "warn", f"{_words(run, look)} {_ended(run)}",
              _what_to_do(run))
        for run in last_runs(look.records).values()
        if run.state in (FAILED, SWEPT)
    ]  # fmt: skip
    left = running_runs(look.records)
    if left and not _a_job_runs(look):
        found += [
            Check(
                "runs",
                "warn",
                f"{_words(run, look)} is under way, but no process of this folder is at work on "
                "it: it was killed, or it is another machine's",
                "the next start of a clock settles what was killed",
            )
            for run in left
        ]
    return found or [Check("runs", "ok", "the last run of every job ended well")]


def _words(run: JobRun, look: Look) -> str:
    return f"{run.job} of {_moment(look, run.started_at)}"


def _ended(run: JobRun) -> str:
    if run.state == SWEPT:
        return "was killed, and what it had not finished was swept away"
    return f"failed: {run.result or 'no reason was noted'}"


def _moment(look: Look, moment: datetime) -> str:
    return f"{moment.astimezone(look.practice.time_zone):%Y-%m-%d %H:%M %Z}"


def _what_to_do(run: JobRun) -> str:
    if run.started_by in ("clock", "request"):
        return f"the clock tries again; jobs/README.md says what {run.job} needs"
    return "run it again when its cause is mended"


def _a_job_runs(look: Look) -> bool:
    """Whether a process holds the mark of a running job; nothing is made."""
    try:
        handle = os.open(look.folder / LOCK_FILE, os.O_RDONLY)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


def requests_waiting(look: Look) -> list[Check]:
    """Look whether somebody waits for the clock."""
    patience = timedelta(
        minutes=load_table("jobs.doctor", "doctor.toml").number("requests.waiting")
    )
    waiting = requests.requests(look.records, states=(requests.WAITING,))
    late = [one for one in waiting if look.now - one.asked_at > patience]
    if not late:
        sentence = f"{len(waiting)} wait, none for long" if waiting else "none waits"
        return [Check("requests", "ok", sentence)]
    kinds = ", ".join(sorted({one.kind for one in late}))
    has_clock = running_clock(look.practice) is not None
    do = "the clock is busy; forepaw jobs shows with what" if has_clock else "start the clock"
    minutes = max(look.now - one.asked_at for one in late) // timedelta(minutes=1)
    sentence = f"{len(late)} wait for up to {minutes} min ({kinds})"
    return [Check("requests", "warn", sentence, do)]


# ------------------------------------------------------------------------------ data
def sources(look: Look) -> list[Check]:
    """Look how old each source in use is, against its own allowance."""
    practice = look.practice
    if not practice.settings.pull:
        return [Check("sources", "ok", "practice.toml names none under [[pull]]")]
    return [_source(one) for one in source_states(practice, look.records, look.climate)]


def _source(state: SourceState) -> Check:
    name, who = "sources", state.source.id
    do = "forepaw sources tells its last error"
    if state.last_run is None and not state.newest:
        return Check(name, "warn", f"{who} was never pulled", "forepaw pull, or start the clock")
    if state.age is None or state.is_stale is None:
        return Check(name, "warn", f"nothing came of {who}. {state.last_error}".strip(), do)
    sentence = f"{who} is {state.age} d old, {state.source.allowance_days:g} d are allowed"
    if state.is_stale:
        return Check(name, "warn", f"{sentence}. {state.last_error}".strip(), do)
    if state.without:
        missing = ", ".join(state.without)
        return Check(name, "warn", f"{sentence}; it has nothing of {missing}", do)
    return Check(name, "ok", sentence)


def imports_held(look: Look) -> list[Check]:
    """Look whether a file waits for a person's answer."""
    held = [one for one in imported_files(look.records) if one.state == HELD]
    if not held:
        return [Check("imports", "ok", "none waits for an answer")]
    numbers = ", ".join(str(one.id) for one in held)
    return [
        Check("imports", "warn", f"held, as they differ from the practice's past: {numbers}",
              "forepaw import list, then accept or undo each")
    ]  # fmt: skip


def newest_forecast(look: Look) -> list[Check]:
    """Look how old the newest issue is."""
    made = [row.issued_at for row in issues(look.records)]
    if not made:
        return [Check("forecast", "warn", "none was issued yet", "forepaw issue")]
    age = (look.now - max(made)) / timedelta(days=1)
    sentence = f"the newest was issued {age:.1f} d ago"
    if age > load_table("jobs.doctor", "doctor.toml").number("forecast.age"):
        return [Check("forecast", "warn", sentence, "start the clock, or forepaw issue")]
    return [Check("forecast", "ok", sentence)]


def newest_back_up(look: Look) -> list[Check]:
    """Look how old the newest back-up in the place of back-ups is."""
    made = newest_backup(look.practice)
    if made is None:
        sentence = "there is none in the folder of back-ups"
        return [Check("back-up", "warn", sentence, "forepaw backup, or start the clock")]
    age = (look.now - made) / timedelta(days=1)
    sentence = f"the newest is {age:.1f} d old, {overdue_days()} d are allowed"
    if age > overdue_days():
        return [Check("back-up", "warn", sentence, "forepaw backup; look why the clock makes none")]
    return [Check("back-up", "ok", sentence)]


# ------------------------------------------------------------------------------ people
def notices_open(look: Look) -> list[Check]:
    """Look which troubles go on."""
    found = [
        Check(
            "notices",
            "warn",
            f"{one.about}, since {_moment(look, one.since)}: {one.sentence}",
            "jobs/README.md says what each job needs",
        )
        for one in notices(look.records, open_only=True)
    ]
    return found or [Check("notices", "ok", "no trouble goes on")]


def deliveries_that_failed(look: Look) -> list[Check]:
    """Look whether notices reach a person."""
    ways = channels(look.practice)
    if not ways:
        sentence = "no way out is set: trouble is shown here and by forepaw jobs alone"
        do = "to be told, set [notices.mail] or [notices.webhook] in practice.toml"
        return [Check("delivery", "ok", sentence, do)]
    troubled = troubled_deliveries(look.practice, look.records)
    newest = {one.channel: one for one in reversed(troubled)}
    return [_delivery(way, newest.get(way)) for way in ways]


def _delivery(way: str, last: Delivery | None) -> Check:
    if last is None:
        return Check("delivery", "ok", f"by {way}: nothing is known to be lost")
    sentence = f"by {way}, the last attempt is {last.state}: {last.error or 'it is under way'}"
    do = "mend what it names; what surely failed is sent again by itself"
    return Check("delivery", "warn", sentence, do)
