"""What a page is: an address, the right it takes, and a handler that answers with values.

A handler returns a `View`: a frozen object with everything the page says. The same object gives
HTML by its template, JSON at the address with ``.json`` behind it, and each of its tables as CSV
at the address with ``.csv``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from starlette.requests import Request

from forecast.accounts.person import Account
from forecast.accounts.roles import Right
from forecast.climate import ClimateStore
from forecast.pages.outside import Outside
from forecast.practice import Practice
from forecast.records.engine import Records
from models.errors import ForepawError

Method = Literal["GET", "POST"]
Row = Mapping[str, Any]


class PageError(ForepawError):
    """What was asked of a page cannot be given; the sentence is shown to the person."""

    status = 400


class NotFoundError(PageError):
    """There is nothing at that address for this person."""

    status = 404


@dataclass(frozen=True)
class Asked:
    """What a handler is asked, and by whom; `account` is None on pages that anybody may see."""

    request: Request
    practice: Practice
    records: Records
    climate: ClimateStore
    outside: Outside
    account: Account | None
    form: Mapping[str, Any] = field(default_factory=dict)

    @property
    def path(self) -> Mapping[str, str]:
        """The parts of the address that the page's path names."""
        return self.request.path_params

    @property
    def query(self) -> Mapping[str, str]:
        """What stands behind the question mark."""
        return self.request.query_params


@dataclass(frozen=True)
class View:
    """What a page answers with: the object it shows, its template and its tables."""

    template: str
    page: Any
    tables: Mapping[str, Sequence[Row]] = field(default_factory=dict)
    status: int = 200


@dataclass(frozen=True)
class GoTo:
    """Where a form that did something leads; `said` is shown there once."""

    path: str
    said: str = ""


@dataclass(frozen=True)
class Page:
    """One route. `needs` is the right it takes; None: nobody need be signed in."""

    path: str
    name: str
    needs: Right | None
    handler: Callable[[Asked], Any]
    methods: tuple[Method, ...] = ("GET",)
    has_data: bool = False  # whether it is also given as JSON and CSV
    max_bytes: int = 64 * 1024  # of a form; an upload's page allows more
