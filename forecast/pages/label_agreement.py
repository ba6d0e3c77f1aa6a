"""What the labels of a sample say: of the case definition, and of vets among each other.

It is shown to a vet only once all of their visits are answered: whoever has seen verdicts is blind
no more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from forecast.accounts.roles import Right
from forecast.pages.labelling import asked_sample, numbers_of, vet_asking
from forecast.pages.page import Asked, Page, PageError, View
from forecast.visits.labelling import Agreement, Sample, agree, read_labels
from forecast.visits.labelling.agreement import ALL
from forecast.visits.labelling.answers import answer_sheets, answers_of
from forecast.visits.labelling.desk import visits_of

_SHARES = ("sensitivity", "predictive_value")


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


def _agreement(asked: Asked) -> View:
    account, sample = vet_asking(asked), asked_sample(asked)
    numbers = numbers_of(sample, account)
    given = answers_of(asked.practice, sample, account.id)
    held, definition = visits_of(asked.records, sample)
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
    page = _page(sample, found, numbers)
    tables: dict[str, Sequence[dict[str, Any]]] = {
        "shares": [asdict(row) for row in page.shares],
        "misjudged": [asdict(row) for row in page.misjudged],
    }
    return View("agreement.html", page, tables)


def _page(sample: Sample, found: Agreement, numbers: Sequence[int]) -> AgreementPage:
    everything = found.table.loc[found.table["group"] == ALL].iloc[0].to_dict()
    return AgreementPage(
        answer=_answer(everything),
        sample=sample.id,
        standing=_standing(sample, found),
        shares=tuple(_share_row(row) for row in found.table.to_dict("records")),
        kappas=_kappas(found),
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


def _answer(everything: Mapping[Any, Any]) -> str:
    found, right = (not math.isnan(everything[name]) for name in _SHARES)
    if not found and not right:
        return "Too few visits are labelled to say how good the case definition is"
    finds = f"finds {_share(everything, 'sensitivity')} of flare visits"
    of_them = f"{_share(everything, 'predictive_value')} of what it finds are flare visits"
    if found and right:
        return f"The case definition {finds}; {of_them}"
    lacking = "too few visits are labelled to say"
    if found:
        return f"The case definition {finds}; {lacking} how much of what it finds is right"
    return f"{of_them}; {lacking} how many flare visits it misses"


def _standing(sample: Sample, found: Agreement) -> tuple[str, ...]:
    said = [f"{found.n_labelled} of {found.n_drawn} visits have a clear label."]
    said += [f"Unsure, and so neither yes nor no: {found.n_unsure}."] * bool(found.n_unsure)
    said += [f"No longer on record: {found.n_gone}."] * bool(found.n_gone)
    if not found.same_definition:
        said.append(
            f"The sample was drawn under {sample.definition}, another definition than the one in "
            "force; its labels still hold, with wider intervals."
        )
    return tuple(said)


def _kappas(found: Agreement) -> tuple[KappaRow, ...]:
    return tuple(
        KappaRow(
            f"{one} and {other}",
            kappa.n,
            f"{100 * kappa.agreed:.0f} %",
            "not defined: one answer throughout"
            if math.isnan(kappa.value)
            else f"{kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f})",
        )
        for (one, other), kappa in found.kappas.items()
    )


def _share(row: Mapping[Any, Any], name: str) -> str:
    value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
    if math.isnan(value):
        return "too few"
    return f"{100 * value:.0f} % ({100 * low:.0f}-{100 * high:.0f})"


def _share_row(row: Mapping[Any, Any]) -> ShareRow:
    group = ALL if row["group"] == ALL else f"{row['group']} {row['of']}"
    told = [_share(row, name) for name in _SHARES]
    return ShareRow(group, int(row["visits"]), int(row["flares"]), *told)


PAGES: Sequence[Page] = (
    Page(
        "/labelling/{sample}/agreement",
        "agreement",
        Right.LABEL_VISITS,
        _agreement,
        has_data=True,
    ),
)
