"""Options that several commands share."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer


class DayError(Exception):
    """A day that is none, or is not written as one.

    No ForepawError, which is a ValueError: the option parser would wrap it in its own words.
    """


def read_day(text: str | date) -> date:
    """Read a day as ISO 8601 writes it; the refusal says how. A default comes as a date."""
    if isinstance(text, date):
        return text
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise DayError(
            f"the day {text!r} was given, which is none; write it as YYYY-MM-DD, such as 2023-03-01"
        ) from None


PracticeFolder = Annotated[
    Path, typer.Option("--practice", help="The practice folder.", show_default="current folder")
]
AsOf = Annotated[
    date | None,
    typer.Option(
        "--as-of",
        parser=read_day,
        metavar="YYYY-MM-DD",
        help="Use only what was known before this day.",
        show_default="today",
    ),
]
