"""Which order the days of a file have and which decimal mark its numbers: proved, or asked.

The whole column decides. Where it cannot, the layout's answer counts; where there is none, a
question comes back, and nothing is read before a person has answered it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
from numpy.typing import NDArray

from forecast.toml_text import quoted
from forecast.visits.exports.columns import Column
from forecast.visits.exports.layout import DECIMALS, SERIAL, Layout, LayoutError
from forecast.visits.exports.questions import Question
from forecast.visits.exports.written_days import OrderProof, WrittenDays, take_apart
from forecast.visits.exports.written_numbers import WrittenNumbers, read_numbers

_MARK_WORDS = {",": "comma", ".": "point"}


def day_orders(
    columns: Mapping[str, Column], layout: Layout, today: date
) -> tuple[dict[str, str], dict[str, WrittenDays], list[Question]]:
    """Return the order of day and month in each column, the cells taken apart, and questions.

    A column that proves nothing follows the layout, and without its answer the other column.

    Raises
    ------
    LayoutError
        If a column proves another order than the layout says.
    """
    apart = {name: take_apart(column.texts) for name, column in columns.items()}
    proofs = {name: written.proof(today) for name, written in apart.items()}
    proved = [proof.proved for proof in proofs.values() if proof.proved]
    orders, questions = {}, []
    for name, proof in proofs.items():
        column, written = columns[name], apart[name]
        answered = layout.day_order not in ("", SERIAL)
        if name == "date" and proof.proved and answered and proof.proved != layout.day_order:
            raise LayoutError(
                f"{layout.place('day_order')}: day_order is {layout.day_order!r}, but column "
                f"{column.heading!r} can only be read as {proof.proved!r}; correct it there"
            )
        orders[name] = proof.proved or layout.day_order or (proved[0] if proved else "")
        if not orders[name] and not proof.in_question:
            orders[name] = proof.possible[0]  # all orders read the cells alike
        if not orders[name]:
            questions.append(_day_question(column, written, proof))
        if layout.day_order != SERIAL and _mostly_serial(column, written):
            questions.append(_serial_question(column, written))
    return orders, apart, questions[:1]


def _day_question(column: Column, written: WrittenDays, proof: OrderProof) -> Question:
    """Ask for the order; how steadily the days run forward is a hint and no proof."""
    steady = {order: _share_forward(column, written, order) for order in proof.misfits}
    hints = " and ".join(f"{100 * share:.0f} % as {order!r}" for order, share in steady.items())
    if proof.possible:
        why = f"{proof.example!r} can be read in more than one order and no other cell decides it"
        allowed = proof.possible
    else:
        why = f"its cells contradict each other (one is {proof.example!r})"
        allowed = tuple(proof.misfits)
    answers = " or ".join(quoted(order) for order in allowed)
    return Question(
        ("day_order",),
        f"column {column.heading!r}: {why}; say how days are written (day_order), {answers} "
        f"(a hint: of the steps from row to row the days run on in {hints})",
    )


def _share_forward(column: Column, written: WrittenDays, order: str) -> float:
    days = written.read(order).astype("datetime64[D]")[column.codes]
    days = days[~np.isnat(days)]
    steps = np.diff(days)
    return float((steps >= np.timedelta64(0, "D")).mean()) if len(steps) else 1.0


def _mostly_serial(column: Column, written: WrittenDays) -> bool:
    n_serial = int(written.is_serial[column.codes].sum()) if column.texts else 0
    return n_serial > 0 and 2 * n_serial > int(column.holds(bool).sum())


def _serial_question(column: Column, written: WrittenDays) -> Question:
    at = int(np.argmax(written.is_serial))
    day = np.datetime_as_string(written.read(SERIAL)[at], unit="D")
    return Question(
        ("day_order",),
        f"column {column.heading!r} holds numbers such as {written.texts[at]!r}, which a "
        f'spreadsheet counts from 1900 as {day}; write day_order = "{SERIAL}" if that is right, '
        "or export the column as dates",
    )


def decimal_numbers(
    columns: Mapping[str, Column], layout: Layout, *, is_workbook: bool
) -> tuple[dict[str, NDArray[np.float64]], list[Question]]:
    """Return the numbers of each column's distinct cells, and questions.

    A workbook's own numbers come with a point; only its texts with a comma are in question.

    Raises
    ------
    LayoutError
        If a column of a text file proves another mark than the layout says.
    """
    read = {name: read_numbers(column.texts) for name, column in columns.items()}
    asked = {
        name: _with_comma(numbers) if is_workbook else numbers for name, numbers in read.items()
    }
    proved = [numbers.proved for numbers in asked.values() if numbers.proved]
    values, questions = {}, []
    for name, numbers in asked.items():
        heading = columns[name].heading
        if numbers.proved and layout.decimal not in ("", numbers.proved) and not is_workbook:
            raise LayoutError(
                f"{layout.place('decimal')}: decimal is {layout.decimal!r}, but column "
                f"{heading!r} can only be read with a {_MARK_WORDS[numbers.proved]}; correct it "
                "there"
            )
        mark = numbers.proved or layout.decimal or (proved[0] if proved else "")
        if not mark and numbers.in_question:
            questions.append(_mark_question(heading, numbers))
        values[name] = read[name].with_mark[mark or "."]
        if is_workbook:
            own = np.array(["," not in text for text in read[name].texts], dtype=bool)
            values[name] = np.where(own, read[name].with_mark["."], values[name])
    return values, questions[:1]


def _with_comma(numbers: WrittenNumbers) -> WrittenNumbers:
    at = [place for place, text in enumerate(numbers.texts) if "," in text]
    return WrittenNumbers(
        [numbers.texts[place] for place in at],
        {mark: numbers.with_mark[mark][at] for mark in DECIMALS},
    )


def _mark_question(heading: str, numbers: WrittenNumbers) -> Question:
    cell = numbers.in_question
    return Question(
        ("decimal",),
        f"column {heading!r}: {cell!r} can be read with a decimal comma and with a decimal point, "
        'and no other cell decides it; say which mark stands in 12,5 or 12.5 (decimal), "," or "."',
    )
