"""The plan as a workbook: a summary, a sheet a branch to be printed, and the numbers as tables.

Every text is written as text: none is run as a formula, whatever a name begins with.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Mapping, Sequence
from datetime import date

import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from forecast.staffing.burdens import burden_note, burden_words, burdens
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.kept_plan import KeptPlan
from forecast.staffing.last_year import notes_on
from forecast.staffing.overflow import LoadWeek
from forecast.staffing.words import (
    branch_answer,
    count,
    currency_words,
    overflow_answer,
    shift_words,
    told_odds,
)
from forecast.staffing.workbook_looks import (
    BRANCH_WIDTH,
    LINE_POINTS,
    SUMMARY_WIDTH,
    Cell,
    Looks,
    headings,
    looks_of,
    printed,
    sheet_name,
    spread,
    tell,
    write,
)

_PLAIN = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
_REASON_LETTERS = 80
HOURS_NOTE = (
    "Hours are hours of work: half of the outcomes lie below the median, eight in ten within the "
    "range. Capacity is what the roster can take; a week overflows where more is wanted, visits "
    "that wait from the week before included."
)


def staffing_workbook(
    plan: KeptPlan,
    *,
    names: Mapping[str, str],
    people: Mapping[str, str],
    notes: Sequence[str],
    agreed: Collection[date],
) -> bytes:
    """Return a plan as a workbook.

    Parameters
    ----------
    names, people
        What branches and members of staff are called, by their ids.
    notes
        What must be known before it is read, such as that the practice is invented.
    agreed
        Mondays of the weeks whose shifts are worked by; those of all others are a proposal.
    """
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, **_PLAIN}) as book:
        looks = looks_of(book)
        _summary(
            book.add_worksheet("summary"), plan, names, [*notes, _standing(plan, agreed)], looks
        )
        taken = {"summary", "load", "orders", "people"}
        for branch in plan.branches:
            name = sheet_name(names.get(branch, branch), taken)
            _branch(book.add_worksheet(name), plan, branch, names, people, looks)
        _load(book.add_worksheet("load"), plan, names, looks)
        _orders(book.add_worksheet("orders"), plan, names, looks)
        if plan.sees_people:
            _people(book.add_worksheet("people"), plan, names, people, looks)
    return out.getvalue()


def _standing(plan: KeptPlan, agreed: Collection[date]) -> str:
    n_agreed = sum(week in agreed for week in plan.weeks)
    state = "The roster is agreed." if n_agreed else "The roster is a proposal."
    if 0 < n_agreed < len(plan.weeks):
        state = f"Shifts of {n_agreed} of the {len(plan.weeks)} weeks are agreed, the others are "
        state += "proposed; odds and costs are of these shifts."
    return f"Forecast {plan.issue_id}; reckoned on {plan.made_on}. {state}"


# ------------------------------------------------------------------------------ sheets
def _summary(
    sheet: Worksheet,
    plan: KeptPlan,
    names: Mapping[str, str],
    notes: Sequence[str],
    looks: Looks,
) -> None:
    sheet.set_column(0, 0, 34, looks.text)
    sheet.set_column(1, 9, 13)
    tell(sheet, 0, overflow_answer(plan, names), looks.title, width=SUMMARY_WIDTH)
    row = 1
    for note in [*notes, HOURS_NOTE, *plan.remarks]:
        tell(sheet, row, note, looks.small, width=SUMMARY_WIDTH)
        row += 1
    row = _waiting(sheet, row + 1, plan, names, looks)
    if plan.money.lines:
        row = _money(sheet, row + 1, plan, looks)
    row += 1
    _rests_on(sheet, row, plan, looks)
    printed(sheet)


def _rests_on(sheet: Worksheet, row: int, plan: KeptPlan, looks: Looks) -> None:
    """Write where each number is from; values and reasons are sentences, so each spans columns."""
    heads = (("What it rests on", 0, 0), ("value", 1, 2), ("from", 3, 3), ("why", 4, 9))
    for text, first, last in heads:
        spread(sheet, row, (first, last), text, looks.heading)
    for one in plan.told:
        row += 1
        cells = (one.what, one.value, one.source, one.why)
        for (_, first, last), text in zip(heads, cells, strict=True):
            spread(sheet, row, (first, last), text, looks.text)
        lines = max(-(-len(one.what) // 36), -(-len(one.value) // 27))
        lines = max(lines, -(-len(one.why) // _REASON_LETTERS), 1)
        sheet.set_row(row, LINE_POINTS * lines)


def _waiting(
    sheet: Worksheet, row: int, plan: KeptPlan, names: Mapping[str, str], looks: Looks
) -> int:
    """Write the odds of overflow, a row a week and a column a branch; return the next row."""
    branches = plan.branches
    headings(
        sheet,
        row,
        ["Odds that the week overflows", *(names.get(b, b) for b in branches)],
        looks,
        numbers=len(branches),
    )
    held = {(one.week, one.branch): one.overflow_odds for one in plan.waiting}
    for week in plan.weeks:
        row += 1
        told = [held.get((week, branch)) for branch in branches]
        shapes = [looks.likely if (t or 0) >= told_odds() else looks.per_cent for t in told]
        write(sheet, row, [week, *told], [looks.day, *shapes])
    return row + 1


def _money(sheet: Worksheet, row: int, plan: KeptPlan, looks: Looks) -> int:
    currency = f" [{currency_words(plan.money.currency)}]"
    heads = ["wages", "extra shifts", "locums", "overtime", "turned away", "waiting", "total"]
    heads = [f"Expected cost{currency}", *heads, "8 in 10 from", "to"]
    headings(sheet, row, heads, looks, numbers=len(heads) - 1)
    for one in plan.money.lines:
        row += 1
        cells: list[Cell] = [one.roster, one.wages, one.extra_shifts, one.locums, one.overtime]
        cells += [one.turned_away, one.waiting, one.total, one.low, one.high]
        write(sheet, row, cells, [looks.text, *[looks.whole] * 9])
    for note in notes_on(one.roster for one in plan.money.lines):
        row += 1
        tell(sheet, row, note, looks.small, width=SUMMARY_WIDTH)
    if plan.money.prices_from_table:
        row += 1
        of_house = count(len(plan.money.prices_from_table), "price is", "prices are")
        told = f"{of_house.capitalize()} the house's, not the practice's own"
        tell(sheet, row, told, looks.small, width=SUMMARY_WIDTH)
    return row + 1


def _branch(
    sheet: Worksheet,
    plan: KeptPlan,
    branch: str,
    names: Mapping[str, str],
    people: Mapping[str, str],
    looks: Looks,
) -> None:
    sheet.set_column(0, 0, 17, looks.text)
    sheet.set_column(1, 3, 34, looks.text)
    sheet.set_column(4, 6, 12, looks.text)
    answer = branch_answer(plan, branch, names.get(branch, branch))
    tell(sheet, 0, answer, looks.title, width=BRANCH_WIDTH)
    note = "Hours of work: median (eight in ten) of what the roster can take; hours to hold open"
    tell(sheet, 1, note, looks.small, width=BRANCH_WIDTH)
    heads = [*ROLES, "overflows", "turned away", "waiting"]
    headings(sheet, 2, ["week of", *heads], looks, numbers=3)
    load = {(one.week, one.role): one for one in plan.load if one.branch == branch}
    row = 2
    for one in (each for each in plan.waiting if each.branch == branch):
        row += 1
        told = [_load_words(load.get((one.week, role))) for role in ROLES]
        cells: list[Cell] = [one.week, *told, one.overflow_odds, one.turned_away, one.waiting]
        odds = looks.likely if one.overflow_odds >= told_odds() else looks.per_cent
        shapes = [looks.day, *[looks.text] * len(ROLES), odds, looks.number, looks.number]
        write(sheet, row, cells, shapes)
    row += 2
    headings(sheet, row, ["day", *ROLES, "slots free"], looks, numbers=1)
    _roster(sheet, row + 1, plan, branch, people, looks)
    sheet.freeze_panes(3, 1)
    printed(sheet)


def _load_words(one: LoadWeek | None) -> str:
    if one is None:
        return "not known"
    load = f"{one.middle:.0f} h ({one.low:.0f} to {one.high:.0f}) of {one.capacity:.0f} h"
    return f"{load}; hold {one.hours_to_hold:.0f} h"


def _roster(
    sheet: Worksheet,
    row: int,
    plan: KeptPlan,
    branch: str,
    people: Mapping[str, str],
    looks: Looks,
) -> None:
    shifts = plan.shifts_at(branch)
    slots = {one.day: one.slots for one in plan.slots if one.branch == branch}
    for day in sorted({one.day for one in shifts} | set(slots)):
        own = [one for one in shifts if one.day == day]
        told: list[Cell] = [
            ", ".join(shift_words(one, people) for one in own if one.role == role) or "nobody"
            for role in ROLES
        ]
        free = slots.get(day)
        cells: list[Cell] = [day, *told, None if free is None else float(free)]
        write(sheet, row, cells, [looks.day, *[looks.text] * len(ROLES), looks.whole])
        row += 1


def _load(sheet: Worksheet, plan: KeptPlan, names: Mapping[str, str], looks: Looks) -> None:
    heads = ["branch", "week of", "role", "low 10 % [h]", "median [h]", "high 90 % [h]"]
    heads += ["capacity [h]", "odds of overflow", "hours to hold open [h]", "service level"]
    headings(sheet, 0, heads, looks, numbers=7)
    for row, one in enumerate(plan.load, start=1):
        cells: list[Cell] = [names.get(one.branch, one.branch), one.week, one.role]
        cells += [one.low, one.middle, one.high, one.capacity, one.overflow_odds]
        cells += [one.hours_to_hold, one.service]
        shapes = [looks.text, looks.day, looks.text, *[looks.number] * 4]
        write(sheet, row, cells, [*shapes, looks.per_cent, looks.number, looks.per_cent])
    sheet.set_column(0, 9, 16)
    sheet.freeze_panes(1, 3)
    sheet.autofilter(0, 0, max(1, len(plan.load)), len(heads) - 1)
    printed(sheet, title_row=0)


def _orders(sheet: Worksheet, plan: KeptPlan, names: Mapping[str, str], looks: Looks) -> None:
    heads = ["branch", "item", "order by", "arrives", "packs", "units"]
    heads += [f"price [{currency_words(plan.money.currency)}]"]
    heads += ["odds of running out without it", "remark"]
    headings(sheet, 0, heads, looks, numbers=5)
    sheet.write_string(0, len(heads) - 1, heads[-1], looks.heading)
    orders = sorted(
        (order for outlook in plan.stock for order in outlook.orders),
        key=lambda one: (one.order_by, one.branch, one.item),
    )
    for row, one in enumerate(orders, start=1):
        cells: list[Cell] = [names.get(one.branch, one.branch), one.item, one.order_by]
        cells += [one.arrives, float(one.packs), one.units, one.price, one.runs_out_odds]
        cells += ["comes late" if one.is_late else ""]
        shapes = [looks.text, looks.text, looks.day, looks.day, *[looks.whole] * 3]
        write(sheet, row, cells, [*shapes, looks.per_cent, looks.text])
    sheet.set_column(0, 8, 18)
    sheet.freeze_panes(1, 2)
    printed(sheet, title_row=0)


def _people(
    sheet: Worksheet,
    plan: KeptPlan,
    names: Mapping[str, str],
    people: Mapping[str, str],
    looks: Looks,
) -> None:
    heads = ["who", "branch", "hours paid", "hours rostered", "of them in peak weeks"]
    heads += ["share in peak weeks", "extra shifts", "away from home", "peak burdens"]
    tell(sheet, 0, burden_words(plan.roster, people), looks.title, width=BRANCH_WIDTH)
    tell(sheet, 1, burden_note(plan.roster), looks.small, width=BRANCH_WIDTH)
    headings(sheet, 2, heads, looks, numbers=7)
    for row, one in enumerate(burdens(plan.roster, people), start=3):
        cells: list[Cell] = [people.get(one.person, "erased"), names.get(one.home, one.home)]
        cells += [one.contract, one.hours, one.peak_hours, one.peak_share]
        cells += [float(one.extra), float(one.away), float(one.peak_burdens)]
        shapes = [looks.text, looks.text, *[looks.whole] * 3, looks.per_cent]
        write(sheet, row, cells, [*shapes, *[looks.whole] * 3])
    sheet.set_column(0, 1, 22)
    sheet.set_column(2, 8, 14)
    sheet.freeze_panes(3, 1)
    printed(sheet, title_row=2)
