"""The page at which whoever sits at this machine becomes one of the demo's people.

It stands in place of the page to sign in. The names are invented and so is the practice; all else
(sessions, rights, the door) is as in any practice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from ipaddress import ip_address

from forecast.accounts.audit import Action, note
from forecast.accounts.person import Account
from forecast.accounts.roles import Right, Role, rights_of
from forecast.accounts.sessions import begin
from forecast.pages.door import SIGN_IN
from forecast.pages.opened import OpenedPractice
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.signing_in import own_path

ENTER = "/enter"
_SHOWN_FIRST = (Role.VET, Role.MANAGER, Role.NURSE, Role.DESK, Role.ADMINISTRATOR)


@dataclass(frozen=True)
class Enterable:
    """One role to be: who, and what that lets a person do."""

    role: str
    name: str
    may: tuple[str, ...]


@dataclass(frozen=True)
class EnterPage:
    """Who one may be in the demo; `next_path` is where it leads."""

    people: tuple[Enterable, ...]
    next_path: str
    is_signed_out: bool = False


class NotFromHereError(PageError):
    """The demo is for whoever sits at its machine."""

    status = 403


def entering_pages(
    people: Mapping[Role, Account],
) -> Callable[[OpenedPractice, Sequence[Page]], list[Page]]:
    """Return what puts the demo's page in place of the page to sign in."""

    def look(asked: Asked) -> View | GoTo:
        _check_is_here(asked)
        wanted = own_path(asked.query.get("next", "/"))
        if asked.account is not None:
            return GoTo(wanted)
        shown = tuple(_enterable(people[role]) for role in _SHOWN_FIRST if role in people)
        return View("enter.html", EnterPage(shown, wanted, "out" in asked.query))

    def enter(asked: Asked) -> GoTo:
        _check_is_here(asked)
        named = asked.text("role")
        if named not in people:
            raise NotFoundError(f"the demo has nobody of the role {named!r}")
        account, now = people[Role(named)], asked.practice.now
        with asked.records.writing() as connection:
            note(connection, Action.SIGNED_IN, by=account.id, now=now)
            session = begin(connection, account.id, now=now)
        return GoTo(own_path(asked.text("next") or "/"), session=session)

    def change(opened: OpenedPractice, pages: Sequence[Page]) -> list[Page]:
        kept = [page for page in pages if page.path != SIGN_IN]
        signing_in = next(page for page in pages if page.path == SIGN_IN)
        mine = replace(signing_in, handler=look, methods=("GET",))
        return [*kept, mine, Page(ENTER, "enter", None, enter, methods=("POST",), max_bytes=4096)]

    return change


def _enterable(account: Account) -> Enterable:
    rights = rights_of(account.role) - {Right.OWN_ACCOUNT}
    may = tuple(right.value for right in Right if right in rights)
    return Enterable(account.role.value, account.name, may)


def _check_is_here(asked: Asked) -> None:
    """Refuse whoever comes over a network, should something lead there in spite of all."""
    address = asked.sitting.address
    if not address or not ip_address(address).is_loopback:
        raise NotFromHereError("the demo is for whoever sits at the machine that it runs on")
