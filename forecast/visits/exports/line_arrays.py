"""The lines of an export as arrays of codes, in which a million of them are gathered quickly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.exports.layout import REOPENED, VOIDED
from models.parameters import ParameterTable, load_table

Codes = NDArray[np.int64]
Mask = NDArray[np.bool_]
_A_DAY = 86_400
NO_STAMP = -(10**12)  # long before any stamp


def export_rules() -> ParameterTable:
    """Return the rules by which lines become visits."""
    return load_table("forecast.visits.exports", "export_rules.toml")


@dataclass
class LineArrays:
    """One entry a line.

    Attributes
    ----------
    invoice
        Which invoice it is of: branch, number, and which use of that number.
    visit
        Which visit: invoice and patient.
    patient, item, branch
        Codes of the categories of the frame; `nobody` and `no_item` stand for "".
    day, entered
        Days and seconds since 1970; `NO_STAMP` where no stamp is known.
    when
        Rank in the order in which lines were entered; where no stamp tells it, in the file's.
    in_time
        Rank by day, stamp and visit number: an order that the file's does not enter.
    """

    branch: Codes
    invoice: Codes
    visit: Codes
    patient: Codes
    item: Codes
    day: Codes
    entered: Codes
    when: Codes
    in_time: Codes
    quantity: NDArray[np.float64]
    amount: NDArray[np.float64]
    is_voided: Mask
    is_reopened: Mask
    nobody: int
    no_item: int

    @classmethod
    def of(cls, rows: pd.DataFrame) -> LineArrays:
        """Build from the rows of `Lines`."""
        branch, patient, item = (codes_of(rows[n]) for n in ("branch", "patient", "item"))
        day = rows["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
        entered = seconds_of(rows["entered"])
        is_voided = (rows["status"] == VOIDED).to_numpy()
        is_reopened = (rows["status"] == REOPENED).to_numpy()
        nobody = code_of(rows["patient"], "")
        invoice = _invoices(rows, branch, patient, day)
        # where stamps tell nothing, a voiding comes after what it voids, and a reopening after that
        precedence = is_voided + 2 * is_reopened
        when = _ranks(np.arange(len(rows)), precedence, entered)
        return cls(
            branch=branch,
            invoice=invoice,
            visit=dense(invoice, patient),
            patient=patient,
            item=item,
            day=day,
            entered=entered,
            when=when,
            in_time=_ranks(when, _line_ranks(rows["visit"]), entered, day),
            quantity=rows["quantity"].to_numpy(),
            amount=rows["amount"].to_numpy(),
            is_voided=is_voided,
            is_reopened=is_reopened,
            nobody=nobody,
            no_item=code_of(rows["item"], ""),
        )

    @property
    def entered_day(self) -> Codes:
        """Days since 1970 of the entry stamps."""
        return np.where(self.entered == NO_STAMP, NO_STAMP, self.entered // _A_DAY)


def codes_of(column: pd.Series) -> Codes:
    """Return the codes of a column of categories."""
    return column.cat.codes.to_numpy().astype(np.int64)


def code_of(column: pd.Series, text: str) -> int:
    """Return the code of a text in a column of categories; -1 where it never occurs."""
    return int(column.cat.categories.get_indexer(pd.Index([text], dtype=object))[0])


def _ranks(*keys: NDArray[np.integer]) -> Codes:
    """Return each line's place in the order of the keys, the last key first."""
    ranks = np.empty(len(keys[0]), dtype=np.int64)
    ranks[np.lexsort(keys)] = np.arange(len(ranks))
    return ranks


def text_ranks(column: pd.Series) -> Codes:
    """Return the place of each category of a column in the order of their texts."""
    order = np.argsort(np.asarray(column.cat.categories, dtype=object), kind="stable")
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(len(order))
    return ranks


def _line_ranks(column: pd.Series) -> Codes:
    """Return each line's place in the order of a column's texts, the same for the same text."""
    return np.take(text_ranks(column), codes_of(column))


def seconds_of(stamps: pd.Series) -> Codes:
    """Return seconds since 1970, `NO_STAMP` where there is no stamp."""
    moments = stamps.to_numpy().astype("datetime64[s]")
    return np.where(np.isnat(moments), NO_STAMP, moments.astype(np.int64))


def distinct(values: Codes) -> Codes:
    """Return the distinct values, sorted: by sorting, as hashing a million takes far longer."""
    in_order = np.sort(values)
    return in_order[np.flatnonzero(np.diff(in_order, prepend=in_order[:1] - 1))]


def dense(*keys: Codes) -> Codes:
    """Return numbers from 0 up, the same for lines that agree in all keys, in the keys' order."""
    joined = np.zeros(len(keys[0]), dtype=np.int64)
    for key in keys:
        low = key.min(initial=0)
        joined = joined * (key.max(initial=0) - low + 1) + (key - low)
        joined = np.unique(joined, return_inverse=True)[1]
    return joined


def _invoices(rows: pd.DataFrame, branch: Codes, patient: Codes, day: Codes) -> Codes:
    """Return the invoice of each line; without a number it is a patient's day."""
    number = codes_of(rows["visit"])
    numbered = number != code_of(rows["visit"], "")
    # an invoice's use of its number ends where nothing follows for a while
    invoice = dense(branch, number, np.where(numbered, 0, patient), np.where(numbered, 0, day))
    order = np.lexsort((day, invoice))
    apart = int(export_rules().number("visit_number.reused_after"))
    starts = np.ones(len(order), dtype=bool)
    starts[1:] = (np.diff(invoice[order]) != 0) | (np.diff(day[order]) > apart)
    use = np.empty(len(order), dtype=np.int64)
    use[order] = np.cumsum(starts) - 1
    return use
