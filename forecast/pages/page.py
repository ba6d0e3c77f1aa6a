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
from forecast.pages.sitting import STRANGER, Sitting
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
    sitting: Sitting = STRANGER
    public_address: str = ""  # of this service, as browsers call it; for links that are handed on

    @property
    def regions(self) -> frozenset[str] | None:
        """Ids of the regions that they are limited to by their branches; None: all.

        The door itself refuses addresses whose part `{region}` or `{branch}` is not theirs.
        """
        return self.sitting.regions

    def text(self, name: str) -> str:
        """Return what stands in a field of the form, without blanks around; "" for none."""
        value = self.form.get(name)
        return value.strip() if isinstance(value, str) else ""

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
    session: str | None = field(default=None, repr=False)  # the token of one that begins with it


@dataclass(frozen=True)
class GoTo:
    """Where a form that did something leads; `said` is shown there once.

    Attributes
    ----------
    session
        The token of a session that begins with it; "" where the session has ended, None where
        it stays as it is.
    browser
        The mark of a known browser, where there is a new one.
    """

    path: str
    said: str = ""
    session: str | None = field(default=None, repr=False)
    browser: str | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Page:
    """One route.

    Attributes
    ----------
    path
        Parts in braces are handed over; of `{region}` and `{branch}` the door sees to it that
        people limited to branches get their own alone.
    needs
        The right it takes; None: nobody need be signed in.
    has_data
        Whether it is also given as JSON and CSV.
    max_bytes
        Of a form; an upload's page allows more.
    menu
        Its words in the menu; "": it is not in it.
    is_one_click
        Whether a form is taken from whoever holds its address, wherever it comes from: mail
        programs send it, and tell no origin (RFC 8058). What the address holds is all it takes.
    """

    path: str
    name: str
    needs: Right | None
    handler: Callable[[Asked], Any]
    methods: tuple[Method, ...] = ("GET",)
    has_data: bool = False
    max_bytes: int = 64 * 1024
    menu: str = ""
    is_one_click: bool = False
