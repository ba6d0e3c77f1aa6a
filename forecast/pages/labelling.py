"""Blind labelling: a vet says of drawn visits, one a screen, whether each was a flare.

Nothing of our verdict is shown, and nothing of dog or owner but what the note itself says. Each
answer is kept at once and can be taken back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import pandas as pd

from forecast.accounts.audit import Action, note_alone
from forecast.accounts.person import Account
from forecast.accounts.roles import Right
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.visits.labelling import LabellingError, Sample, draw_sample
from forecast.visits.labelling.answers import (
    Answers,
    answer,
    answer_sheets,
    answers_of,
    take_back,
)
from forecast.visits.labelling.desk import drawn_visit, keep_design, kept_designs, visits_to_draw
from forecast.visits.labelling.sample import rules
from forecast.visits.labelling.sheet import ANSWERS, QUESTION

_QUESTION = QUESTION.removeprefix("flare: ").partition(" labeller:")[0]
_USUAL, _MOST = 100, 1000  # visits of a sample


class NotTheirsError(PageError):
    """A right is lacking that the page takes besides its own."""

    status = 403


@dataclass(frozen=True)
class SampleRow:
    """One sample, and how far this vet is with it."""

    id: str
    definition: str
    n_drawn: int
    n_answered: int
    next_number: int | None
    n_vets: int


@dataclass(frozen=True)
class SamplesPage:
    """The samples that were drawn, newest first."""

    answer: str
    rows: tuple[SampleRow, ...]
    smallest: int
    usual: int
    most: int


@dataclass(frozen=True)
class VisitPage:
    """One visit to be labelled.

    Attributes
    ----------
    number, n_drawn, n_answered
        Of this vet's part of the sample.
    given
        What this vet answered before, "" for nothing yet.
    is_gone
        Whether the visit is no longer on record, so that nothing can be said of it.
    before, following
        Numbers of the visits before and after it, None at the ends.
    can_undo
        Whether there is an answer to take back.
    """

    sample: str
    question: str
    answers: tuple[str, ...]
    number: int
    place: int
    n_drawn: int
    n_answered: int
    given: str
    is_gone: bool
    date: str
    species: str
    age: str
    items: tuple[str, ...]
    codes: tuple[str, ...]
    note: str
    before: int | None
    following: int | None
    can_undo: bool


# ------------------------------------------------------------------------------ samples
def vet_asking(asked: Asked) -> Account:
    """Return who asks, if they may read notes too."""
    account = asked.account
    assert account is not None
    if not account.may(Right.SEE_NOTES):
        raise NotTheirsError(
            "labelling shows what was written at a visit, and this account may not read clinical "
            "notes"
        )
    return account


def numbers_of(sample: Sample, account: Account) -> list[int]:
    """Return the numbers that a vet labels: of their branches, where they are limited to some."""
    rows = sample.rows
    if account.branches:
        rows = rows.loc[rows["branch"].isin(account.branches)]
    return [int(number) for number in rows["number"]]


def _first_open(numbers: Sequence[int], given: Answers) -> int | None:
    return next((number for number in numbers if number not in given.given), None)


def _samples(asked: Asked) -> View:
    account = vet_asking(asked)
    rows = []
    for sample in list(kept_designs(asked.practice).values())[::-1]:
        numbers = numbers_of(sample, account)
        given = answers_of(asked.practice, sample, account.id)
        rows.append(
            SampleRow(
                sample.id,
                sample.definition,
                len(numbers),
                sum(number in given.given for number in numbers),
                _first_open(numbers, given),
                len(answer_sheets(asked.practice, sample)),
            )
        )
    left = sum(row.n_drawn - row.n_answered for row in rows)
    if not rows:
        said = "No visits are drawn for labelling yet"
    elif left:
        said = f"{left} {'visit waits' if left == 1 else 'visits wait'} for your answer"
    else:
        said = "Every visit that was drawn has your answer"
    smallest = int(rules().number("sample.smallest"))
    page = SamplesPage(said, tuple(rows), smallest, _USUAL, _MOST)
    return View("labelling.html", page, {"samples": [asdict(row) for row in rows]})


def _draw(asked: Asked) -> GoTo:
    account = vet_asking(asked)
    if account.branches:
        raise NotTheirsError(
            "a sample is drawn from the visits of all branches, and this account is limited to some"
        )
    text = asked.text("n")
    if not text.isascii() or not text.isdigit() or int(text[:9]) > _MOST:
        raise PageError(f"a sample of {text!r} visits was asked for; write a number up to {_MOST}")
    held, definition = visits_to_draw(asked.records)
    seed = 1 + len(kept_designs(asked.practice))  # another sample than those drawn before
    sample = draw_sample(held, int(text), definition=definition, seed=seed)
    keep_design(asked.practice, sample)
    said = f"{len(sample.rows)} visits were drawn."
    return GoTo(f"/labelling/{sample.id}/{int(sample.rows['number'].iloc[0])}", said)


def asked_sample(asked: Asked) -> Sample:
    """Return the sample that the address names."""
    found = kept_designs(asked.practice).get(asked.path["sample"])
    if found is None:
        raise NotFoundError("no such sample was drawn here")
    return found


# ------------------------------------------------------------------------------ one visit
def _visit(asked: Asked) -> View:
    account, sample = vet_asking(asked), asked_sample(asked)
    numbers, number = numbers_of(sample, account), int(asked.path["number"])
    if number not in numbers:
        raise NotFoundError(f"number {number} of {sample.id} is not there, or not of your branches")
    given = answers_of(asked.practice, sample, account.id)
    at = numbers.index(number)
    try:
        row = drawn_visit(asked.practice, asked.records, sample, number)
    except LabellingError:
        row = pd.Series(dict.fromkeys(("date", "species", "age", "items", "codes", "note"), ""))
    is_gone = not row["date"]
    if not is_gone:
        note_alone(
            asked.records,
            Action.NOTES_READ,
            by=account.id,
            subject=f"{sample.id} number {number}",
            now=asked.practice.now,
        )
    page = VisitPage(
        sample=sample.id,
        question=_QUESTION,
        answers=ANSWERS,
        number=number,
        place=at + 1,
        n_drawn=len(numbers),
        n_answered=sum(one in given.given for one in numbers),
        given=given.given.get(number, ""),
        is_gone=is_gone,
        date=row["date"],
        species=row["species"],
        age=row["age"],
        items=_parts(row["items"]),
        codes=_parts(row["codes"]),
        note=row["note"],
        before=numbers[at - 1] if at else None,
        following=numbers[at + 1] if at + 1 < len(numbers) else None,
        can_undo=given.last is not None,
    )
    return View("labelled_visit.html", page)


def _parts(text: str) -> tuple[str, ...]:
    return tuple(part for part in text.split("; ") if part)


def _answer(asked: Asked) -> GoTo:
    account, sample = vet_asking(asked), asked_sample(asked)
    numbers, number = numbers_of(sample, account), int(asked.path["number"])
    if number not in numbers:
        raise NotFoundError(f"number {number} of {sample.id} is not there, or not of your branches")
    given = answer(
        asked.practice,
        sample,
        account.id,
        name=account.name,
        number=number,
        flare=asked.text("flare"),
    )
    later = [one for one in numbers[numbers.index(number) :] if one not in given.given]
    following = later[0] if later else _first_open(numbers, given)
    if following is None:
        return GoTo(f"/labelling/{sample.id}/agreement", "Every visit has your answer.")
    return GoTo(f"/labelling/{sample.id}/{following}")


def _undo(asked: Asked) -> GoTo:
    account, sample = vet_asking(asked), asked_sample(asked)
    number = take_back(asked.practice, sample, account.id)
    if number is None:
        return GoTo("/labelling", "There is no answer to take back.")
    return GoTo(f"/labelling/{sample.id}/{number}", f"The answer to number {number} is taken back.")


PAGES: Sequence[Page] = (
    Page("/labelling", "labelling", Right.LABEL_VISITS, _samples, has_data=True, menu="Labelling"),
    Page("/labelling", "draw-sample", Right.LABEL_VISITS, _draw, methods=("POST",)),
    Page("/labelling/{sample}/undo", "undo-label", Right.LABEL_VISITS, _undo, methods=("POST",)),
    Page("/labelling/{sample}/{number:int}", "label", Right.LABEL_VISITS, _visit),
    Page(
        "/labelling/{sample}/{number:int}",
        "answer-label",
        Right.LABEL_VISITS,
        _answer,
        methods=("POST",),
    ),
)
