"""The desk's tables read one by one: a bad row is reported in one line and left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd

from forecast.csv_files import CsvTable
from forecast.findings import Finding
from forecast.records.desk import MINUTES, PRICE, DeskHours, DeskNumber, StockCount
from forecast.records.staff import Terms
from forecast.regions import DAY_NAMES, RegionError, parse_opening
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.desk_table import OPENING_LIKE, DeskTable, DeskWords, limits
from forecast.staffing.shift_reader import read_shifts
from forecast.visits.rules import earliest_day


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


def read_leave(table: CsvTable, desk: DeskTable, *, known: set[str], today: date) -> None:
    """Read leave of people in `known`: of each the spans, none of which overlap."""
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
    allowed = f"days with their hours, such as {OPENING_LIKE}"
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


READERS = {
    "shifts": read_shifts,
    "staff": _read_staff,
    "hours": _read_hours,
    "minutes": _read_minutes,
    "prices": _read_prices,
    "stock": _read_stock,
}


# ------------------------------------------------------------------------------ parts
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
