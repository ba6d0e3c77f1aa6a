"""The dogs page: every allergic dog by what is due, with filters; and the printable line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from forecast.accounts.person import Account
from forecast.accounts.roles import Right
from forecast.dosing.due import Due, DueDog
from forecast.pages.dog_list import ACTIVE, lists
from forecast.pages.page import Asked, Page, PageError, View
from forecast.records.branches import branches
from forecast.records.vets import Vet, vets

PATH = "/dogs"
_SHOWN = 100
_ANY = ""
_EVERY = "every dog"
_ALLERGIC = "allergic dogs"
MINE, OF_NOBODY = "mine", "nobody"  # values of the filter by vet, beside their ids
NAME_ERASED = "name erased"


@dataclass(frozen=True)
class Choice:
    """One thing to filter by: its value, its words, and how many dogs it has, if that is told."""

    value: str
    words: str
    n: int | None = None


@dataclass(frozen=True)
class DogsPage:
    """What the list of dogs says.

    Attributes
    ----------
    answer
        How many are due, in a sentence.
    has_any
        Whether any dog is on record that this person may see.
    due, branch, vet, who, q
        What is filtered by; "" for no filter.
    vet_of
        The name of the vet who looks after each dog that is shown and has one.
    is_behind
        Whether files came that are not in it yet; it is being worked out anew.
    n_found, page, n_pages
        How many dogs answer to it, and which hundred of them is shown.
    """

    answer: str
    has_any: bool
    dogs: tuple[DueDog, ...]
    due: str
    branch: str
    vet: str
    who: str
    q: str
    whose: tuple[Choice, ...]
    dues: tuple[Choice, ...]
    branches: tuple[Choice, ...]
    vets: tuple[Choice, ...]
    vet_of: Mapping[str, str]
    may_share_out: bool
    may_sign: bool
    is_behind: bool
    n_found: int
    page: int
    n_pages: int
    earlier: str
    later: str


def _dogs(asked: Asked) -> View:
    as_table = asked.request.url.path.endswith(".csv")  # of very many dogs only where it is asked
    page, found = _page(asked, whole=as_table)
    rows = [_row(one, page.vet_of.get(one.id, "")) for one in found] if as_table else ()
    return View("dogs.html", page, {"dogs": rows})


def _row(one: DueDog, vet: str) -> dict[str, object]:
    told = {name: value for name, value in vars(one).items() if name not in ("id", "is_atopic")}
    return told | {"vet": vet}


def theirs(dogs: Sequence[DueDog], account: Account) -> list[DueDog]:
    """Leave out the dogs of branches that are not a person's."""
    if not account.branches:
        return list(dogs)
    return [one for one in dogs if one.branch in account.branches]


def _page(asked: Asked, *, whole: bool) -> tuple[DogsPage, list[DueDog]]:
    """Return the page and all dogs found; with `whole`, the vets of all of them are named."""
    assert asked.account is not None
    listed = lists.listed(asked.practice, asked.records)
    everyone = theirs(listed.rows, asked.account)
    names = ("due", "branch", "vet", "who", "q")
    wanted = {name: asked.query.get(name, _ANY).strip() for name in names}
    if wanted["due"] not in (_ANY, *Due):
        raise PageError(
            f"dogs with {wanted['due']!r} due were asked for; there are {', '.join(Due)}"
        )
    all_of_them = wanted["who"] == _EVERY or bool(wanted["q"])
    of_a_vet = wanted["vet"] not in (_ANY, OF_NOBODY)  # theirs all, as the page Vets counts them
    pool = [d for d in everyone if d.status == ACTIVE and (d.is_atopic or of_a_vet)]
    pool = everyone if all_of_them else pool
    pool = [one for one in pool if _is_meant(one, wanted["branch"], wanted["q"])]
    known, vet_of = vets(asked.records), lists.vets(asked.practice, asked.records)
    pool = _of_vet(pool, wanted["vet"], known, vet_of, asked.account)
    found = [one for one in pool if wanted["due"] in (_ANY, one.due)]
    if wanted["q"]:  # the very number or name first, then those that hold it
        found.sort(key=lambda one: not _is_named(one, wanted["q"]))
    n_pages = max(1, -(-len(found) // _SHOWN))
    number = _number(asked.query.get("page", "1"), n_pages)
    shown = found[(number - 1) * _SHOWN : number * _SHOWN]
    held = branches(asked.records).values()
    mine = [one for one in held if not asked.account.branches or one.id in asked.account.branches]
    counted = Counter(one.due for one in pool)
    names_of = {one.id: one.name or NAME_ERASED for one in known}
    own = any(one.account_id == asked.account.id for one in known)
    page = DogsPage(
        answer=_answer(len(pool), counted) if everyone else _none(asked.account),
        has_any=bool(everyone),
        dogs=tuple(shown),
        **wanted,
        whose=(Choice("", _ALLERGIC), Choice(_EVERY, "every animal, gone ones too")),
        dues=tuple(Choice(due, due, counted[due]) for due in Due),
        branches=tuple(Choice(one.id, one.name) for one in mine),
        vets=(
            *([Choice(MINE, "my dogs")] if own else []),
            *(Choice(one.id, one.name) for one in known if one.name),
            *([Choice(OF_NOBODY, "nobody yet")] if known else []),
        ),
        vet_of={
            one.id: names_of[vet_of[one.id]]
            for one in (found if whole else shown)
            if one.id in vet_of
        },
        may_share_out=asked.account.may(Right.SHARE_OUT_DOGS),
        may_sign=asked.account.may(Right.SIGN_PLANS),
        is_behind=listed.is_behind,
        n_found=len(found),
        page=number,
        n_pages=n_pages,
        earlier=_address(wanted, number - 1) if number > 1 else "",
        later=_address(wanted, number + 1) if number < n_pages else "",
    )
    return page, found


def _of_vet(
    pool: list[DueDog], wanted: str, known: list[Vet], vet_of: Mapping[str, str], who: Account
) -> list[DueDog]:
    """Leave the dogs that one vet looks after, or that nobody does."""
    if wanted == _ANY:
        return pool
    if wanted == OF_NOBODY:
        return [one for one in pool if one.id not in vet_of]
    own = {one.account_id: one.id for one in known if one.account_id}
    vet_id = own.get(who.id) if wanted == MINE else wanted
    if vet_id not in {one.id for one in known}:
        raise PageError(
            "dogs of a vet were asked for who is not on record"
            + ("; nobody has named you as one yet (page Vets)" if wanted == MINE else "")
        )
    return [one for one in pool if vet_of.get(one.id) == vet_id]


def _is_meant(one: DueDog, branch: str, words: str) -> bool:
    if branch and one.branch != branch:
        return False
    folded = words.casefold()
    return not folded or folded in f"{one.reference} {one.name}".casefold()


def _is_named(one: DueDog, words: str) -> bool:
    return words.casefold() in (one.reference.casefold(), one.name.casefold())


def _number(text: str, most: int) -> int:
    if not text.isdigit() or not 1 <= int(text[:9]) <= most:
        raise PageError(f"page {text!r} was asked for; there are {most}")
    return int(text)


def _address(wanted: dict[str, str], number: int) -> str:
    given = {name: value for name, value in wanted.items() if value}
    return f"{PATH}?{urlencode(given | {'page': str(number)})}"


def _none(account: Account) -> str:
    of = " of your branches" if account.branches else ""
    return f"No dog{of} is on record yet"


def _answer(n_dogs: int, counted: Counter[Due]) -> str:
    if not n_dogs:
        return "No dog answers to this"
    words = {
        Due.SEE_NOW: "to be seen now",
        Due.DOSE: "due for another dose",
        Due.SCORE: "lacking an itch score alone",
    }
    parts = [f"{counted[due]} {said}" for due, said in words.items() if counted[due]]
    dogs = "1 dog" if n_dogs == 1 else f"{n_dogs} dogs"
    return f"Of {dogs}, {', '.join(parts)}" if parts else f"Of {dogs}, none is due today"


@dataclass(frozen=True)
class LinePage:
    """The printable line for an itch score; `centimetres` is its length."""

    centimetres: int = 10


def _line(asked: Asked) -> View:
    return View("itch_line.html", LinePage())


PAGES = (
    Page(PATH, "dogs", Right.SEE_DOGS, _dogs, has_data=True, menu="Dogs"),
    Page("/itch-line", "itch-line", Right.SEE_DOGS, _line),
)
