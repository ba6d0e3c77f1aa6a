"""One row for each time a patient was seen, put together from the lines that tell of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.exports.line_arrays import (
    NO_STAMP,
    Codes,
    code_of,
    codes_of,
    distinct,
    text_ranks,
)

NOTE_BREAK = "\n"  # between the notes of several lines
Texts = NDArray[np.object_]


@dataclass(frozen=True)
class Attendances:
    """Counting lines by attendance, within one in the order they were entered.

    Attributes
    ----------
    rows
        The frame of all lines.
    places
        Positions in it of the lines that count.
    number
        Which attendance, from 0 up, each of these lines belongs to.
    """

    rows: pd.DataFrame
    places: NDArray[np.intp]
    number: Codes

    @property
    def n(self) -> int:
        """How many attendances there are."""
        return int(self.number[-1]) + 1 if len(self.number) else 0

    @property
    def first_lines(self) -> NDArray[np.intp]:
        """Positions in the frame of the first line of each."""
        return self.places[np.flatnonzero(np.diff(self.number, prepend=-1))]

    def first(self, name: str) -> Texts:
        """Return the first text of a column that is not empty; "" where all are."""
        codes, filled, texts = self._filled(name)
        which, at = np.unique(self.number[filled], return_index=True)
        found = np.full(self.n, "", dtype=object)
        found[which] = texts[codes[filled[at]]]
        return found

    def distinct(self, name: str) -> Texts:
        """Return the distinct texts of a column as sorted tuples."""
        codes, filled, texts = self._filled(name)
        rank = text_ranks(self.rows[name])
        order = np.argsort(rank)
        n = max(len(order), 1)
        pairs = distinct(self.number[filled] * n + rank[codes[filled]])
        bounds = np.searchsorted(pairs, np.arange(self.n + 1) * n).tolist()
        words = texts[order][pairs % n].tolist()
        known: dict[tuple[str, ...], tuple[str, ...]] = {}  # most tuples come many times
        found = np.empty(self.n, dtype=object)
        for at in range(self.n):
            one = tuple(words[bounds[at] : bounds[at + 1]])
            found[at] = known.setdefault(one, one)
        return found

    def joined(self, name: str) -> Texts:
        """Return the distinct texts of a column in the order they were entered, joined."""
        codes, filled, texts = self._filled(name)
        n = max(len(texts), 1)
        _, first = np.unique(self.number[filled] * n + codes[filled], return_index=True)
        at = filled[np.sort(first)]
        parts, number = texts[codes[at]], self.number[at]
        starts = np.flatnonzero(np.diff(number, prepend=-1))
        ends = np.append(starts[1:], len(at))
        found = np.full(self.n, "", dtype=object)
        found[number[starts]] = parts[starts]
        for which in np.flatnonzero(ends - starts > 1):
            start, end = starts[which], ends[which]
            found[number[start]] = NOTE_BREAK.join(parts[start:end])
        return found

    def share_without_class(self) -> NDArray[np.float64]:
        """Return the share of the distinct items without a class; not-a-number without items."""
        codes, filled, texts = self._filled("item")
        column = self.rows["item_class"]
        classed = codes_of(column)[self.places[filled]] != code_of(column, "")
        n = max(len(texts), 1)
        pair = self.number[filled] * n + codes[filled]
        items = np.bincount(distinct(pair) // n, minlength=self.n)
        named = np.bincount(distinct(pair[classed]) // n, minlength=self.n)
        return 1 - named / np.where(items, items, np.nan)

    def longest(self, name: str) -> NDArray[np.float64]:
        """Return the largest number of a column; not-a-number where none is known."""
        numbers = self.rows[name].to_numpy(dtype=np.float64)[self.places]
        known = ~np.isnan(numbers)
        found = np.full(self.n, -np.inf)
        np.maximum.at(found, self.number[known], numbers[known])
        return np.where(np.isinf(found), np.nan, found)

    def n_lines(self) -> Codes:
        """Return how many lines each has."""
        return np.bincount(self.number, minlength=self.n)

    def all_lines(self, is_so: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Say of which attendances all lines are so."""
        n_others = np.bincount(self.number[~is_so[self.places]], minlength=self.n)
        return np.equal(n_others, 0)

    def earliest(self, moments: Codes) -> NDArray[np.datetime64]:
        """Return the first known stamp [s] of each; `moments` go with the lines that count."""
        last = np.iinfo(np.int64).max
        first = np.full(self.n, last)
        np.minimum.at(first, self.number, np.where(moments == NO_STAMP, last, moments))
        found = first.astype("datetime64[s]")
        found[first == last] = np.datetime64("NaT")
        return found

    def _filled(self, name: str) -> tuple[Codes, NDArray[np.intp], Texts]:
        """Return a column's codes, which of the lines are not empty, and its texts."""
        column = self.rows[name]
        codes = codes_of(column)[self.places]
        texts = np.asarray(column.cat.categories, dtype=object)
        return codes, np.flatnonzero(codes != code_of(column, "")), texts
