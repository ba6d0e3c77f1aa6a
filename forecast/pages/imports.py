"""Imports: what came, what its checks found, what is held until somebody answers.

Whoever may see data sees which check spoke of which row and column, and what to do. The value that
was found there, and whatever else a finding quotes, may be a name or a number of a patient: it is
shown to who may see contacts and is limited to no branch, and that it was shown is written down.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from typing import Any

from forecast.accounts.audit import Action, note_alone
from forecast.accounts.roles import Right
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.requests import ask_clock, moment_words
from forecast.practice import Practice
from forecast.records.imports import (
    HELD,
    LIVE,
    TABLES,
    UNDONE,
    VISITS,
    ImportedFile,
    imported_files,
)
from forecast.visits.importing.archive import findings_path

_PAGE_SIZE = 50
_HIDDEN = "(not shown)"
_QUOTED = re.compile(r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"")
# Of these columns also what is allowed is a list of who is on record.
_OF_SOMEBODY = ("dog", "owner", "owner_number", "name", "owner_contact", "patient", "client")
_STATES = {
    "pending": "coming in",
    HELD: "held until you answer",
    LIVE: "counts",
    UNDONE: "taken back",
}
ACCEPT, UNDO, AGAIN, AGAIN_ACCEPT = "accept", "undo", "again", "again-accept"


@dataclass(frozen=True)
class ImportRow:
    """One import, its state in words."""

    id: int
    subject: str
    file_name: str
    n_rows: int
    came_at: datetime
    came: str
    state: str
    state_words: str
    first_date: date | None
    last_date: date | None
    held_because: tuple[str, ...]


@dataclass(frozen=True)
class ImportsPage:
    """All imports, newest first; those that are held stand before them."""

    answer: str
    held: tuple[ImportRow, ...]
    rows: tuple[ImportRow, ...]
    may_bring: bool
    may_answer: bool


@dataclass(frozen=True)
class FindingRow:
    """One finding, as far as this person may see it."""

    severity: str
    check: str
    row: str
    column: str
    found: str
    allowed: str
    fix: str


@dataclass(frozen=True)
class CheckCount:
    """How often a check spoke."""

    severity: str
    check: str
    n: int


@dataclass(frozen=True)
class ImportPage:
    """One import and what its checks found.

    Attributes
    ----------
    checks
        The checks that spoke, those that left rows out first.
    chosen
        The check whose findings are listed, "" for all.
    findings, page, n_pages
        One page of them.
    shows_values
        Whether what was found is shown to this person.
    may
        What this person may ask for this import: accept, undo, again, again-accept.
    """

    answer: str
    row: ImportRow
    checks: tuple[CheckCount, ...]
    n_findings: int
    chosen: str
    findings: tuple[FindingRow, ...]
    page: int
    n_pages: int
    shows_values: bool
    may: tuple[str, ...]


def _imports(asked: Asked) -> View:
    assert asked.account is not None
    rows = tuple(_row(asked.practice, one) for one in imported_files(asked.records))[::-1]
    held = tuple(row for row in rows if row.state == HELD)
    if held:
        n = len(held)
        answer = f"{n} {'import is' if n == 1 else 'imports are'} held until somebody answers"
    elif rows:
        answer = "Nothing is held: every import counts or was taken back"
    else:
        answer = "Nothing was imported yet"
    may_bring = asked.account.may(Right.BRING_DATA)
    page = ImportsPage(answer, held, rows, may_bring, may_answer(asked))
    return View("imports.html", page, {"imports": [_as_row(row) for row in rows]})


def may_answer(asked: Asked) -> bool:
    """Say whether this person may decide on imports, which hold visits of all branches."""
    account = asked.account
    return account is not None and account.may(Right.BRING_DATA) and not account.branches


def _row(practice: Practice, one: ImportedFile) -> ImportRow:
    return ImportRow(
        one.id,
        one.subject,
        one.file_name,
        one.n_rows,
        one.imported_at,
        moment_words(practice, one.imported_at),
        one.state,
        _STATES[one.state],
        one.first_date,
        one.last_date,
        one.held_because,
    )


def _as_row(row: ImportRow) -> dict[str, Any]:
    told = asdict(row)
    for name in ("came", "state_words", "held_because"):
        del told[name]
    return told | {"held_because": "; ".join(row.held_because)}


def _import(asked: Asked) -> View:
    one = _asked_import(asked)
    shows_values = _shows_values(asked)
    found = list(_findings(asked.practice, one))
    chosen = asked.query.get("check", "")
    listed = [finding for finding in found if chosen in ("", finding.check)]
    if shows_values and listed:
        _note_reading(asked, one)
    shown = [finding if shows_values else without_values(finding) for finding in listed]
    n_pages = max(1, -(-len(shown) // _PAGE_SIZE))
    at = page_number(asked, n_pages)
    row = _row(asked.practice, one)
    page = ImportPage(
        answer=_sentence(row, found),
        row=row,
        checks=_checks(found),
        n_findings=len(found),
        chosen=chosen,
        findings=tuple(shown[(at - 1) * _PAGE_SIZE : at * _PAGE_SIZE]),
        page=at,
        n_pages=n_pages,
        shows_values=shows_values,
        may=_may(asked, one),
    )
    return View("import.html", page, {"findings": [asdict(finding) for finding in shown]})


def page_number(asked: Asked, n_pages: int) -> int:
    """Return which page of a list is asked for; what is none, or beyond the end, is the nearest."""
    text = asked.query.get("page", "1")
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 9 else 1
    return min(max(1, number), n_pages)


def _shows_values(asked: Asked) -> bool:
    account = asked.account
    return account is not None and account.may(Right.SEE_CONTACTS) and not account.branches


def _note_reading(asked: Asked, one: ImportedFile) -> None:
    assert asked.account is not None
    note_alone(
        asked.records,
        Action.CONTACT_READ,
        by=asked.account.id,
        subject=f"findings of import {one.id}",
        now=asked.practice.now,
    )


def _asked_import(asked: Asked) -> ImportedFile:
    number = int(asked.path["number"])
    found = next((one for one in imported_files(asked.records) if one.id == number), None)
    if found is None:
        raise NotFoundError(f"import {number} was asked for; there is no such import")
    return found


def _sentence(row: ImportRow, found: Sequence[FindingRow]) -> str:
    rows = "row" if row.n_rows == 1 else "rows"
    told = f"Import {row.id}, {row.n_rows:,} {rows} of {row.subject}, {row.state_words}"
    if not found:
        return f"{told}; its checks found nothing"
    out = {finding.row for finding in found if finding.severity == "error"}
    if "" in out:  # one that is of the whole file: how many rows went with it is not told
        return f"{told}; rows were left out, see below"
    return f"{told}; {len(out) or 'no'} {'row was' if len(out) < 2 else 'rows were'} left out"


def _checks(found: Sequence[FindingRow]) -> tuple[CheckCount, ...]:
    rank = {"error": 0, "warning": 1, "note": 2}
    counts: dict[tuple[str, str], int] = {}
    for finding in found:
        key = finding.severity, finding.check
        counts[key] = counts.get(key, 0) + 1
    ordered = sorted(counts.items(), key=lambda one: (rank.get(one[0][0], 3), -one[1], one[0]))
    return tuple(CheckCount(severity, check, n) for (severity, check), n in ordered)


def _findings(practice: Practice, one: ImportedFile) -> Iterator[FindingRow]:
    """Yield what the checks of an import's file found, as it is kept in the archive."""
    path = findings_path(practice.archive_folder, one.sha256)
    if not path.exists():
        return
    for line in csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8-sig"))):
        yield FindingRow(**{name: line[name] for name in FindingRow.__dataclass_fields__})


def without_values(finding: FindingRow) -> FindingRow:
    """Return a finding without what it quotes of the file or of the records."""
    is_of_somebody = finding.column.lower() in _OF_SOMEBODY
    return replace(
        finding,
        check=_QUOTED.sub(_HIDDEN, finding.check),
        found=_HIDDEN if finding.found else "",
        allowed=_HIDDEN if is_of_somebody and finding.allowed else finding.allowed,
        fix=_QUOTED.sub(_HIDDEN, finding.fix),
    )


def _may(asked: Asked, one: ImportedFile) -> tuple[str, ...]:
    if not may_answer(asked):
        return ()
    may = []
    if one.state == HELD:
        may.append(ACCEPT)
    if one.state in (HELD, LIVE):
        if one.subject == VISITS:
            may += [AGAIN, AGAIN_ACCEPT]
        if one.subject in TABLES:
            may.append(UNDO)
    return tuple(may)


_KINDS: dict[str, tuple[str, dict[str, Any]]] = {
    ACCEPT: ("accept import", {}),
    UNDO: ("undo import", {}),
    AGAIN: ("import again", {}),
    AGAIN_ACCEPT: ("import again", {"accept": True}),
}


def _answer(asked: Asked) -> GoTo:
    one, what = _asked_import(asked), asked.path["what"]
    may = _may(asked, one)
    if what not in may:
        raise PageError(
            f"{what!r} was asked for import {one.id}, which is {_STATES[one.state]}; what may be "
            f"asked for it here is {', '.join(may) or 'nothing'}"
        )
    kind, arguments = _KINDS[what]
    ask_clock(asked, kind, {"import": one.id} | arguments)
    return GoTo("/requests#requests", f"Asked for import {one.id}; it is shown how it goes on.")


PAGES: Sequence[Page] = (
    Page("/imports", "imports", Right.SEE_DATA, _imports, has_data=True),
    Page("/imports/{number:int}", "import", Right.SEE_DATA, _import, has_data=True),
    Page(
        "/imports/{number:int}/{what}",
        "answer-import",
        Right.BRING_DATA,
        _answer,
        methods=("POST",),
    ),
)
