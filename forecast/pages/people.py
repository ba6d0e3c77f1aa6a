"""People: who may sign in, with which role, for which branches, until when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from starlette.datastructures import FormData

from forecast.accounts import people
from forecast.accounts.audit import entries
from forecast.accounts.links import Link, invite, new_link
from forecast.accounts.person import Account
from forecast.accounts.roles import RIGHTS, Right, Role, role_of
from forecast.pages.page import Asked, GoTo, Method, NotFoundError, Page, PageError, Row, View
from forecast.records.branches import branches
from models.errors import ForepawError

PATH = "/people"
_NOT_TAKEN = 422
_NEWEST_ENTRIES = 30


@dataclass(frozen=True)
class RoleRow:
    """A role and what it lets a person do."""

    role: str
    rights: tuple[str, ...]


@dataclass(frozen=True)
class BranchRow:
    """A branch that an account may be limited to."""

    id: str
    name: str


@dataclass(frozen=True)
class PersonRow:
    """One account as the list shows it."""

    id: str
    name: str
    email: str
    role: str
    branches: tuple[str, ...]
    until: date | None
    standing: str
    has_second_factor: bool


@dataclass(frozen=True)
class Typed:
    """What was typed into a form, given back where it is not taken."""

    name: str = ""
    email: str = ""
    role: str = Role.NURSE.value
    branches: tuple[str, ...] = ()
    until: str = ""


@dataclass(frozen=True)
class PeoplePage:
    """What the list of people says."""

    n_active: int
    people: tuple[PersonRow, ...]
    roles: tuple[RoleRow, ...]
    branches: tuple[BranchRow, ...]
    typed: Typed = Typed()
    wrong: str = ""


@dataclass(frozen=True)
class PersonPage:
    """What the page of one account says; `written` is the end of the audit on it."""

    person: PersonRow
    is_oneself: bool
    roles: tuple[RoleRow, ...]
    branches: tuple[BranchRow, ...]
    written: tuple[WrittenRow, ...]
    wrong: str = ""


@dataclass(frozen=True)
class WrittenRow:
    """One line of the audit; `by` is "" for a stranger or the command line.

    The audit itself holds random ids; here stands whose they are, for as long as that is known.
    """

    at: datetime
    action: str
    by: str


@dataclass(frozen=True)
class LinkPage:
    """A one-time link, shown once."""

    person: PersonRow
    address: str
    expires_at: datetime


def _list(asked: Asked) -> View:
    page = _people_page(asked)
    return View("people.html", page, tables={"people": _table(page)})


def _table(page: PeoplePage) -> list[Row]:
    return [
        {
            "name": one.name,
            "email": one.email,
            "role": one.role,
            "branches": " ".join(one.branches),
            "until": one.until,
            "standing": one.standing,
            "second_factor": "on" if one.has_second_factor else "off",
        }
        for one in page.people
    ]


def _people_page(asked: Asked) -> PeoplePage:
    today = asked.practice.local_date
    rows = tuple(_row(one, today) for one in people.accounts(asked.records))
    return PeoplePage(
        n_active=sum(one.standing == "active" for one in rows),
        people=rows,
        roles=_roles(),
        branches=_branches(asked),
    )


def _invite(asked: Asked) -> View:
    typed = _typed(asked.form)
    try:
        link = invite(
            asked.records,
            name=typed.name,
            email=typed.email,
            role=role_of(typed.role),
            branches=typed.branches,
            until=_until(typed.until, asked.practice.local_date),
            by=_by(asked),
            now=asked.practice.now,
        )
    except ForepawError as refused:
        page = replace(_people_page(asked), typed=typed, wrong=_sentence(refused))
        return View("people.html", page, status=_NOT_TAKEN)
    return _shown(asked, link)


def _person(asked: Asked) -> View | GoTo:
    held = _asked_account(asked)
    if asked.request.method != "POST":
        return View("person.html", _person_page(asked, held))
    typed = _typed(asked.form)
    try:
        people.change(
            asked.records,
            held.id,
            role=role_of(typed.role),
            branches=typed.branches,
            until=_until(typed.until, asked.practice.local_date),
            by=_by(asked),
            now=asked.practice.now,
        )
    except ForepawError as refused:
        page = replace(_person_page(asked, held), wrong=_sentence(refused))
        return View("person.html", page, status=_NOT_TAKEN)
    return GoTo(f"{PATH}/{held.id}", "Changed; whoever it is signs in again.")


def _person_page(asked: Asked, held: Account) -> PersonPage:
    zone = asked.practice.time_zone
    names = {one.id: one.name for one in people.accounts(asked.records)}
    return PersonPage(
        person=_row(held, asked.practice.local_date),
        is_oneself=held.id == _by(asked),
        roles=_roles(),
        branches=_branches(asked),
        written=tuple(
            WrittenRow(one.at.astimezone(zone), one.action, _who(one.account_id, held.id, names))
            for one in entries(asked.records, newest=_NEWEST_ENTRIES, account_id=held.id)
        ),
    )


def _who(account_id: str | None, here: str, names: Mapping[str, str]) -> str:
    if account_id is None:
        return ""
    return "themselves" if account_id == here else names.get(account_id) or account_id


def _active(asked: Asked) -> View | GoTo:
    held, wanted = _asked_account(asked), asked.text("active") == "yes"
    if held.id == _by(asked) and not wanted:
        raise PageError(
            "you were about to deactivate your own account; another administrator can do that"
        )
    people.set_active(asked.records, held.id, wanted, by=_by(asked), now=asked.practice.now)
    said = "is active again" if wanted else "is deactivated; wherever it was signed in, that ended"
    return GoTo(f"{PATH}/{held.id}", f"The account {said}.")


def _link(asked: Asked) -> View:
    held = _asked_account(asked)
    link = new_link(
        asked.records,
        held.id,
        without_second_factor=asked.text("second_factor") == "off",
        by=_by(asked),
        now=asked.practice.now,
    )
    return _shown(asked, link)


def _shown(asked: Asked, link: Link) -> View:
    page = LinkPage(
        person=_row(link.account, asked.practice.local_date),
        address=f"{asked.public_address}{link.path}",
        expires_at=link.expires_at.astimezone(asked.practice.time_zone),
    )
    return View("link.html", page)


def _asked_account(asked: Asked) -> Account:
    try:
        return people.account(asked.records, asked.path["account"])
    except people.AccountError as refused:
        raise NotFoundError(str(refused)) from None


def _row(one: Account, today: date) -> PersonRow:
    return PersonRow(
        id=one.id,
        name=one.name,
        email=one.email,
        role=one.role.value,
        branches=one.branches,
        until=one.until,
        standing=one.standing(today),
        has_second_factor=one.has_second_factor,
    )


def _roles() -> tuple[RoleRow, ...]:
    return tuple(
        RoleRow(role.value, tuple(right.value for right in Right if right in RIGHTS[role]))
        for role in Role
    )


def _branches(asked: Asked) -> tuple[BranchRow, ...]:
    return tuple(BranchRow(one.id, one.name) for one in branches(asked.records).values())


def _typed(form: Mapping[str, Any]) -> Typed:
    def text(name: str) -> str:
        value = form.get(name)
        return value.strip() if isinstance(value, str) else ""

    several = form.getlist("branches") if isinstance(form, FormData) else []
    chosen = tuple(one for one in several if isinstance(one, str) and one)
    return Typed(text("name"), text("email"), text("role"), chosen, text("until"))


def _until(text: str, today: date) -> date | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise PageError(f"the last day {text!r} is none; write it as YYYY-MM-DD") from None
    if day < today:
        raise PageError(f"the last day {day} is over; name today or a later one, or none")
    return day


def _by(asked: Asked) -> str | None:
    return asked.account.id if asked.account else None


def _sentence(refused: Exception) -> str:
    text = str(refused)
    return f"{text[:1].upper()}{text[1:]}."


_BOTH: tuple[Method, ...] = ("GET", "POST")
_MAY = Right.MANAGE_PEOPLE
PAGES = (
    Page(PATH, "people", _MAY, _list, has_data=True, menu="People"),
    Page(f"{PATH}/invite", "invite", _MAY, _invite, methods=("POST",)),
    Page(f"{PATH}/{{account}}", "person", _MAY, _person, methods=_BOTH),
    Page(f"{PATH}/{{account}}/active", "person-active", _MAY, _active, methods=("POST",)),
    Page(f"{PATH}/{{account}}/link", "person-link", _MAY, _link, methods=("POST",)),
)
