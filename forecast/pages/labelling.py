"""Blind labelling: a vet says of drawn visits, one a screen, whether each was a flare.

Nothing of our verdict is shown, and nothing of dog or owner but what the note itself says. Each
answer is kept at once and can be taken back. How far vets and the case definition agree is shown to
a vet only once all of their visits are answered, as whoever has seen verdicts is blind no more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from forecast.accounts.audit import Action, note_alone
from forecast.accounts.person import Account
from forecast.accounts.roles import Right
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.visits.labelling import LabellingError, Sample, agree, draw_sample, read_labels
from forecast.visits.labelling.agreement import ALL
from forecast.visits.labelling.answers import (
    Answers,
    answer,
    answer_sheets,
    answers_of,
    take_back,
)
from forecast.visits.labelling.desk import drawn_visit, judged_visits, keep_design, kept_designs
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


@dataclass(frozen=True)
class ShareRow:
    """A row of the table of shares: as a person reads them, with the 95 % interval."""

    group: str
    visits: int
    flares: int
    sensitivity: str
    predictive_value: str


@dataclass(frozen=True)
class KappaRow:
    """How far two vets agree beyond chance, on the visits that both labelled."""

    vets: str
    n: int
    agreed: str
    kappa: str


@dataclass(frozen=True)
class MisjudgedRow:
    """A visit on which definition and label differ."""

    number: int
    label: str
    verdict: str
    evidence: str


@dataclass(frozen=True)
class AgreementPage:
    """What the labels of a sample say of the case definition, and of vets among each other."""

    answer: str
    sample: str
    standing: tuple[str, ...]
    shares: tuple[ShareRow, ...]
    kappas: tuple[KappaRow, ...]
    misjudged: tuple[MisjudgedRow, ...]
    n_vets_differ: int


# ------------------------------------------------------------------------------ samples
def _vet(asked: Asked) -> Account:
    """Return who asks, if they may read notes too."""
    account = asked.account
    assert account is not None
    if not account.may(Right.SEE_NOTES):
        raise NotTheirsError(
            "labelling shows what was written at a visit, and this account may not read clinical "
            "notes"
        )
    return account


def _numbers(sample: Sample, account: Account) -> list[int]:
    """Return the numbers that a vet labels: of their branches, where they are limited to some."""
    rows = sample.rows
    if account.branches:
        rows = rows.loc[rows["branch"].isin(account.branches)]
    return [int(number) for number in rows["number"]]


def _first_open(numbers: Sequence[int], given: Answers) -> int | None:
    return next((number for number in numbers if number not in given.given), None)


def _samples(asked: Asked) -> View:
    account = _vet(asked)
    rows = []
    for sample in list(kept_designs(asked.practice).values())[::-1]:
        numbers = _numbers(sample, account)
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
    account = _vet(asked)
    if account.branches:
        raise NotTheirsError(
            "a sample is drawn from the visits of all branches, and this account is limited to some"
        )
    text = asked.text("n")
    if not text.isascii() or not text.isdigit() or int(text[:9]) > _MOST:
        raise PageError(f"a sample of {text!r} visits was asked for; write a number up to {_MOST}")
    held, definition = judged_visits(asked.practice, asked.records)
    seed = 1 + len(kept_designs(asked.practice))  # another sample than those drawn before
    sample = draw_sample(held, int(text), definition=definition, seed=seed)
    keep_design(asked.practice, sample)
    said = f"{len(sample.rows)} visits were drawn."
    return GoTo(f"/labelling/{sample.id}/{int(sample.rows['number'].iloc[0])}", said)


def _sample(asked: Asked) -> Sample:
    found = kept_designs(asked.practice).get(asked.path["sample"])
    if found is None:
        raise NotFoundError("no such sample was drawn here")
    return found


# ------------------------------------------------------------------------------ one visit
def _visit(asked: Asked) -> View:
    account, sample = _vet(asked), _sample(asked)
    numbers, number = _numbers(sample, account), int(asked.path["number"])
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
    account, sample = _vet(asked), _sample(asked)
    numbers, number = _numbers(sample, account), int(asked.path["number"])
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
    account, sample = _vet(asked), _sample(asked)
    number = take_back(asked.practice, sample, account.id)
    if number is None:
        return GoTo("/labelling", "There is no answer to take back.")
    return GoTo(f"/labelling/{sample.id}/{number}", f"The answer to number {number} is taken back.")


# ------------------------------------------------------------------------------ agreement
def _agreement(asked: Asked) -> View:
    account, sample = _vet(asked), _sample(asked)
    numbers = _numbers(sample, account)
    given = answers_of(asked.practice, sample, account.id)
    held, definition = judged_visits(asked.practice, asked.records)
    on_record = sample.rows.merge(held[["branch", "reference"]], on=["branch", "reference"])
    there = set(on_record["number"])
    left = [one for one in numbers if one not in given.given and one in there]
    if left:
        raise PageError(
            f"{len(left)} of your {len(numbers)} visits have no answer yet; what the definition "
            "made of them is shown once all are answered, so that you label blind"
        )
    labels = read_labels(answer_sheets(asked.practice, sample), {sample.id: sample})
    found = agree(labels.rows, sample, held, definition=definition)
    everything = found.table.loc[found.table["group"] == ALL].iloc[0].to_dict()
    standing = [f"{found.n_labelled} of {found.n_drawn} visits have a clear label."]
    standing += [f"{found.n_unsure} are unsure and say neither yes nor no."] * bool(found.n_unsure)
    standing += [f"{found.n_gone} are no longer on record."] * bool(found.n_gone)
    if not found.same_definition:
        standing.append(
            f"The sample was drawn under {sample.definition}, another definition than the one in "
            "force; its labels still hold, with wider intervals."
        )
    page = AgreementPage(
        answer=(
            f"Of flare visits the definition finds {_share(everything, 'sensitivity')}; of what it "
            f"finds, {_share(everything, 'predictive_value')} are flare visits"
        ),
        sample=sample.id,
        standing=tuple(standing),
        shares=tuple(_share_row(row) for row in found.table.to_dict("records")),
        kappas=tuple(
            KappaRow(
                f"{one} and {other}",
                kappa.n,
                f"{100 * kappa.agreed:.0f} %",
                "not defined: one answer throughout"
                if math.isnan(kappa.value)
                else f"{kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f})",
            )
            for (one, other), kappa in found.kappas.items()
        ),
        misjudged=tuple(
            MisjudgedRow(
                int(row["number"]),
                str(row["label"]),
                ", ".join(filter(None, (row["kind"], row["certainty"], row["exclusion"]))),
                str(row["evidence"]),
            )
            for row in found.misjudged.to_dict("records")
            if int(row["number"]) in numbers
        ),
        n_vets_differ=len(found.disagreements),
    )
    tables: dict[str, Sequence[dict[str, Any]]] = {
        "shares": [asdict(row) for row in page.shares],
        "misjudged": [asdict(row) for row in page.misjudged],
    }
    return View("agreement.html", page, tables)


def _share(row: dict[Any, Any], name: str) -> str:
    value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
    if math.isnan(value):
        return "a share that too few labels tell"
    return f"{100 * value:.0f} % ({100 * low:.0f}-{100 * high:.0f})"


def _share_row(row: dict[Any, Any]) -> ShareRow:
    group = ALL if row["group"] == ALL else f"{row['group']} {row['of']}"
    shares = ("sensitivity", "predictive_value")
    told = ["too few" if math.isnan(row[name]) else _share(row, name) for name in shares]
    return ShareRow(group, int(row["visits"]), int(row["flares"]), *told)


PAGES: Sequence[Page] = (
    Page("/labelling", "labelling", Right.LABEL_VISITS, _samples, has_data=True, menu="Labelling"),
    Page("/labelling", "draw-sample", Right.LABEL_VISITS, _draw, methods=("POST",)),
    Page(
        "/labelling/{sample}/agreement",
        "agreement",
        Right.LABEL_VISITS,
        _agreement,
        has_data=True,
    ),
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
