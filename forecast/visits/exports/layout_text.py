"""Writing a layout, with comments that say what each part is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from forecast.toml_text import quoted
from forecast.visits.exports.layout import COLUMNS, Layout, item_classes

_HEAD = """\
# What the columns and words of one system's exports mean. The practice keeps this file and edits
# it; an empty "" is a question, and a file that needs its answer is not read before it is there.
"""
_KEYS = (
    ("name", "name of the system, for people"),
    ("rows", '"lines": a row is a line of an invoice; "visits": a row is a visit'),
    ("day_order", '"day month year", "month day year", "year month day" or "serial"'),
    ("decimal", 'the mark in 12,5 or 12.5: "," or "."'),
    ("language", "of notes and items"),
    ("time_zone", 'of times that end in Z or +01:00, such as "Europe/Berlin"; else not needed'),
    ("branch", "our branch id, where a file has no column for it"),
)
_ABOUT = {
    "columns": "Our name = the export's heading. Only date and patient, or date and visit, must be "
    "there.\n# Others are: ",
    "branches": "The export's word = our branch id.",
    "statuses": "The export's word = counts, voided or reopened. An empty cell counts.",
    "species": "Words that mean dog; none given: dog, canine, Hund and such. Rows of other\n"
    "# animals count as consultations and no more.",
    "patients": "Numbers or names that are no patients, but tests; their rows are left out.",
    "merged": "The patient number that was given up = the number that stays.",
    "items": "The practice's own item strings, or codes = what they are. Classes are:\n# ",
}


def layout_text(
    layout: Layout,
    *,
    remarks: Mapping[tuple[str, ...], str] | None = None,
    unmapped: Mapping[str, int] | None = None,
    perhaps_merged: Mapping[str, str] | None = None,
) -> str:
    """Return the text of a layout file, always in the same order.

    Parameters
    ----------
    layout
        What to write; `file` and `text` of it are not looked at.
    remarks
        Comments behind single keys, by their path, such as ``("branches", "High St")``.
    unmapped
        Item strings without a class and the lines that hold them, written as comments to fill in.
    perhaps_merged
        Patient numbers that may be one animal's, written as comments to uncomment.
    """
    said = remarks or {}
    lines = [_HEAD]
    for key, about in _KEYS:
        comment = said.get((key,), about)
        lines.append(f"{key} = {quoted(getattr(layout, key))}  # {_plain(comment)}")
    lines += _table("columns", {n: layout.columns[n] for n in COLUMNS if n in layout.columns}, said)
    for name in ("branches", "statuses"):
        lines += _table(name, getattr(layout, name), said)
    lines += _list("species", "dog", layout.dog_words)
    lines += _list("patients", "test", layout.test_patients)
    lines += _table("merged", layout.merged, said)
    lines += [
        f"# {quoted(given_up)} = {quoted(stays)}  # same owner and name"
        for given_up, stays in (perhaps_merged or {}).items()
    ]
    lines += _table("items", layout.items, said)
    lines += [f'# {quoted(text)} = ""  # {n} lines' for text, n in (unmapped or {}).items()]
    return "\n".join(lines) + "\n"


def _table(
    name: str, values: Mapping[str, str], remarks: Mapping[tuple[str, ...], str]
) -> Iterator[str]:
    yield from _header(name, values)
    for key, value in values.items():
        remark = remarks.get((name, key), "")
        written = key if name == "columns" else quoted(key)
        yield f"{written} = {quoted(value)}" + (f"  # {_plain(remark)}" if remark else "")


def _list(name: str, key: str, words: Sequence[str]) -> Iterator[str]:
    yield from _header(name, {})
    yield f"{key} = [{', '.join(map(quoted, words))}]"


def _header(name: str, values: Mapping[str, str]) -> Iterator[str]:
    about = _ABOUT[name]
    if name == "columns":
        about += ", ".join(column for column in COLUMNS if column not in values)
    elif name == "items":
        about += ",\n# ".join(", ".join(row) for row in _rows_of(list(item_classes())))
    yield f"\n[{name}]"
    yield f"# {about}"


def _rows_of(words: Sequence[str], room: int = 96) -> Iterator[list[str]]:
    row: list[str] = []
    for word in words:
        if row and len(", ".join([*row, word])) > room:
            yield row
            row = []
        row.append(word)
    yield row


def _plain(text: str) -> str:
    """Return a comment on one line, without control letters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
