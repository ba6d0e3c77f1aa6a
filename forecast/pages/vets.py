"""Vets and their dogs: who looks after how many, and handing a vet's dogs to others.

Somebody limited to branches sees and hands over the dogs of these alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from starlette.datastructures import FormData

from forecast.accounts import people
from forecast.accounts.audit import Action, note
from forecast.accounts.person import Account
from forecast.accounts.roles import Right, Role
from forecast.dosing.due import Due, DueDog
from forecast.dosing.handing_over import HandedDog, Taker, loads, shared_out
from forecast.pages import dogs as dogs_page
from forecast.pages.dog_list import ACTIVE, lists
from forecast.pages.page import Asked, GoTo, Page, PageError, Row, View
from forecast.records.engine import RecordsError
from forecast.records.vets import (
    Vet,
    assign,
    keep_vets,
    link_account,
    owners_of,
    vets,
    vets_on,
)

PATH = "/vets"
_NOT_TAKEN = 422
_NOBODY = "nobody"  # in a form: dogs that nobody looks after, or nobody who signs in


@dataclass(frozen=True)
class VetRow:
    """One vet: `signs_in_as` is the id of the account, `account` its name; "" for none.

    Attributes
    ----------
    n_dogs, n_due
        Active dogs that the vet looks after today; those among them for which anything is due. Of
        dogs without a vet the allergic ones count.
    leaves
        The last day on which the account may sign in, or None.
    """

    id: str
    name: str
    signs_in_as: str
    account: str
    leaves: date | None
    n_dogs: int
    n_due: int


@dataclass(frozen=True)
class VetsPage:
    """What the page of vets says; `accounts` are the vets who sign in, by id and name."""

    answer: str
    vets: tuple[VetRow, ...]
    n_alone: int
    accounts: tuple[tuple[str, str], ...]
    today: date
    wrong: str = ""


class _RefusedError(PageError):
    """What a form asks for cannot be done; the page says so and stands as it was."""


def _vets(asked: Asked) -> View:
    page = _page(asked)
    return View("vets.html", page, {"vets": [_row(one) for one in page.vets]})


def _row(one: VetRow) -> Row:
    return {"vet": one.name, "dogs": one.n_dogs, "due": one.n_due, "leaves": one.leaves}


def _page(asked: Asked) -> VetsPage:
    vet_of = lists.vets(asked.practice, asked.records)
    active = [dog for dog in _active(asked) if dog.is_atopic or dog.id in vet_of]
    of_vet, due = Counter[str](), Counter[str]()
    for dog in active:
        vet_id = vet_of.get(dog.id, "")
        of_vet[vet_id] += 1
        due[vet_id] += dog.due is not Due.NOTHING
    signing_in = {one.id: one for one in people.accounts(asked.records) if one.role is Role.VET}
    rows = tuple(
        _vet_row(one, signing_in.get(one.account_id or ""), of_vet[one.id], due[one.id])
        for one in vets(asked.records)
    )
    return VetsPage(
        answer=_answer(len(active), of_vet[""], len([row for row in rows if row.n_dogs])),
        vets=rows,
        n_alone=of_vet[""],
        accounts=tuple((one.id, one.name) for one in signing_in.values() if one.name),
        today=asked.practice.local_date,
    )


def _vet_row(one: Vet, account: Account | None, n_dogs: int, n_due: int) -> VetRow:
    return VetRow(
        one.id,
        one.name or dogs_page.NAME_ERASED,
        account.id if account else "",
        account.name if account else "",
        account.until if account else None,
        n_dogs,
        n_due,
    )


def _answer(n_dogs: int, n_alone: int, n_vets: int) -> str:
    if not n_dogs:
        return "No allergic dog is on record yet"
    dogs = "1 dog" if n_dogs == 1 else f"{n_dogs} dogs"
    if n_alone == n_dogs:
        return f"Of {dogs}, none has a vet of its own yet"
    who = "1 vet looks" if n_vets == 1 else f"{n_vets} vets look"
    alone = f"; {n_alone} {'has' if n_alone == 1 else 'have'} nobody"
    if not n_alone:
        alone = "; every one has a vet"
    return f"{who} after {n_dogs - n_alone} of {dogs}{alone}"


def _active(asked: Asked) -> list[DueDog]:
    assert asked.account is not None
    rows = lists.listed(asked.practice, asked.records).rows
    return [dog for dog in dogs_page.theirs(rows, asked.account) if dog.status == ACTIVE]


# ------------------------------------------------------------------------------ handing over
def _hand_over(asked: Asked) -> View | GoTo:
    try:
        return GoTo(PATH, _handed_over(asked))
    except (_RefusedError, RecordsError) as refused:
        return _again(asked, str(refused))


def _handed_over(asked: Asked) -> str:
    """Hand the dogs of one vet, or of nobody, to the vets that were chosen; say what came of it."""
    assert asked.account is not None
    known = {one.id: one for one in vets(asked.records)}
    giver, takers = asked.text("from"), _chosen(asked)
    since = _since(asked)
    if giver not in (*known, _NOBODY):
        raise _RefusedError("whose dogs are to be handed over was not chosen")
    takers = [one for one in takers if one in known and one != giver]
    if not takers:
        raise _RefusedError("nobody was chosen to take the dogs, or only the one who gives them")
    with asked.records.reading() as connection:
        vet_of = vets_on(connection, since)
        dogs = [one for one in _active(asked) if vet_of.get(one.id, _NOBODY) == giver]
        if giver == _NOBODY:  # the vet of an animal that is not allergic is nobody's concern here
            dogs = [one for one in dogs if one.is_atopic]
        households = owners_of(connection, [one.id for one in dogs])
    able = _takers([known[one] for one in takers], asked, loads(vet_of))
    handed = [HandedDog(one.id, households[one.id], one.branch) for one in dogs]
    given = shared_out(handed, able)
    if not dogs:
        raise _RefusedError("there is no active dog of yours to hand over from that vet")
    if not given:
        raise _RefusedError("none of those who were chosen works where these dogs are seen")
    subject = None if giver == _NOBODY else giver
    with asked.records.writing() as connection:
        assign(connection, given, since=since, by=asked.account.id)
        now = asked.practice.now
        note(connection, Action.DOGS_HANDED_OVER, by=asked.account.id, subject=subject, now=now)
    return _said(given, known, n_left=len(dogs) - len(given), since=since)


def _chosen(asked: Asked) -> list[str]:
    form = asked.form
    return [str(one) for one in form.getlist("to")] if isinstance(form, FormData) else []


def _since(asked: Asked) -> date:
    text, today = asked.text("since"), asked.practice.local_date
    try:
        since = date.fromisoformat(text) if text else today
    except ValueError:
        raise _RefusedError(f"the day {text!r} was entered; write it as YYYY-MM-DD") from None
    if since < today:
        raise _RefusedError(f"the day {since} lies behind; dogs are handed over from {today} on")
    return since


def _takers(chosen: Sequence[Vet], asked: Asked, held: Mapping[str, int]) -> list[Taker]:
    accounts = {one.id: one for one in people.accounts(asked.records)}
    found = []
    for one in chosen:
        account = accounts.get(one.account_id or "")
        branches = frozenset(account.branches) if account else frozenset[str]()
        found.append(Taker(one.id, held.get(one.id, 0), branches))
    return found


def _said(given: Mapping[str, str], known: Mapping[str, Vet], *, n_left: int, since: date) -> str:
    each = Counter(given.values())
    parts = [f"{known[vet].name} {n}" for vet, n in each.most_common()]
    dogs = "1 dog is" if len(given) == 1 else f"{len(given)} dogs are"
    left = f" {n_left} stay: nobody chosen works where they are seen." if n_left else ""
    return f"{dogs} handed over from {since} on: {', '.join(parts)}.{left}"


# ------------------------------------------------------------------------------ who is which vet
def _add(asked: Asked) -> View | GoTo:
    name = asked.text("name")
    try:
        with asked.records.writing() as connection:
            keep_vets(connection, [name])
    except RecordsError as refused:
        return _again(asked, str(refused))
    return GoTo(PATH, f"{name} is on record as a vet.")


def _link(asked: Asked) -> View | GoTo:
    assert asked.account is not None
    vet_id, account_id = asked.text("vet"), asked.text("account")
    signing_in = {one.id for one in people.accounts(asked.records) if one.role is Role.VET}
    if account_id not in (*signing_in, _NOBODY):
        return _again(asked, "nobody was chosen who signs in as a vet")
    own = None if account_id == _NOBODY else account_id
    try:
        with asked.records.writing() as connection:
            link_account(connection, vet_id, own)
            now = asked.practice.now
            note(connection, Action.VET_LINKED, by=asked.account.id, subject=vet_id, now=now)
    except RecordsError as refused:
        return _again(asked, str(refused))
    return GoTo(PATH, "Kept. “My dogs” on the list of dogs goes by it.")


def _again(asked: Asked, refused: str) -> View:
    text = f"{refused[:1].upper()}{refused[1:]}."
    return View("vets.html", replace(_page(asked), wrong=text), status=_NOT_TAKEN)


# ------------------------------------------------------------------------------ one dog
def _of_one_dog(asked: Asked) -> GoTo:
    assert asked.account is not None
    dog_id, vet_id = asked.path["dog"], asked.text("vet")
    if dog_id not in {one.id for one in _active(asked)}:
        raise PageError("a vet was to look after a dog that is gone, or is of another branch")
    if vet_id not in {one.id for one in vets(asked.records)} | {_NOBODY}:
        raise PageError("a vet was to look after a dog who is not on record")
    given: dict[str, str | None] = {dog_id: None if vet_id == _NOBODY else vet_id}
    with asked.records.writing() as connection:
        assign(connection, given, since=asked.practice.local_date, by=asked.account.id)
        now = asked.practice.now
        note(connection, Action.DOGS_HANDED_OVER, by=asked.account.id, subject=dog_id, now=now)
    return GoTo(f"{dogs_page.PATH}/{dog_id}", "Kept.")


PAGES = (
    Page(PATH, "vets", Right.SHARE_OUT_DOGS, _vets, has_data=True),
    Page(f"{PATH}/hand-over", "vets-hand-over", Right.SHARE_OUT_DOGS, _hand_over, ("POST",)),
    Page(f"{PATH}/add", "vets-add", Right.SHARE_OUT_DOGS, _add, methods=("POST",)),
    Page(f"{PATH}/link", "vets-link", Right.SHARE_OUT_DOGS, _link, methods=("POST",)),
    Page(
        f"{dogs_page.PATH}/{{dog}}/vet",
        "dog-vet",
        Right.SHARE_OUT_DOGS,
        _of_one_dog,
        methods=("POST",),
    ),
)
