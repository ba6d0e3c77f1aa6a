"""What the desk says: staff, leave, hours, minutes, prices, stock; looked at, mended, taken along.

Forms are checked by the rules of a file. Whoever is limited to branches sees and mends those of
their branches, and neither minutes of all branches nor prices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from starlette.responses import Response

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.staffing_branch import WORKBOOK_TYPE, download
from forecast.pages.staffing_shown import PATH as STAFFING
from forecast.pages.staffing_shown import own_branches, shown_plan, worked_shifts
from forecast.records import Records
from forecast.records.staff import (
    Recorded,
    StaffOnRecord,
    staff_on_record,
    withdraw_leave,
)
from forecast.records.worked_shifts import worked_span
from forecast.staffing.desk_import import enter_row
from forecast.staffing.desk_inputs import stock_items
from forecast.staffing.desk_numbers import KINDS, ROLES, StaffingError, price_names
from forecast.staffing.desk_table import TABLES
from forecast.staffing.desk_workbook import Row, desk_tables, desk_workbook, staff_row
from forecast.staffing.words import currency_words
from forecast.wording import full_day

PATH = f"{STAFFING}/desk"
Choices = tuple[tuple[str, str], ...]  # what a form sends, and its words
_NOT_TAKEN = 422
_SAID = {
    "staff": "The person's terms are kept.",
    "leave": "The leave is kept.",
    "hours": "The hours are kept.",
    "minutes": "The minutes are kept.",
    "prices": "The price is kept.",
    "stock": "The count is kept.",
    "shifts": "The shift is kept.",
}


@dataclass(frozen=True)
class LeaveShown:
    """One leave that is not over."""

    id: int
    first: date
    last: date


@dataclass(frozen=True)
class PersonShown:
    """One of the staff: who, the terms in words, and leave ahead.

    `fields` fill the form; `calendar` leads to the shifts as a file, "" where the plan has none.
    """

    id: str
    number: str
    name: str
    skills: str
    branch: str
    hours: str
    coming: tuple[str, ...]
    leave: tuple[LeaveShown, ...]
    fields: Mapping[str, str]
    calendar: str


@dataclass(frozen=True)
class TableShown:
    """One of the desk's other tables, as it holds today."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class StaffingDeskPage:
    """What the desk's own page says.

    `opened` is the form that is open, filled with what was `typed`; `sees_all` whether this person
    sees all branches; `currency` what amounts are in, or that the practice names none; `shifts` how
    far shifts that were worked are on record.
    """

    answer: str
    people: tuple[PersonShown, ...]
    tables: tuple[TableShown, ...]
    branches: Choices
    roles: tuple[str, ...]
    role_choices: Choices
    kinds: Choices
    prices: Choices
    items: Choices
    typed: Mapping[str, str]
    opened: str
    sees_all: bool
    may_bring: bool
    today: date
    currency: str
    shifts: str
    wrong: str = ""


def _desk(asked: Asked) -> View:
    page = _page(asked)
    return View("staffing_desk.html", page, {one.name: _as_rows(one) for one in page.tables})


def _as_rows(one: TableShown) -> list[dict[str, str]]:
    return [dict(zip(one.columns, row, strict=True)) for row in one.rows]


def _page(
    asked: Asked, *, wrong: str = "", typed: Mapping[str, str] | None = None, opened: str = ""
) -> StaffingDeskPage:
    assert asked.account is not None
    own = own_branches(asked)
    sees_all = not asked.account.branches
    found = shown_plan(asked)
    worked = None if found is None else worked_shifts(asked, *found)
    told = () if worked is None else (*worked.shifts, *(one.shift for one in worked.cancelled))
    places = {one.person: one.branch for one in reversed(told) if one.person is not None}
    people = tuple(_person(one, places.get(one.id, "")) for one in _people(asked))
    chosen = next((one for one in people if one.number == asked.query.get("person")), None)
    wanted = None if sees_all else frozenset(own)
    currency = asked.practice.settings.practice.currency
    held = desk_tables(asked.records, today=asked.practice.today, wanted=wanted, currency=currency)
    return StaffingDeskPage(
        answer=_answer(len(people), len(own)),
        people=people,
        tables=tuple(
            _table(name, rows)
            for name, rows in held.items()
            if name not in ("staff", "leave") and (sees_all or name not in ("minutes", "prices"))
        ),
        branches=tuple((one.id, one.name) for one in own.values()),
        roles=ROLES,
        role_choices=_same(ROLES),
        kinds=_same(KINDS),
        prices=_same(price_names()),
        items=_same(stock_items()),
        typed=typed or (dict(chosen.fields) if chosen else {}),
        opened=opened or ("staff" if chosen else ""),
        sees_all=sees_all,
        may_bring=asked.account.may(Right.BRING_DATA),
        today=asked.practice.local_date,
        currency=currency_words(currency or ""),
        shifts=_shifts_words(asked.records),
        wrong=wrong,
    )


def _shifts_words(records: Records) -> str:
    span = worked_span(records)
    if span is None:
        return "None are on record"
    first, last, n = span
    return f"{n:,} are on record, from {full_day(first)} to {full_day(last)}"


def _same(words: Sequence[str]) -> Choices:
    return tuple((word, word) for word in words)


def _answer(n_people: int, n_branches: int) -> str:
    people = "1 person" if n_people == 1 else f"{n_people} people"
    places = "1 branch" if n_branches == 1 else f"{n_branches} branches"
    return f"{people} on the staff list of {places}" if n_people else "Nobody is on the staff list"


def _people(asked: Asked) -> list[StaffOnRecord]:
    own = own_branches(asked)
    found = staff_on_record(asked.records, day=asked.practice.today)
    return [one for one in found if any(terms.branch_id in own for terms in one.terms)]


def _person(one: StaffOnRecord, works_at: str) -> PersonShown:
    now, *coming = one.terms
    over = "" if now.overtime_hours is None else f", {now.overtime_hours:g} more at most"
    ends = "" if now.until is None else f", until {now.until}"
    row = desk_row(one)
    return PersonShown(
        one.id,
        one.reference,
        one.name,
        " ".join(now.skills),
        ", ".join((now.branch_id, *now.also_at)),
        f"{now.hours_week:g} h a week{over}{ends}",
        tuple(f"{terms.hours_week:g} h from {terms.from_date}" for terms in coming),
        tuple(LeaveShown(span.id, span.first, span.last) for span in one.leave),
        row,
        f"{STAFFING}/branches/{works_at}/shifts/calendar?person={one.id}" if works_at else "",
    )


def desk_row(one: StaffOnRecord) -> dict[str, str]:
    """Return the terms in force of a person as the fields of the form, valid from today."""
    columns = [*TABLES["staff"][0], *TABLES["staff"][1]]
    told = dict(zip(columns, map(_text, staff_row(one, one.terms[0])), strict=True))
    return told | {"from": ""}


def _table(name: str, rows: list[Row]) -> TableShown:
    columns = (*TABLES[name][0], *TABLES[name][1])
    return TableShown(name, columns, tuple(tuple(map(_text, row)) for row in rows))


def _text(cell: str | float | None) -> str:
    return "" if cell is None else cell if isinstance(cell, str) else f"{cell:g}"


# ------------------------------------------------------------------------------ what is entered
def _enter(asked: Asked) -> GoTo | View:
    assert asked.account is not None
    table = asked.path["table"]
    if table not in TABLES:
        raise NotFoundError(f"the desk has no table {table!r}; it has {', '.join(TABLES)}")
    fields = {name: asked.text(name) for name in asked.form}
    fields |= {"skills": " ".join(role for role in ROLES if asked.text(f"skill-{role}"))}
    try:
        _refuse_of_others(asked, table, fields)
        remark = enter_row(asked.practice, asked.records, table, fields, by=asked.account.id)
    except StaffingError as refused:
        text = str(refused)
        wrong = f"{text[:1].upper()}{text[1:]}."
        page = _page(asked, wrong=wrong, typed=fields, opened=table)
        return View("staffing_desk.html", page, status=_NOT_TAKEN)
    _note(asked, table)
    return GoTo(PATH, f"{_SAID[table]} {remark[:1].upper()}{remark[1:]}".strip())


def _refuse_of_others(asked: Asked, table: str, fields: Mapping[str, str]) -> None:
    """Refuse what concerns other branches than a person's own."""
    assert asked.account is not None
    if not asked.account.branches:
        return
    own = own_branches(asked)
    if table == "prices" or (table == "minutes" and not fields.get("branch")):
        raise StaffingError("prices and minutes of all branches are for who sees all of them")
    if "branch" in fields and fields["branch"] not in own:
        raise StaffingError(f"branch: {fields['branch']!r} was given; yours are {', '.join(own)}")
    known = {one.reference for one in staff_on_record(asked.records, day=asked.practice.today)}
    theirs = {one.reference for one in _people(asked)}
    if fields.get("person", "") in known - theirs:
        raise StaffingError("that number is somebody's at another branch")


def _withdraw(asked: Asked) -> GoTo:
    assert asked.account is not None
    leave_id = int(asked.path["leave"])
    if not any(span.id == leave_id for one in _people(asked) for span in one.leave):
        raise PageError("there is no such leave ahead, or it is of another branch's staff")
    recorded = Recorded(asked.practice.now, asked.account.id)
    with asked.records.writing() as connection:
        withdraw_leave(connection, leave_id, recorded)
    _note(asked, "leave")
    return GoTo(PATH, "The leave is withdrawn.")


def _note(asked: Asked, subject: str) -> None:
    assert asked.account is not None
    with asked.records.writing() as connection:
        note(
            connection,
            Action.DESK_CHANGED,
            by=asked.account.id,
            subject=subject,
            now=asked.practice.now,
        )


def _workbook(asked: Asked) -> Response:
    assert asked.account is not None
    wanted = frozenset(asked.account.branches) or None
    content = desk_workbook(
        asked.records,
        today=asked.practice.today,
        wanted=wanted,
        currency=asked.practice.settings.practice.currency,
    )
    return download(content, WORKBOOK_TYPE, f"desk-{asked.practice.local_date}.xlsx")


PAGES = (
    Page(PATH, "staffing-desk", Right.PLAN_STAFF, _desk, has_data=True),
    Page(f"{PATH}/enter/{{table}}", "staffing-enter", Right.PLAN_STAFF, _enter, methods=("POST",)),
    Page(
        f"{PATH}/leave/{{leave:int}}/withdraw",
        "staffing-withdraw",
        Right.PLAN_STAFF,
        _withdraw,
        methods=("POST",),
    ),
    Page(f"{PATH}/workbook", "staffing-desk-workbook", Right.PLAN_STAFF, _workbook),
)
