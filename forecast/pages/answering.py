"""From a view to a reply: HTML by its template, or the same values as JSON or CSV."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, is_dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.responses import Response

from forecast.csv_text import csv_text
from forecast.pages.docstrings import inline
from forecast.pages.page import NotFoundError, View
from forecast.wording import day as day_in_words
from forecast.wording import full_day

_HERE = Path(__file__).parent
_KILOBYTE = 1_000
_COMMAND = re.compile(r"`([^`]+)`")
_ISO_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")


@cache
def environment() -> Environment:
    """Return the templates' environment: everything escaped, nothing undefined let through."""
    made = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["day"] = day_in_words
    made.filters["full_day"] = full_day
    made.filters["decimal"] = _decimal
    made.filters["per_cent"] = _per_cent
    made.filters["size"] = size_in_words
    made.filters["marked"] = inline
    made.filters["moment"] = _moment
    made.filters["commands"] = _commands
    made.filters["told"] = _told
    return made


_NOT_KNOWN = Markup('<span class="unknown">not known</span>')


def _decimal(value: float | None, digits: int = 0) -> str:
    return _NOT_KNOWN if value is None else f"{value:.{digits}f}"


def _per_cent(share: float | None) -> str:
    return _NOT_KNOWN if share is None else f"{100 * share:.0f} %"


def _moment(local: datetime) -> str:
    return f"{full_day(local)} {local:%H:%M}"


def _commands(text: str) -> Markup:
    """Return a sentence with the commands that stand in it between ` as code."""
    code = Markup("<code>{}</code>")  # of ours; what is between is escaped
    parts = enumerate(_COMMAND.split(text))  # what is between has an odd place
    return Markup("").join(code.format(one) if at % 2 else escape(one) for at, one in parts)


def _told(text: str) -> str:
    """Return a sentence of the rooms below as pages tell it: a capital first, days in words."""
    said = _ISO_DAY.sub(_day_said, text)
    return f"{said[:1].upper()}{said[1:]}"


def _day_said(found: re.Match[str]) -> str:
    try:
        return full_day(date.fromisoformat(found[0]))
    except ValueError:  # it only looks like a day
        return found[0]


def size_in_words(n_bytes: int) -> str:
    """Return the size of a file as people say it: never 0.0 MB."""
    if n_bytes < _KILOBYTE:
        return f"{n_bytes} {'byte' if n_bytes == 1 else 'bytes'}"
    if n_bytes < _KILOBYTE**2:
        return f"{max(1, round(n_bytes / _KILOBYTE))} kB"
    return f"{n_bytes / _KILOBYTE**2:.1f} MB"


def as_html(view: View, **around: Any) -> Response:
    """Render a view's template; `around` is what every page needs: who, where, what was said."""
    text = environment().get_template(view.template).render(page=view.page, **around)
    return Response(text, view.status, media_type="text/html")


def as_json(view: View) -> Response:
    """Give a view's object as JSON."""
    text = json.dumps(view.page, default=_plain, ensure_ascii=False, allow_nan=False)
    return Response(text, view.status, media_type="application/json")


def as_csv(view: View, table: str | None) -> Response:
    """Give one table of a view as CSV, the first unless named."""
    if not view.tables:
        raise NotFoundError("this page has no table to be given as CSV")
    name = table or next(iter(view.tables))
    if name not in view.tables:
        raise NotFoundError(f"a table {name!r} was asked; this page has {', '.join(view.tables)}")
    rows = view.tables[name]
    columns = list(rows[0]) if rows else []
    text = csv_text(columns, [[row[column] for column in columns] for row in rows])
    headers = {"content-disposition": f'attachment; filename="{name}.csv"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    if isinstance(value, datetime | date | pd.Timestamp):
        return value.isoformat()
    if isinstance(value, np.generic):
        return None if value != value else value.item()
    if isinstance(value, set | frozenset | tuple):
        return list(value)
    raise TypeError(f"{type(value).__name__} has no JSON form")
