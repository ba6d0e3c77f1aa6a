"""Gathering the cells of a table column by column, each distinct text kept once.

A million lines hold a few thousand distinct texts in most columns: a column is kept as codes and
the texts they stand for, so memory follows the distinct texts, and whatever is done to a text is
done once.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.sheets.block import Block
from forecast.sheets.heading import CLOSING_ROWS, is_closing_line


class _Codes(dict[str, int]):
    """Texts and their codes; an unknown text gets the next code."""

    def __missing__(self, text: str) -> int:
        code = self[text] = len(self)
        return code


class Ragged(NamedTuple):
    """A record with too few or too many cells."""

    number: int
    n_cells: int


@dataclass
class Collector:
    """The cells below a heading, by column.

    `usual` is the number of cells most records have. Empty cells behind the last column are cut off
    where the whole table has them; in a single record they tell of a stray separator.
    """

    heading: list[str]
    usual: int
    ragged: list[Ragged] = field(default_factory=list)
    closing: list[tuple[int, str]] = field(default_factory=list)
    n_repeated_headings: int = 0

    def __post_init__(self) -> None:
        self._width = len(self.heading)
        named = [place for place, text in enumerate(self.heading, start=1) if text.strip()]
        self._least = named[-1]  # nameless columns at the end may be missing
        self._texts = [_Codes() for _ in self.heading]
        self._codes: list[list[NDArray[np.int32]]] = [[] for _ in self.heading]
        self._numbers: list[NDArray[np.int64]] = []
        self._last_ragged: deque[list[str]] = deque(maxlen=CLOSING_ROWS)

    def add(self, block: Block) -> None:
        """Take in a block of records."""
        width, heading = self._width, self.heading
        good = [
            at
            for at, cells in enumerate(block.cells)
            if len(cells) == width and any(cells) and cells != heading
        ]
        kept = block.cells
        if len(good) < len(kept):
            kept, good = self._mend(block, set(good))
        if not good:
            return
        self._numbers.append(np.asarray(good, dtype=np.int64) + block.first)
        for place, column in enumerate(zip(*kept, strict=True)):
            find = self._texts[place].__getitem__
            codes = np.fromiter(map(find, column), dtype=np.int32, count=len(good))
            self._codes[place].append(codes)

    def _mend(self, block: Block, good: set[int]) -> tuple[list[list[str]], list[int]]:
        """Go through a block in which not every record is as wide as the heading."""
        rows, places = [], []
        for at, cells in enumerate(block.cells):
            if at not in good:
                fitted = self._fitted(block.first + at, cells)
                if fitted is None:
                    continue
                cells = fitted
            rows.append(cells)
            places.append(at)
        return rows, places

    def _fitted(self, number: int, cells: list[str]) -> list[str] | None:
        """Return a record cut or filled up to the width, where no text is lost by it."""
        if not any(cell.strip() for cell in cells):
            return None
        if cells == self.heading:
            self.n_repeated_headings += 1
            return None
        extra = cells[self._width :]
        if extra and len(cells) == self.usual and not any(cell.strip() for cell in extra):
            return cells[: self._width]
        if self._least <= len(cells) <= self._width:
            return cells + [""] * (self._width - len(cells))
        self.ragged.append(Ragged(number, len(cells)))
        self._last_ragged.append(cells)
        return None

    def frame(self, names: Sequence[str]) -> pd.DataFrame:
        """Return the columns as categories of stripped text; nameless empty ones are left out.

        Frees what was gathered. Lines below the table are set apart in `closing`.
        """
        numbers = _joined(self._numbers, np.int64)
        codes = [_joined(parts, np.int32) for parts in self._codes]
        self._codes = []
        n_last = self._set_closing_apart(numbers, codes)
        columns = {}
        for place, name in enumerate(names):
            texts, self._texts[place] = list(self._texts[place]), _Codes()
            column = categories(codes[place][:n_last], texts, unused=n_last < len(numbers))
            if self.heading[place].strip() or any(column.categories):
                columns[name] = column
        return pd.DataFrame(columns, index=pd.Index(numbers[:n_last], name="row"), copy=False)

    def _set_closing_apart(self, numbers: NDArray[np.int64], codes: list[NDArray[np.int32]]) -> int:
        """Return how many rows stand above the lines that close the table."""
        texts = [list(known) for known in self._texts]
        n_last = len(numbers)
        for _ in range(CLOSING_ROWS):
            last = int(numbers[n_last - 1]) if n_last else 0
            if self.ragged and self.ragged[-1].number > last:
                cells = self._last_ragged.pop()
                # a line that is ragged has no claim to all its cells
                if not is_closing_line(cells, max(self._width, 2 * len(cells))):
                    break
                self.closing.append((self.ragged.pop().number, _first_text(cells)))
            elif n_last:
                cells = [t[c[n_last - 1]] for t, c in zip(texts, codes, strict=True)]
                if not is_closing_line(cells, self._width):
                    break
                self.closing.append((last, _first_text(cells)))
                n_last -= 1
            else:
                break
        return n_last


def _first_text(cells: Sequence[str]) -> str:
    return next(cell.strip() for cell in cells if cell.strip())


def _joined(parts: list[NDArray[Any]], dtype: type) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.empty(0, dtype=dtype)


def categories(
    codes: NDArray[Any], texts: Sequence[str], *, unused: bool = False
) -> pd.Categorical:
    """Return codes and texts as categories; texts that are the same once stripped become one.

    With `unused`, texts that no code stands for are dropped.
    """
    final = _Codes()
    find = final.__getitem__
    new = np.fromiter((find(text.strip()) for text in texts), dtype=np.int32, count=len(texts))
    if len(final) < len(texts):
        codes = np.take(new, codes)
    column = pd.Categorical.from_codes(codes, pd.Index(list(final), dtype=object), validate=False)
    return column.remove_unused_categories() if unused else column
