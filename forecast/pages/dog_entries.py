"""What was entered of one dog at a desk, as its page shows it; and keeping what is entered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.dosing.entered_words import Words, entered_words
from forecast.dosing.entering import Entry
from forecast.dosing.taking_back import RELEASE
from forecast.pages.handed_over import by_whom
from forecast.pages.page import Asked
from forecast.records.entries import Entered, enter, entered_of, taken_back_of


@dataclass(frozen=True)
class EntryShown:
    """One thing that was entered: the day that it is of, and what was said.

    `entered_on` and `by` tell when it was entered and by whom, None and "not known" where nobody
    wrote it down. `may_take_back` says whether whoever looks may take it back.
    """

    id: str
    day: date
    what: str
    entered_on: date | None
    by: str
    may_take_back: bool


@dataclass(frozen=True)
class TakenBackShown:
    """One thing that was taken back, so that it counts nowhere; on which day, by whom and why.

    `in_words` and `reason` were written in words: "" for who reads no clinical notes.
    """

    day: date
    what: str
    in_words: str
    entered_on: date | None
    by: str
    taken_back_on: date
    taken_back_by: str
    reason: str


def entries_shown(
    asked: Asked, dog_id: str, words: Words
) -> tuple[tuple[EntryShown, ...], tuple[TakenBackShown, ...]]:
    """Return what was entered of a dog and stands, and what was taken back; the newest first.

    `words` are those of the classes of therapy.
    """
    assert asked.account is not None
    may_record = asked.account.may(Right.RECORD_CARE)
    may_sign = asked.account.may(Right.SIGN_PLANS)
    may_read = asked.account.may(Right.SEE_NOTES)
    who = _who(asked)
    entries = tuple(
        EntryShown(
            one.id,
            _day(one),
            entered_words(one, words),
            _on(asked, one.at),
            who(one.by),
            may_record and (may_sign or not is_signature(one)),
        )
        for one in reversed(entered_of(asked.records, dog_id))
    )
    taken_back = tuple(
        TakenBackShown(
            _day(one),
            entered_words(one, words),
            one.taken_back.in_words or "" if may_read else "",
            _on(asked, one.at),
            who(one.by),
            asked.practice.day_of(one.taken_back.at),
            who(one.taken_back.by),
            one.taken_back.reason or "" if may_read else "",
        )
        for one in reversed(taken_back_of(asked.records, dog_id))
        if one.taken_back is not None
    )
    return entries, taken_back


def changed_since(
    asked: Asked, dog_id: str, words: Words, *, moment: datetime
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what was entered, and what was taken back, of a dog after a moment."""
    entered = tuple(
        entered_words(one, words)
        for one in entered_of(asked.records, dog_id)
        if one.at is not None and one.at > moment
    )
    back = tuple(
        entered_words(one, words)
        for one in taken_back_of(asked.records, dog_id)
        if one.taken_back is not None
        and one.taken_back.at > moment
        # what came and went since was never in it
        and (one.at is None or one.at <= moment)
    )
    return entered, back


def is_signature(one: Entered) -> bool:
    """Say whether an entry is a vet's signature, which only who signs takes back."""
    return any(row.table == RELEASE for row in one.rows)


def keep_entries(
    asked: Asked, dog_id: str, entries: Sequence[Entry], action: Action, *, together: bool = True
) -> None:
    """Keep what was entered of a dog at once, and write down that it was.

    It is taken back `together`, or each entry by itself.
    """
    assert asked.account is not None
    by, now = asked.account.id, asked.practice.now
    rows = [(one.table, one.values) for one in entries]
    with asked.records.writing() as connection:
        for part in [rows] if together else [[row] for row in rows]:
            enter(connection, dog_id, part, by=by, at=now)
        note(connection, action, by=by, subject=dog_id, now=now)


def _day(one: Entered) -> date:
    return max(row.day for row in one.rows)


def _on(asked: Asked, at: datetime | None) -> date | None:
    return None if at is None else asked.practice.day_of(at)


def _who(asked: Asked) -> Callable[[str | None], str]:
    """Return what names accounts, each looked up once."""

    @cache
    def who(account_id: str | None) -> str:
        return "not known" if account_id is None else by_whom(asked, account_id)

    return who
