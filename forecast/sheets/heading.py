"""Where a table's headings stand, what its columns are called, which lines only close it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Sequence

TOP_ROWS = 60  # title lines above a table are never more
CLOSING_ROWS = 20  # lines looked at from the end
_SHARE_OF_WORDS = 0.6  # of the most words that any of the top rows holds
_CLOSING = re.compile(
    r"((grand |sub)?totals?|sums?|count|number of|end of|page|printed|exported|generated|"
    r"gesamt|(zwischen)?summe|anzahl|ende|seite|gedruckt|exportiert|erstellt)\b|"
    r"[\d.,' ]+ *(rows?|records?|lines?|zeilen|datens[aä]tze)\b",
    re.IGNORECASE,
)


_SUM = re.compile(r"^[\d.,' +-]+$")


def same_heading(text: str) -> str:
    """Return a heading as it is compared: no case, single spaces."""
    return " ".join(text.split()).casefold()


def find_heading(top: Sequence[Sequence[str]], expected: Sequence[Collection[str]]) -> int | None:
    """Return which of the top records holds the headings; None where none can.

    Parameters
    ----------
    top
        The first records, blank ones too.
    expected
        Sets of headings; a record that holds all of one set is it. Without such a record it is the
        first one that is about as full of words as any.
    """
    wanted = [{same_heading(name) for name in names} for names in expected]
    for at, record in enumerate(top):
        here = {same_heading(cell) for cell in record}
        if any(names and names <= here for names in wanted):
            return at
    n_words = [sum(map(_is_word, record)) for record in top]
    if not any(n_words):
        return None
    enough = max(1.0, _SHARE_OF_WORDS * max(n_words))
    return next(at for at, n in enumerate(n_words) if n >= enough)


def _is_word(cell: str) -> bool:
    return any(letter.isalpha() for letter in cell)


def column_names(heading: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return a name for each column, all different, and the names that stood there twice.

    A column without a heading is called by its place, a second one of a name gets a number.
    """
    bare = [
        " ".join(text.split()) or f"column {place}" for place, text in enumerate(heading, start=1)
    ]
    counts, names = Counter[str](), []
    for name in bare:
        counts[name] += 1
        candidate = name if counts[name] == 1 else f"{name} ({counts[name]})"
        while candidate in names:
            counts[name] += 1
            candidate = f"{name} ({counts[name]})"
        names.append(candidate)
    folded = Counter(same_heading(name) for name in bare)
    return names, list(dict.fromkeys(n for n in bare if folded[same_heading(n)] > 1))


def is_closing_line(cells: Sequence[str], n_columns: int) -> bool:
    """Say whether a line begins as totals and remarks do, and holds few cells or sums only."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    if not filled or _CLOSING.match(filled[0]) is None:
        return False
    is_sparse = 2 * len(filled) <= max(n_columns, 2)
    sums_only = len(filled) < n_columns and all(_SUM.match(text) for text in filled[1:])
    return is_sparse or sums_only
