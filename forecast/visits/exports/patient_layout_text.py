"""Writing a layout of patients to be filled in, with the headings and words of a file."""

from __future__ import annotations

from collections.abc import Iterator

from forecast.sheets import Sheet
from forecast.toml_text import quoted
from forecast.visits.exports.patient_layout import DAYS, DOG, HOLDS, NONE

_MOST_WORDS = 400  # of a column; one with more is a number, a name or a text, and none to map
_HEAD = """\
# What the columns and words of files of {holds} mean. Fill in the headings; of the words below,
# take the mark # away and write which of ours each is, or "{none}" where it is nothing of ours:
# such rows are left out. A word without a meaning counts as not known.
"""


def patient_layout_text(sheet: Sheet, holds: str) -> tuple[str, int]:
    """Return the text of a layout for a file, and how many words wait in it."""
    columns = HOLDS[holds]
    words = list(_words(sheet))
    lines = [_HEAD.format(holds=holds, none=NONE), f"holds = {quoted(holds)}"]
    lines += [
        'day_order = ""  # "day month year", "month day year", "year month day" or "serial"',
        'decimal = ""  # "," or "."',
        "",
        "[columns]",
        f"# Headings of the file: {', '.join(map(quoted, sheet.headings))}",
    ]
    lower = {heading.lower(): heading for heading in sheet.headings}
    lines += [f"{ours} = {quoted(lower.get(ours, ''))}" for ours in columns.required]
    lines += [f"# {ours} = {quoted(lower.get(ours, ''))}" for ours in columns.optional]
    lines += ["", "[always]", "# one word for every row, where the file has no such column"]
    free = [name for name in columns.all if name not in (DOG, *DAYS)]
    lines += [f'# {ours} = ""' for ours in free]
    lines += ["", "[words]", *(f'# {quoted(word)} = ""  # {n} rows' for word, n in words)]
    return "\n".join(lines) + "\n", len(words)


def _words(sheet: Sheet) -> Iterator[tuple[str, int]]:
    """Yield what may be words to map: the cells of columns that hold few different ones."""
    seen = set[str]()
    for heading in sheet.headings:
        counted = sheet.rows[heading].astype("str").value_counts()
        if len(counted) > min(_MOST_WORDS, max(len(sheet.rows) // 2, 2)):
            continue
        for word, n in counted.items():
            text = str(word)
            if text and text not in seen and any(letter.isalpha() for letter in text):
                seen.add(text)
                yield text, int(n)
