"""The desk's own file: six small tables in one workbook, or one of them as CSV.

A bad row is reported in one line and left out, the rest is kept. Leave that overlaps is taken as
one span, since what matters is who is away; it is said all the same. What is lacking is not known.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import pandas as pd

from forecast.csv_files import CsvTable, csv_table
from forecast.findings import Finding
from forecast.records.desk import MINUTES, PRICE, DeskHours, DeskNumber, StockCount
from forecast.records.staff import Terms
from forecast.regions import DAY_NAMES, RegionError, parse_opening
from forecast.sheets import SheetError, read_sheet
from forecast.sheets.workbook import is_workbook, sheet_names
from forecast.staffing.inputs import ROLES
from forecast.visits.rules import earliest_day
from models.parameters import ParameterTable, load_table

Columns = tuple[str, ...]
# Of each table the columns it must have, then those it may have; `house` is there to be read.
TABLES: Mapping[str, tuple[Columns, Columns]] = {
    "staff": (
        ("person", "skills", "branch", "hours_a_week"),
        ("name", "also_at", "overtime_hours", "days", "shift_hours", "from", "until"),
    ),
    "leave": (("person", "first", "last"), ()),
    "hours": (("branch", "opening"), ("from",)),
    "minutes": (("kind", "role", "minutes"), ("branch", "from", "house")),
    "prices": (("price", "amount"), ("from", "house", "currency")),
    "stock": (
        ("item", "branch", "on_hand", "counted", "pack_size", "lead_days"),
        ("expires", "pack_price", "currency"),
    ),
}
_OPENING = "mon-fri 8:00-18:00 sat 9:00-12:00"


@dataclass(frozen=True)
class DeskWords:
    """What a desk's file may name: branches, kinds of visits, prices, items of stock, people."""

    branches: Collection[str]
    kinds: Collection[str]
    prices: Collection[str]
    items: Collection[str]
    people: Collection[str]
    open_branches: Collection[str] = ()  # whose hours are on record already
    currency: str = ""  # that of the practice; "" where it names none


@dataclass
class DeskTable(CsvTable):
    """What a file of the desk says: rows of all its tables, and each as the records keep it.

    `leave` gives the spans of each person, none of which overlap; `unclear` are branches whose
    hours could not be read, `left_out` people whose rows could not.
    """

    names: dict[str, str] = field(default_factory=dict)
    terms: dict[str, list[Terms]] = field(default_factory=dict)
    leave: dict[str, list[tuple[date, date]]] = field(default_factory=dict)
    hours: list[DeskHours] = field(default_factory=list)
    numbers: list[DeskNumber] = field(default_factory=list)
    stock: list[StockCount] = field(default_factory=list)
    unclear: set[str] = field(default_factory=set)
    left_out: set[str] = field(default_factory=set)


def limits() -> ParameterTable:
    """Return the limits of what a file of the desk may say."""
    return load_table("forecast.staffing", "desk.toml")


def read_desk(content: bytes, file: str, *, words: DeskWords, today: date) -> DeskTable:
    """Read a file of the desk.

    Raises
    ------
    SheetError
        If it holds none of the desk's tables.
    """
    found = _tables(content, file)
    desk = DeskTable(file, pd.DataFrame())
    kept = []
    for name, table in found.items():
        if name == "leave":
            _read_leave(table, desk, known={*words.people, *desk.terms}, today=today)
        else:
            _READERS[name](table, desk, words, today)
        desk.findings += table.findings
        desk.n_read += table.n_read
        kept.append(table.rows)
    desk.rows = pd.concat(kept)
    desk.findings += _without_hours(desk, words)
    return desk


# ------------------------------------------------------------------------------ which tables
def _tables(content: bytes, file: str) -> dict[str, CsvTable]:
    """Return the tables that a file holds by name, people before their leave."""
    packed = is_workbook(content)
    found, used = dict[str, CsvTable](), set[str]()
    for name, (required, optional) in TABLES.items():
        sheet = read_sheet(content, file, expected=[required])
        if not set(required) <= {heading.lower() for heading in sheet.headings}:
            continue
        used.add(sheet.sheet)
        sheet.file = f"{file} [{sheet.sheet}]" if packed else file
        for finding in [one for one in sheet.findings if one.check == "sheets not read"]:
            sheet.findings.remove(finding)
        sheet.findings = [_placed(one, sheet.file) for one in sheet.findings]
        if sheet.n_read:
            found[name] = csv_table(sheet, required=required, optional=optional)
    if not found:
        raise SheetError(f"{file} holds none of the desk's tables; {_what_tables_are()}")
    unread = [one for one in sheet_names(content, file) if one not in used] if packed else []
    if unread:
        first = next(iter(found.values()))
        first.findings += [_unread(file, name) for name in unread]
    return found


def _placed(one: Finding, file: str) -> Finding:
    return Finding(
        one.check, one.severity, file, one.row, one.column, one.found, one.allowed, one.fix
    )


def _unread(file: str, name: str) -> Finding:
    """Say that a sheet was not read: an error where its name promises a table."""
    required = TABLES.get(name.strip().lower(), ((), ()))[0]
    return Finding(
        "sheet not read",
        "error" if required else "note",
        file,
        None,
        None,
        repr(name),
        f"the headings {', '.join(required)}" if required else "",
        "name its columns so" if required else "",
    )


def _what_tables_are() -> str:
    told = [f"{name} ({', '.join(required)})" for name, (required, _) in TABLES.items()]
    return f"they are {'; '.join(told)}: one a sheet of a workbook, or one of them as CSV"


# ------------------------------------------------------------------------------ one table each
def _read_staff(table: CsvTable, desk: DeskTable, words: DeskWords, today: date) -> None:
    table.leave_out_empty("person")
    named = set(table.rows["person"])
    skills = table.rows["skills"].str.lower().map(_words_of)
    wrong = skills.map(lambda told: [word for word in told if word not in ROLES])
    table.leave_out(
        (skills.map(len) == 0) | (wrong.map(len) > 0),
        "skills",
        check="unknown skill",
        allowed=f"{', '.join(ROLES)}; several with spaces between",
        fix="the person was left out of the plan until it is mended",
    )
    table.leave_out_unknown("branch", sorted(words.branches))
    table.leave_out(
        ~table.rows["also_at"].map(lambda text: set(_words_of(text)) <= set(words.branches)),
        "also_at",
        check="unknown branch",
        allowed=f"{', '.join(sorted(words.branches))}; several with spaces between, or nothing",
    )
    given = limits()
    table.parse_numbers(
        "hours_a_week",
        lowest=given.number("hours_week.lowest"),
        highest=given.number("hours_week.highest"),
        check="not hours of a week",
    )
    table.parse_numbers(
        "overtime_hours",
        lowest=0.0,
        highest=given.number("overtime_hours.highest"),
        empty=True,
        check="not hours of a week",
    )
    table.parse_numbers(
        "shift_hours",
        lowest=given.number("shift_hours.lowest"),
        highest=given.number("shift_hours.highest"),
        empty=True,
        check="not hours of a shift",
    )
    table.leave_out(
        ~table.rows["days"].map(_are_days).astype(bool),
        "days",
        check="not days of the week",
        allowed="such as mon tue thu, or mon-fri, or nothing",
    )
    _parse_from(table, today)
    table.parse_days("until", earliest=earliest_day(), latest=None, empty=True)
    table.leave_out(
        table.rows["until"] < table.rows["from"],
        "until",
        check="ends before it begins",
        allowed="a last day that is not before the first",
    )
    table.leave_out_repeated(["person", "from"])
    for row in table.rows.to_dict("records"):
        person = str(row["person"])
        desk.names[person] = str(row["name"]) or desk.names.get(person, "")
        desk.terms.setdefault(person, []).append(_terms(row))
    desk.left_out = named - set(desk.terms)


def _terms(row: Mapping[Any, Any]) -> Terms:
    overtime = row["overtime_hours"]
    skills = set(_words_of(row["skills"].lower()))
    return Terms(
        row["from"].date(),
        tuple(one for one in ROLES if one in skills),
        row["branch"],
        row["hours_a_week"],
        tuple(sorted({*_words_of(row["also_at"])} - {row["branch"]})),
        None if pd.isna(overtime) else overtime,
        _day(row["until"]),
        _weekdays(row["days"]),
        None if pd.isna(row["shift_hours"]) else row["shift_hours"],
    )


def _read_leave(table: CsvTable, desk: DeskTable, *, known: set[str], today: date) -> None:
    table.leave_out_empty("person")
    _set_apart(table, desk.left_out - known)
    table.leave_out_unknown("person", sorted(known))
    for column in ("first", "last"):
        table.parse_days(column, earliest=earliest_day(), latest=None)
    table.leave_out(
        table.rows["last"] < table.rows["first"],
        "last",
        check="ends before it begins",
        allowed="a last day that is not before the first",
    )
    order = table.rows.sort_values(["person", "first", "last"], kind="stable")
    last_row = dict[str, int]()
    for number, row in zip(order.index, order.to_dict("records"), strict=True):
        person, first, last = str(row["person"]), row["first"].date(), row["last"].date()
        spans = desk.leave.setdefault(person, [])
        if spans and first <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(last, spans[-1][1]))
            table.findings.append(_overlap(table.file, number, row, spans[-1], last_row[person]))
        else:
            spans.append((first, last))
        last_row[person] = number


def _set_apart(table: CsvTable, people: set[str]) -> None:
    """Leave out the leave of people who were left out themselves: one line on them is enough."""
    theirs = table.rows["person"].isin(people)
    if theirs.any():
        table.note("leave of somebody who was left out", f"{int(theirs.sum())} rows")
        table.rows = table.rows[~theirs]


def _overlap(
    file: str, number: int, row: Mapping[Any, Any], span: tuple[date, date], other: int
) -> Finding:
    return Finding(
        f"overlaps leave of the same person in row {other}",
        "warning",
        file,
        number,
        "first",
        f"{row['first']:%Y-%m-%d} to {row['last']:%Y-%m-%d}",
        "each day once",
        f"both were kept as one, {span[0]} to {span[1]}; mend the file if that is not meant",
    )


def _read_hours(table: CsvTable, desk: DeskTable, words: DeskWords, today: date) -> None:
    table.leave_out_unknown("branch", sorted(words.branches))
    unclear = ~table.rows["opening"].map(_has_hours).astype(bool)
    desk.unclear |= set(table.rows.loc[unclear, "branch"])
    advice = "what was on record stays; where nothing is, its staff cannot be planned"
    allowed = f"days with their hours, such as {_OPENING}"
    told = table.rows["opening"] != ""
    table.leave_out(~told, "branch", check="branch without hours", allowed=allowed, fix=advice)
    unclear = unclear[told]
    table.leave_out(unclear, "opening", check="not opening hours", allowed=allowed, fix=advice)
    _parse_from(table, today)
    table.leave_out_repeated(["branch", "from"])
    desk.hours += [
        DeskHours(row["branch"], row["from"].date(), _canonical(row["opening"]))
        for row in table.rows.to_dict("records")
    ]


def _read_minutes(table: CsvTable, desk: DeskTable, words: DeskWords, today: date) -> None:
    _pass_over_empty(table, "minutes")
    table.leave_out_unknown("kind", list(words.kinds))
    table.leave_out_unknown("role", ROLES)
    _parse_branch(table, words)
    table.parse_numbers("minutes", lowest=0.0, highest=limits().number("minutes.highest"))
    _parse_from(table, today)
    table.leave_out_repeated(["kind", "role", "branch", "from"])
    desk.numbers += [
        DeskNumber(
            MINUTES,
            row["kind"],
            row["minutes"],
            row["from"].date(),
            row["role"],
            row["branch"] or None,
        )
        for row in table.rows.to_dict("records")
    ]


def _read_prices(table: CsvTable, desk: DeskTable, words: DeskWords, today: date) -> None:
    _pass_over_empty(table, "amount")
    _leave_out_other_currency(table, words)
    table.leave_out_unknown("price", list(words.prices))
    table.parse_numbers("amount", lowest=0.0, highest=limits().number("price.highest"))
    _parse_from(table, today)
    table.leave_out_repeated(["price", "from"])
    desk.numbers += [
        DeskNumber(PRICE, row["price"], row["amount"], row["from"].date())
        for row in table.rows.to_dict("records")
    ]


def _read_stock(table: CsvTable, desk: DeskTable, words: DeskWords, today: date) -> None:
    given = limits()
    most = given.number("stock.highest")
    _leave_out_other_currency(table, words)
    table.leave_out_unknown("item", list(words.items))
    table.leave_out_unknown("branch", sorted(words.branches))
    table.parse_numbers("on_hand", lowest=0.0, highest=most)
    table.parse_days("counted", earliest=earliest_day(), latest=today)
    table.parse_numbers("pack_size", lowest=1.0, highest=most)
    table.parse_numbers("lead_days", lowest=0.0, highest=given.number("stock.longest_lead"))
    table.parse_days("expires", earliest=earliest_day(), latest=None, empty=True)
    table.parse_numbers("pack_price", lowest=0.0, highest=given.number("price.highest"), empty=True)
    table.leave_out_repeated(["item", "branch", "counted"])
    desk.stock += [
        StockCount(
            row["branch"],
            row["item"],
            row["counted"].date(),
            row["on_hand"],
            row["pack_size"],
            row["lead_days"],
            _day(row["expires"]),
            None if pd.isna(row["pack_price"]) else row["pack_price"],
        )
        for row in table.rows.to_dict("records")
    ]


_READERS = {
    "staff": _read_staff,
    "hours": _read_hours,
    "minutes": _read_minutes,
    "prices": _read_prices,
    "stock": _read_stock,
}


# ------------------------------------------------------------------------------ parts
def _without_hours(desk: DeskTable, words: DeskWords) -> list[Finding]:
    """Say which branches have staff and no hours, in this file or on record."""
    staffed = {terms.branch_id for told in desk.terms.values() for terms in told}
    known = {*words.open_branches, *(one.branch_id for one in desk.hours)}
    return [
        Finding(
            "branch without hours",
            "warning",
            desk.file,
            None,
            "branch",
            repr(branch),
            f"days with their hours, such as {_OPENING}",
            "add it to the table hours; until then its staff cannot be planned",
        )
        for branch in sorted(staffed - known - desk.unclear)
    ]


def _pass_over_empty(table: CsvTable, column: str) -> None:
    """Pass over rows that leave the number to the house: they say nothing."""
    table.rows = table.rows[table.rows[column] != ""]


def _parse_from(table: CsvTable, today: date) -> None:
    """Read the day from which a row holds; where there is none it holds from today."""
    table.rows = table.rows.assign(**{"from": table.rows["from"].replace("", today.isoformat())})
    table.parse_days("from", earliest=earliest_day(), latest=None)


def _parse_branch(table: CsvTable, words: DeskWords) -> None:
    table.leave_out_unknown("branch", sorted(words.branches), empty=True)


def _leave_out_other_currency(table: CsvTable, words: DeskWords) -> None:
    """Leave out amounts of another currency than the practice's: no rate is applied."""
    said = table.rows["currency"].str.upper()
    table.leave_out(
        (said != "") & (said != words.currency),
        "currency",
        check="another currency than the practice's",
        allowed=f"{words.currency}, or nothing" if words.currency else "nothing",
        fix="give the amount in it"
        if words.currency
        else "name it as currency under [practice] in practice.toml first",
    )


def _words_of(text: str) -> Sequence[str]:
    return text.replace(",", " ").replace(";", " ").split()


def _has_hours(text: str) -> bool:
    try:
        days, hours = parse_opening(text)
    except RegionError:
        return False
    return {span.day for span in hours} == set(days)


def _are_days(text: str) -> bool:
    try:
        return not text or not parse_opening(text)[1]
    except RegionError:
        return False


def _weekdays(text: str) -> tuple[int, ...] | None:
    return tuple(DAY_NAMES.index(day) for day in parse_opening(text)[0]) if text else None


def _canonical(text: str) -> str:
    """Return an opening in one form, so that the same hours are the same text."""
    days, hours = parse_opening(text)
    return " ".join(
        word for day in days for word in (day, *(str(span) for span in hours if span.day == day))
    )


def _day(value: Any) -> date | None:
    return None if pd.isna(value) else value.date()
