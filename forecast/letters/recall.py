"""The desk's recall list: whom to call, why and by when; and who is left out of it, and why.

A dog stands in it once, for the most pressing thing. Nobody is in it whom nothing may be sent to:
those are told apart, with the reason, so that the desk can ask at the next visit. A dog that died
or left is nowhere in it.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum

import xlsxwriter

from forecast.csv_text import csv_text
from forecast.dosing.due import Due, DueDog
from forecast.dosing.therapies import Verdict, therapy
from forecast.languages import language_name
from forecast.letters.gate import NOT_KNOWN, Gate, gates
from forecast.practice import Practice
from forecast.records import handovers
from forecast.records.dated import ACTIVE
from forecast.records.engine import Records
from forecast.records.handovers import newest_of_each
from forecast.records.plan_decisions import PlanDecision, in_force_within
from models.parameters import ParameterTable, load_table

COLUMNS = (
    *("dog", "name", "owner", "contact", "language", "branch", "what", "by", "why", "last letter"),
)
_WIDTHS = {"name": 18, "owner": 26, "contact": 30, "why": 70, "what": 18, "branch": 14}
_USUAL_WIDTH = 12
_A4 = 9  # as workbooks number sizes of paper


class Call(StrEnum):
    """What a call is about, the most pressing first."""

    NOW = "see now"
    MISSED = "signed dose missed"
    VISIT = "signed dose ahead"
    DOSE = "another dose"
    SCORE = "itch score"
    WORK_UP = "work-up"


_OF_DUE = {
    Due.SEE_NOW: Call.NOW,
    Due.DOSE: Call.DOSE,
    Due.SCORE: Call.SCORE,
    Due.WORK_UP: Call.WORK_UP,
}


@dataclass(frozen=True)
class RecallRow:
    """One dog to call for.

    Attributes
    ----------
    by
        The day of the signed dose; None where the call is about nothing with a date.
    last_letter
        The day on which the last letter went out to this owner; None where none did.
    language
        In which the owner is to be spoken to, by its English name; "not known" where it is not.
    closed_because
        Why nothing may go out; "" in the list itself.
    """

    dog_id: str
    number: str = field(repr=False)
    name: str = field(repr=False)
    owner_id: str | None
    branch: str
    what: Call
    why: str
    by: date | None
    last_letter: date | None
    language: str
    closed_because: str


@dataclass(frozen=True)
class Recall:
    """Whom to call, the most pressing first; and who is left out."""

    rows: tuple[RecallRow, ...]
    left_out: tuple[RecallRow, ...]


def recall_list(
    practice: Practice, records: Records, dogs: Iterable[DueDog], *, within: int
) -> Recall:
    """Return whom to call, of dogs whose due is known.

    Parameters
    ----------
    dogs
        What is due for each, as `forecast.dosing.due` says it.
    within
        Days ahead within which a signed dose counts.
    """
    today = practice.local_date
    with records.reading() as connection:
        known = gates(connection, on=today)
        signed = in_force_within(connection)
        letters = newest_of_each(connection, (handovers.LETTER,))
    ahead = _next_doses(signed, today, today + timedelta(days=within))
    missed = _last_doses(signed, today)
    told = {of[:2]: one.at.astimezone(practice.time_zone).date() for of, one in letters.items()}
    found = []
    for one in dogs:
        call = _call(one, ahead.get(one.id), missed.get(one.id))
        if call is not None and one.id in known:
            what, why, by = call
            gate = known[one.id]
            found.append(_row(one, gate, what, why, by, told.get((one.id, gate.owner_id))))
    found.sort(key=lambda row: (list(Call).index(row.what), row.by or today, row.number))
    return Recall(
        tuple(one for one in found if not one.closed_because),
        tuple(one for one in found if one.closed_because),
    )


_Signed = Mapping[tuple[str, str], PlanDecision]


def _next_doses(signed: _Signed, today: date, last: date) -> dict[str, date]:
    """Return the next signed dose of each dog, where it lies within the days asked for."""
    found: dict[str, date] = {}
    for (dog_id, _), decision in signed.items():
        ahead = [day for day in decision.dates if today <= day <= last]
        if ahead:
            found[dog_id] = min(ahead[0], found.get(dog_id, ahead[0]))
    return found


def _last_doses(signed: _Signed, today: date) -> dict[str, date]:
    """Return the last signed dose of each dog before today, of the days looked back upon."""
    first = today - timedelta(days=_table().number("missed.looked_back"))
    found = {}
    for (dog_id, kind), decision in signed.items():
        over = [day for day in decision.dates if first <= day < today]
        if over and therapy(kind).planned_ahead:
            found[dog_id] = over[-1]
    return found


def _call(
    one: DueDog, dose: date | None, over: date | None
) -> tuple[Call, str, date | None] | None:
    if one.status != ACTIVE or not (one.is_atopic or dose or over):
        return None
    if one.due is Due.SEE_NOW:
        return Call.NOW, one.why, None
    if over is not None and _is_missed(one, over):
        why = f"a dose was signed for {over} and none is on record; record it, or book another time"
        return Call.MISSED, why + _unless(one), over
    if dose is not None:
        why = f"a dose is signed for {dose}; book a time if there is none"
        return Call.VISIT, why + _unless(one), dose
    what = _OF_DUE.get(one.due)
    return None if what is None else (what, one.why, None)


def _unless(one: DueDog) -> str:
    """Say what came to speak against a dose that was signed, for the vet to look at first."""
    speaks_against = one.verdict in (Verdict.NOT_SUITABLE, Verdict.VET_MUST_DECIDE)
    return f"; but ask the vet first: {one.why}" if speaks_against else ""


def _is_missed(one: DueDog, signed: date) -> bool:
    """Say whether no dose is on record for a signed one, which may have come somewhat early."""
    early = signed - timedelta(days=_table().number("missed.early"))
    return one.last_dose is None or one.last_dose < early


def _table() -> ParameterTable:
    return load_table("forecast.letters", "recall.toml")


def _row(
    one: DueDog, gate: Gate, what: Call, why: str, by: date | None, last_letter: date | None
) -> RecallRow:
    return RecallRow(
        dog_id=one.id,
        number=one.reference,
        name=one.name,
        owner_id=gate.owner_id,
        branch=one.branch,
        what=what,
        why=why,
        by=by,
        last_letter=last_letter,
        language=NOT_KNOWN if gate.language is None else language_name(gate.language),
        closed_because=gate.closed_because,
    )


# --------------------------------------------------------------------------------------- as files
Contacts = Mapping[str, tuple[str, str]]  # name and contact by the random id of an owner


def recall_csv(rows: Iterable[RecallRow], contacts: Contacts) -> str:
    """Return the list as CSV text; a cell that a spreadsheet would run is quoted."""
    return csv_text(COLUMNS, (_cells(row, contacts) for row in rows))


def recall_workbook(rows: Iterable[RecallRow], contacts: Contacts) -> bytes:
    """Return the list as a workbook whose cells are text and days, never a formula or a link.

    It prints on A4 across, a page wide, with the headings on each page.
    """
    out = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(out, {"in_memory": True, **plain}) as book:
        sheet = book.add_worksheet("recall")
        bold = book.add_format({"bold": True, "bottom": 1})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        dated = book.add_format({"num_format": "yyyy-mm-dd", "valign": "top", "align": "left"})
        for at, name in enumerate(COLUMNS):
            sheet.set_column(at, at, _WIDTHS.get(name, _USUAL_WIDTH), wrapped)
            sheet.write_string(0, at, name, bold)
        n_rows = 0
        for n_rows, row in enumerate(rows, start=1):
            for at, cell in enumerate(_cells(row, contacts)):
                if isinstance(cell, date):
                    sheet.write_datetime(n_rows, at, cell, dated)
                else:
                    sheet.write_string(n_rows, at, cell, wrapped)
        sheet.freeze_panes(1, 1)
        sheet.set_landscape()
        sheet.set_paper(_A4)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        sheet.autofilter(0, 0, n_rows, len(COLUMNS) - 1)
    return out.getvalue()


def _cells(row: RecallRow, contacts: Contacts) -> tuple[str | date, ...]:
    owner, contact = contacts.get(row.owner_id or "", ("", ""))
    known = (row.number, row.name, owner, contact, row.language, row.branch, str(row.what))
    return (*known, row.by or "", row.why, row.last_letter or "")
