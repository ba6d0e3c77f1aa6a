"""The desk's recall list: whom to call, calendars to put right, and the list as a file."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.responses import Response

from forecast.accounts.contacts import read_contacts
from forecast.accounts.roles import Right
from forecast.letters.recall import (
    Call,
    Recall,
    RecallRow,
    recall_csv,
    recall_list,
    recall_workbook,
)
from forecast.pages.dog_list import lists
from forecast.pages.dogs import Choice, theirs
from forecast.pages.handed_over import CalendarShown, calendars_shown
from forecast.pages.page import Asked, Page, PageError, View
from forecast.records.branches import branches

_SHOWN = 100
_USUAL_DAYS, _MOST_DAYS = 21, 365
_LEFT_OUT = "left out"
_WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@dataclass(frozen=True)
class RecallPage:
    """What the recall list says.

    Attributes
    ----------
    answer
        How many owners to call, in a sentence.
    rows
        Those shown, of `n_found`.
    calendars
        Calendars to be cancelled or given anew.
    left_out
        How many are left out, by reason.
    what, branch, within, who
        What is filtered by.
    query
        The same as it stands in an address, for the files.
    may_have_contacts
        Whether whoever looks may have owners' contacts, which are in the files alone.
    is_behind
        Whether what is due is being worked out anew; status and consent are never behind.
    """

    answer: str
    rows: tuple[RecallRow, ...]
    n_found: int
    calendars: tuple[CalendarShown, ...]
    left_out: tuple[Choice, ...]
    what: str
    branch: str
    within: int
    who: str
    whats: tuple[Choice, ...]
    branches: tuple[Choice, ...]
    query: str
    may_have_contacts: bool
    is_behind: bool


def _recall(asked: Asked) -> View:
    found = _found(asked)
    page = _page(asked, found)
    rows = [_row(one) for one in _filtered(asked, found)]
    return View("recall.html", page, {"recall": rows})


def _row(one: RecallRow) -> dict[str, object]:
    return {name: value for name, value in vars(one).items() if name not in ("dog_id", "owner_id")}


def _found(asked: Asked) -> Recall:
    assert asked.account is not None
    dogs = theirs(lists.listed(asked.practice, asked.records).rows, asked.account)
    return recall_list(asked.practice, asked.records, dogs, within=_within(asked))


def _within(asked: Asked) -> int:
    text = asked.query.get("within", str(_USUAL_DAYS))
    days = int(text) if text.isascii() and text.isdigit() and len(text) < 5 else -1
    if not 0 <= days <= _MOST_DAYS:
        raise PageError(f"signed doses within {text!r} days were asked for; 0 to {_MOST_DAYS} are")
    return days


def _filtered(asked: Asked, found: Recall) -> list[RecallRow]:
    what, branch = asked.query.get("what", ""), asked.query.get("branch", "")
    if what not in ("", *Call):
        raise PageError(f"calls for {what!r} were asked for; there are {', '.join(Call)}")
    rows = found.left_out if asked.query.get("who") == _LEFT_OUT else found.rows
    return [one for one in rows if what in ("", one.what) and branch in ("", one.branch)]


def _page(asked: Asked, found: Recall) -> RecallPage:
    assert asked.account is not None
    account, shown = asked.account, _filtered(asked, found)
    due = calendars_shown(asked, only=_own_dogs(asked))
    counted = Counter(one.what for one in found.rows)
    reasons = Counter(one.closed_because for one in found.left_out)
    held = branches(asked.records).values()
    mine = [one for one in held if not account.branches or one.id in account.branches]
    query = urlencode({name: value for name, value in asked.query.items() if value})
    return RecallPage(
        answer=_answer(found, len(due)),
        rows=tuple(shown[:_SHOWN]),
        n_found=len(shown),
        calendars=due,
        left_out=tuple(Choice(why, why, n) for why, n in reasons.most_common()),
        what=asked.query.get("what", ""),
        branch=asked.query.get("branch", ""),
        within=_within(asked),
        who=asked.query.get("who", ""),
        whats=tuple(Choice(one, one, counted[one]) for one in Call),
        branches=tuple(Choice(one.id, one.name) for one in mine),
        query=query,
        may_have_contacts=account.may(Right.SEE_CONTACTS),
        is_behind=lists.listed(asked.practice, asked.records).is_behind,
    )


def _own_dogs(asked: Asked) -> set[str] | None:
    """Return the dogs of the branches that somebody is limited to; None for all."""
    assert asked.account is not None
    if not asked.account.branches:
        return None
    rows = lists.listed(asked.practice, asked.records).rows
    return {dog.id for dog in theirs(rows, asked.account)}


def _answer(found: Recall, n_calendars: int) -> str:
    n = len(found.rows)
    said = "No dog to be recalled" if n == 0 else f"{n} dog{'s' if n > 1 else ''} to be recalled"
    if n_calendars:
        said += f", {n_calendars} calendar{'s' if n_calendars > 1 else ''} to be put right"
    if found.left_out:
        said += f"; {len(found.left_out)} left out"
    return said


def _file(asked: Asked) -> Response:
    """Give the list with owners' contacts, read for it one by one; those left out are never in."""
    kind = asked.path["kind"]
    if kind not in ("csv", "xlsx"):
        raise PageError(f"the recall list as {kind!r} was asked for; it is given as csv or xlsx")
    found = _found(asked)
    rows = [one for one in _filtered(asked, Recall(found.rows, ()))]
    owners = {one.owner_id for one in rows if one.owner_id is not None}
    read = read_contacts(asked.records, owners, by=asked.account, now=asked.practice.now)
    contacts = {owner: (one.name, one.contact) for owner, one in read.items()}
    headers = {"content-disposition": f'attachment; filename="recall.{kind}"'}
    if kind == "xlsx":
        return Response(recall_workbook(rows, contacts), media_type=_WORKBOOK, headers=headers)
    text = recall_csv(rows, contacts).encode("utf-8-sig")
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


PAGES = (
    Page("/recall", "recall", Right.SEE_DOGS, _recall, has_data=True, menu="Recall"),
    Page("/recall/list/{kind}", "recall-file", Right.SEE_CONTACTS, _file),
)
