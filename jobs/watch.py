"""Watch: what the doctor finds while nobody looks is raised as notices, and so told."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import last_runs
from jobs.notices import end_for, raise_for
from models.parameters import load_table

JOB = "watch"
# What no failing job would tell; the rest of the doctor's checks is told by the runs themselves.
WATCHED = (
    "packages",
    "machine's clock",
    "disk",
    "disk space",
    "permissions",
    "secrets",
    "records",
    "climate store",
    "sources",
    "imports",
    "forecast",
    "back-up",
)
_TROUBLE = ("warn", "fail")


def watch_is_due(practice: Practice, records: Records) -> bool:
    """Whether the last look is long enough ago."""
    last = last_runs(records).get(JOB)
    every = timedelta(hours=load_table("jobs", "notices.toml").number("watch.every"))
    return last is None or practice.now - last.started_at >= every


def watch(practice: Practice, records: Records, *, now: datetime) -> list[str]:
    """Look, raise a notice for each thing that is not in order, end those that are again.

    What is not known changes nothing. The names of what is not in order are returned.
    """
    from jobs.doctor.examining import EXAMINATIONS, examine

    watched = [one for one in EXAMINATIONS if one[0] in WATCHED]
    checks = examine(practice.folder, now=now, examinations=watched)
    troubled = []
    for name in WATCHED:
        found = [check for check in checks if check.name == name]
        bad = [check for check in found if check.state in _TROUBLE]
        if bad:
            told = [_and_what_to_do(check.sentence, check.what_to_do) for check in bad]
            raise_for(records, name, "\n".join(dict.fromkeys(told)), now=now)
            troubled.append(name)
        elif found and all(check.state == "ok" for check in found):
            end_for(records, name, now=now)
    return troubled


def _and_what_to_do(sentence: str, what_to_do: str) -> str:
    return f"{sentence} ({what_to_do})" if what_to_do else sentence


def sentence_of(troubled: Sequence[str]) -> str:
    """Return what the ledger notes of a look."""
    return "wants attention: " + ", ".join(troubled) if troubled else "all was in order"
