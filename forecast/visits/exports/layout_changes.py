"""Changing a layout that is kept: written anew, checked first, what stood there before kept."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from forecast.private_files import write_private
from forecast.visits.exports.layout import Layout, LayoutError, parse_layout
from forecast.visits.exports.layout_text import layout_text

EARLIER_FOLDER = "earlier"  # within the layouts; no layout is read from there
_PERHAPS_MERGED = re.compile(r'^# ("(?:[^"\\]|\\.)*" = "(?:[^"\\]|\\.)*")  # same owner and name$')


def layout_rewritten(layout: Layout, *, unmapped: Mapping[str, int]) -> str:
    """Return the text of a layout with other values, as if it were written for the first time.

    Comments of a hand are lost; patients that may be one animal stay listed until they are
    answered. `unmapped` is written as `layout_text` does.
    """
    perhaps = {
        up: stays
        for line in layout.text.splitlines()
        if (found := _PERHAPS_MERGED.match(line))
        for up, stays in tomllib.loads(found[1]).items()
        if up not in layout.merged
    }
    return layout_text(layout, unmapped=unmapped, perhaps_merged=perhaps)


def replace_layout(path: Path, text: str, *, before: str, now: datetime) -> Layout:
    """Put a text in the place of a layout, once it has been read without fault.

    Parameters
    ----------
    path
        Where the layout is kept.
    text
        What is to stand there.
    before
        What stood there when somebody began to edit.
    now
        Names the copy of what stood there.

    Raises
    ------
    LayoutError
        If the text is no layout, or the file was changed meanwhile; nothing is written then.
    """
    file = f"{path.parent.name}/{path.name}"
    changed = parse_layout(text, file)
    try:
        held = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise LayoutError(f"{file} was to be changed and is gone; look at the file again") from (
            error
        )
    if held != before:
        raise LayoutError(
            f"{file} was changed meanwhile by somebody else, so nothing was written; look at it "
            "again and repeat your change"
        )
    if held == text:
        return changed
    earlier = path.parent / EARLIER_FOLDER
    earlier.mkdir(mode=0o700, exist_ok=True)
    write_private(_free(earlier, f"{path.stem} {now:%Y-%m-%d %H%M%S}"), held.encode())
    write_private(path, text.encode())
    return changed


def _free(folder: Path, stem: str) -> Path:
    path, number = folder / f"{stem}.toml", 1
    while path.exists():
        number += 1
        path = folder / f"{stem} {number}.toml"
    return path
