"""Notices: what goes wrong with jobs and sources, raised from the ledger and worded for a person.

No sentence here names an owner or a dog: results of runs hold no names.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, cast

from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.notices import (
    Notice,
    TellingRules,
    ToTell,
    end_notice,
    notices,
    raise_notice,
)
from forecast.records.requests import PLAN_DOG
from forecast.records.runs import JobRun, last_runs
from jobs.channels import Message
from jobs.ledger import BY_HAND, DONE, FAILED
from jobs.opening import COMPLETED, PULL_PREFIX, SWEPT
from jobs.sources.source import sources
from models.parameters import load_table

_ENDED = (DONE, COMPLETED, FAILED, SWEPT)
_WELL = (DONE, COMPLETED)
_IMPORT = "import "
_ASKED_ON_PAGES = ("accept import", "undo import", PLAN_DOG)


def telling_rules() -> TellingRules:
    """Return when news go out, from the table."""
    table = load_table("jobs", "notices.toml")
    waits = cast("list[float]", table["delivery.waits"].value)
    return TellingRules(
        waits=tuple(timedelta(minutes=wait) for wait in waits),
        lasting=timedelta(minutes=table.number("trouble.lasting")),
        settled_after=timedelta(minutes=table.number("trouble.settled")),
        forgotten_after=timedelta(days=table.number("trouble.forgotten")),
        dead_after=timedelta(minutes=table.number("delivery.dead")),
    )


# ------------------------------------------------------------------------------ raising
def raise_for(records: Records, about: str, sentence: str, *, now: datetime) -> bool:
    """Write down that a job or source fails; say whether that is new."""
    rules = telling_rules()
    return raise_notice(records, about, sentence, now=now, same_within=rules.settled_after)


def end_for(records: Records, about: str, *, now: datetime) -> bool:
    """Write down that a job or source works again; say whether it had failed."""
    return end_notice(records, about, now=now)


def follow_runs(records: Records, *, now: datetime) -> list[str]:
    """Raise a notice for each job whose last run failed, end it where that run did well.

    Call it after runs have ended. Of a run that a hand started only the success counts: whoever
    started it has seen the failure. Jobs that changed are returned.
    """
    going_on = {notice.about for notice in notices(records, open_only=True)}
    last = last_runs(records, states=_ENDED)
    changed = []
    for job, run in last.items():
        if run.state in _WELL:
            if job in going_on and end_for(records, job, now=now):
                changed.append(job)
        elif run.started_by == BY_HAND or _is_told_by_its_sources(run, last):
            continue
        elif job.startswith(_IMPORT) or job in _ASKED_ON_PAGES:
            continue  # the job that takes in dropped files tells of it; whoever asked is told
        elif raise_for(records, job, run.result or "it was stopped", now=now):
            changed.append(job)
    return changed


def _is_told_by_its_sources(run: JobRun, last: Mapping[str, JobRun]) -> bool:
    """Whether a job that pulls several sources failed because of some that are told themselves."""
    if not run.job.startswith(PULL_PREFIX) or run.job.removeprefix(PULL_PREFIX) in sources():
        return False
    own = [last[name] for source in sources() if (name := PULL_PREFIX + source) in last]
    return any(one.state == FAILED and one.started_at >= run.started_at for one in own)


# ------------------------------------------------------------------------------ wording
def worded(practice: Practice, told: Sequence[ToTell]) -> Message:
    """Return one message with all news, in the practice's local time."""
    text = "\n\n".join(_paragraph(practice, one) for one in told)
    text += (
        "\n\nforepaw doctor tells how everything stands and what to do; each trouble is told "
        "once, and once more when it is over.\n"
    )
    identity = "\n".join(f"{one.notice.id} {one.news}" for one in told)
    return Message(
        id=hashlib.sha256(identity.encode()).hexdigest()[:32],
        subject=" ".join(f"{practice.settings.practice.name}: {_headline(told)}".split()),
        text=text,
        facts=[_facts(one) for one in told],
        written_at=practice.now,
    )


def _headline(told: Sequence[ToTell]) -> str:
    if len(told) == 1:
        return f"{told[0].notice.about} {_verb(told[0])}"
    going_on = sum(one.notice.over_at is None for one in told)
    return f"{going_on} troubles that go on, {len(told) - going_on} that are over"


def _verb(one: ToTell) -> str:
    if one.is_whole:
        return "wanted attention and is in order again"
    return "wants attention" if one.news == "began" else "is in order again"


def _paragraph(practice: Practice, one: ToTell) -> str:
    notice = one.notice
    since = f"since {_moment(practice, notice.since)}"
    if notice.over_at is not None:
        since += f", over since {_moment(practice, notice.over_at)}"
    return f"{notice.about} {_verb(one)} ({since}).\n{notice.sentence}"


def _moment(practice: Practice, moment: datetime) -> str:
    return f"{moment.astimezone(practice.time_zone):%Y-%m-%d %H:%M %Z}"


def _facts(one: ToTell) -> dict[str, Any]:
    notice: Notice = one.notice
    return {
        "id": notice.id,
        "about": notice.about,
        "news": one.news,
        "sentence": notice.sentence,
        "since": notice.since.isoformat(),
        "over_at": None if notice.over_at is None else notice.over_at.isoformat(),
    }
