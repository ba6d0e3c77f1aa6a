"""What people ask of the clock: buttons that insert a request, and how each request goes on.

A page only writes down what is asked; the clock alone claims and does it. What came of it is shown
in full to whoever may bring data, as it may quote a file; to others the sentence without names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.outcomes import outcome_of
from forecast.pages.page import Asked, GoTo, Page, PageError, View
from forecast.practice import Practice
from forecast.records import requests as records_of_requests
from forecast.records.requests import CLAIMED, DONE, PLAN_DOG, WAITING, WorkRequest

_SHOWN, _ALL_SHOWN = 8, 200
_STATES = {
    "waiting": "waits for the clock",
    "claimed": "under way",
    "done": "done",
    "failed": "failed",
    "refused": "refused",
}
_BACK = ("/data", "/requests", "/")  # where a form may lead back to


@dataclass(frozen=True)
class RequestRow:
    """One request.

    Attributes
    ----------
    what
        What was asked, in words.
    state, state_words
        waiting, claimed, done, failed or refused; and as a person says it.
    per_cent
        How much is done, None where that is not known.
    by
        Whoever asked: you, somebody else, or the command line.
    sentence, remarks
        What came of it; empty until it has ended.
    leads_to
        The page that tells more, "" where there is none.
    """

    id: str
    kind: str
    what: str
    state: str
    state_words: str
    per_cent: int | None
    by: str
    asked_at: datetime
    asked: str
    ended: str
    sentence: str
    remarks: tuple[str, ...]
    leads_to: str

    @property
    def is_open(self) -> bool:
        """Whether it has not ended."""
        return self.state in (WAITING, CLAIMED)


@dataclass(frozen=True)
class RequestsPage:
    """The requests, newest first.

    `is_going` says whether one has not ended; `clock_runs` whether anything takes them up, None
    where that is not known; `most` how many rows are shown.
    """

    answer: str
    rows: tuple[RequestRow, ...]
    n_older: int
    is_going: bool
    clock_runs: bool | None
    most: int


def moment_words(practice: Practice, moment: datetime | None) -> str:
    """Say a moment in the practice's local time: ``Wed 1 Mar 09:00``."""
    if moment is None:
        return ""
    local, now = moment.astimezone(practice.time_zone), practice.now.astimezone(practice.time_zone)
    year = "" if local.year == now.year else f" {local.year}"
    return f"{local:%a} {local.day} {local:%b}{year} {local:%H:%M}"


def ask_clock(asked: Asked, kind: str, arguments: Mapping[str, Any]) -> WorkRequest:
    """Write down what a person asks of the clock, and that they asked."""
    assert asked.account is not None
    made = records_of_requests.ask(
        asked.records,
        kind,
        arguments,
        asked_by=asked.account.id,
        asked_at=asked.practice.now,
    )
    with asked.records.writing() as connection:
        note(
            connection,
            Action.REQUEST_MADE,
            by=asked.account.id,
            subject=made.id,
            now=asked.practice.now,
        )
    return made


def show_requests(asked: Asked, *, most: int = _SHOWN) -> RequestsPage:
    """Return the newest requests as the person who asks may see them."""
    found = records_of_requests.requests(asked.records)[::-1]
    rows = tuple(_row(asked, one) for one in found[:most])
    n_open = sum(one.ended_at is None for one in found)
    clock_runs = asked.outside.clock_runs(asked.practice)
    if not found:
        answer = "Nothing has been asked for yet"
    elif n_open:
        answer = f"{n_open} of what was asked for {'is' if n_open == 1 else 'are'} not done yet"
    else:
        answer = "All that was asked for has ended"
    return RequestsPage(answer, rows, len(found) - len(rows), n_open > 0, clock_runs, most)


def _row(asked: Asked, one: WorkRequest) -> RequestRow:
    assert asked.account is not None
    practice = asked.practice
    sentence, leads_to = one.result or "", ""
    remarks: tuple[str, ...] = ()
    outcome = outcome_of(practice, one.run_id)
    if outcome is not None and one.ended_at is not None:
        if asked.account.may(Right.BRING_DATA) and not asked.account.branches:
            sentence, remarks = outcome.sentence, tuple(outcome.remarks)
        if outcome.import_id is not None:
            leads_to = f"/imports/{outcome.import_id}"
    by = {asked.account.id: "you", "command line": "the command line"}
    return RequestRow(
        one.id,
        one.kind,
        _what(asked, one),
        one.state,
        _STATES[one.state],
        None if one.progress is None or one.state == DONE else round(100 * one.progress),
        by.get(one.asked_by, "somebody else"),
        one.asked_at,
        moment_words(practice, one.asked_at),
        moment_words(practice, one.ended_at),
        sentence,
        remarks,
        leads_to,
    )


def _what(asked: Asked, one: WorkRequest) -> str:
    words = {kind.kind: kind.words for kind in asked.outside.request_kinds}
    number = one.arguments.get("import")
    own = {
        "accept import": f"Take import {number} as it is",
        "undo import": f"Take import {number} back",
        "import again": f"Read import {number} again",
        "staff": "Plan staff and stock",
        "try staffing": "Try a change at the desk",
        PLAN_DOG: "Work the plan of a dog out anew",
    }
    if one.kind in own:
        return own[one.kind]
    if one.kind.startswith("import "):
        return f"Bring in a file of {one.kind.removeprefix('import ')}"
    return words.get(one.kind, one.kind.capitalize())


def _requests(asked: Asked) -> View:
    page = show_requests(asked, most=_SHOWN if asked.query.get("few") else _ALL_SHOWN)
    return View("requests.html", page, {"requests": [_as_row(one) for one in page.rows]})


def _as_row(one: RequestRow) -> dict[str, Any]:
    return {
        "asked_at": one.asked_at.isoformat(),
        "what": one.what,
        "by": one.by,
        "state": one.state,
        "per_cent": one.per_cent,
        "result": one.sentence,
    }


def _ask(asked: Asked) -> GoTo:
    kinds = {kind.kind: kind for kind in asked.outside.request_kinds}
    wanted = asked.text("kind")
    if wanted not in kinds:
        raise PageError(
            f"{wanted!r} was asked for; what can be asked for here is {', '.join(kinds) or 'none'}"
        )
    ask_clock(asked, wanted, {})
    back = asked.text("back")
    said = f"Asked for: {kinds[wanted].words}. It is shown below how it goes on."
    return GoTo(f"{back if back in _BACK else '/requests'}#requests", said)


PAGES: Sequence[Page] = (
    Page("/requests", "requests", Right.SEE_DATA, _requests, has_data=True),
    Page("/requests", "ask", Right.BRING_DATA, _ask, methods=("POST",)),
)
