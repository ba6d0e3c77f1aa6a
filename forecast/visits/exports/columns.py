"""The columns of a sheet by our own names, through a layout."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.sheets import Sheet, same_heading
from forecast.sheets.collecting import categories
from forecast.visits.exports.layout import Layout


@dataclass(frozen=True)
class Column:
    """A column of an export: its heading, its distinct cells, and which of them each row holds."""

    heading: str
    texts: list[str]
    codes: NDArray[Any]

    def holds(self, is_so: Callable[[str], bool]) -> NDArray[np.bool_]:
        """Say for each row whether its cell is so; each distinct cell is asked once."""
        answers = np.array([is_so(text) for text in self.texts], dtype=bool)
        return np.take(answers, self.codes)

    def cells(self, places: NDArray[np.intp]) -> list[str]:
        """Return the cells of some rows, by position."""
        return [self.texts[code] for code in self.codes[places]]

    def translated(self, find: Callable[[str], str | None], *, empty: str = "") -> pd.Categorical:
        """Return the column with other words: what `find` gives, or `empty` where it gives none."""
        return categories(self.codes, [find(text) or empty for text in self.texts])


@dataclass(frozen=True)
class ExportColumns:
    """A sheet seen through a layout whose columns it has."""

    sheet: Sheet
    layout: Layout

    def heading(self, name: str) -> str | None:
        """Return the sheet's heading of one of our columns; None where there is none."""
        named = self.layout.columns.get(name)
        if named is None:
            return None
        wanted = same_heading(named)
        return next(h for h in self.sheet.headings if same_heading(h) == wanted)

    def column(self, name: str) -> Column:
        """Return a column by our name; one that is not there is empty."""
        heading = self.heading(name)
        if heading is None:
            return Column(name, [""], np.zeros(len(self.sheet.rows), dtype=np.int8))
        values = self.sheet.rows[heading].array
        return Column(heading, [str(text) for text in values.categories], values.codes)

    def those_there(self, *names: str) -> dict[str, Column]:
        """Return the columns of these that the layout names."""
        return {name: self.column(name) for name in names if name in self.layout.columns}

    def text(self, name: str) -> pd.Categorical:
        """Return a column's text as it is."""
        column = self.column(name)
        return categories(column.codes, column.texts)

    def item(self) -> pd.Categorical:
        """Return each line's item: its text, or its code where no text stands."""
        item, code = self.text("item"), self.text("code")
        if "code" not in self.layout.columns:
            return item
        blank = np.asarray(item == "")
        codes = np.where(blank, code.codes + len(item.categories), item.codes)
        return categories(codes.astype(np.int32), [*item.categories, *code.categories], unused=True)
