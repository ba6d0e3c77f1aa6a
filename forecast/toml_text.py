"""TOML that people edit: where a key stands, what a slip of the pen meant, writing a string."""

from __future__ import annotations

import difflib
import json
import re
from collections import Counter
from collections.abc import Iterable

_TABLE_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.-]+)\s*\]")


def broken_toml(file: str, message: str) -> str:
    """Turn the parser's message about a file that is no TOML into a sentence."""
    what, _, where = message.partition(" (at ")
    place = where.removesuffix(")") if where else "line 1"
    place = place.replace("end of document", "its end")
    return f"{file}, at {place}, is not TOML: {what[:1].lower()}{what[1:]}; mend that line"


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """Return the tail of a sentence that names the nearest allowed word; empty if none is near."""
    near = difflib.get_close_matches(word, list(allowed), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def line_of(text: str, location: tuple[str | int, ...]) -> int | None:
    """Find the line of a key: the parser keeps no line numbers, so headers are counted.

    `location` is the path to the key: the table's name (dotted, where it is within another), its
    number from 0 where a table is repeated, the key. Without the key it is the line of its table.
    """
    names = [part for part in location if isinstance(part, str)]
    number = next((part for part in location if isinstance(part, int)), 0)
    key = names[-1]
    written = rf"^\s*({re.escape(key)}|{re.escape(quoted(key))})\s*="
    table, seen, header_line = "", Counter[str](), None
    for line, content in enumerate(text.split("\n"), start=1):
        header = _TABLE_HEADER.match(content)
        if header:
            table = header.group(2)
            seen[table] += 1
        inside = table == names[0] and seen[table] == number + 1
        if header and inside:
            header_line = line
        here = inside or (table == "" and len(names) == 1)
        if here and not header and re.match(written, content):
            return line
    return header_line


def quoted(text: str) -> str:
    """Write a string as TOML does, whatever is in it."""
    # a JSON string is one of TOML too, but for the one control letter JSON leaves alone
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
