"""From lines to visits: one row a visit and patient, whatever number of lines tells of it.

A visit is what happened to one patient at one branch on one day. Two invoices of that day, a
second system that holds it too, the same export read twice: all are one visit, so that nothing is
counted twice. Where every line is a sale or a fee nobody was seen, and it is none. What cannot be
told (a line without a patient on an invoice for several) is said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.findings import Finding, row_findings
from forecast.visits.exports.attendance import NOTE_BREAK, Attendances
from forecast.visits.exports.cancelling import Standing, standing
from forecast.visits.exports.layout import LENGTH
from forecast.visits.exports.line_arrays import (
    NO_STAMP,
    Codes,
    LineArrays,
    Mask,
    dense,
    distinct,
    export_rules,
)
from forecast.visits.exports.line_words import OTHER
from forecast.visits.exports.lines import Lines


@dataclass
class Gathered:
    """Visits, and what was found when lines were gathered.

    Attributes
    ----------
    visits
        A row each. ``reference`` (unique within the branch: visit number, patient and year, or
        day and patient), ``date`` (the first day of its lines) and ``entered`` (the first stamp,
        datetime64[s]), ``branch``, ``patient`` ("" for another species, or where none is named),
        ``animal`` (the number, whatever the species; to tell visits apart, not to be kept),
        ``vet``, ``items``, ``item_classes`` and ``codes`` (tuples, sorted, no text twice),
        ``note``, ``postcode``, ``client``, ``unmapped`` (share of the items without a class,
        not-a-number without items), ``minutes`` (the longest that a line tells, not-a-number where
        none does), ``n_lines``.
    tally
        Lines and visits that were set apart, by reason.
    """

    visits: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    tally: dict[str, int] = field(default_factory=dict)


def gather(lines: Lines) -> Gathered:
    """Gather the lines of an export into visits; the order of the lines does not matter."""
    arrays = LineArrays.of(lines.rows)
    arrays, homeless = _with_the_only_patient(arrays)
    found = standing(arrays)
    counts = found.counts & ~homeless
    # a visit keeps its first day, also where that was voided for the invoice to be opened again
    again = np.isin(arrays.visit, arrays.visit[counts & arrays.is_reopened])
    before = (found.superseded & (again | ~arrays.is_voided)) | (found.voided & again)
    known = (counts | before) & ~homeless
    visits, n_sales, n_untold = _visits(lines.rows, arrays, counts, known)
    n_gone = len(distinct(arrays.visit[~homeless])) - len(distinct(arrays.visit[counts]))
    tally = {
        "lines superseded by a later entry": int(found.superseded.sum()),
        "voided lines": int(found.voided.sum()),
        "lines taken back": int(found.cancelled.sum()),
        "visits voided or taken back as a whole": n_gone,
        "lines without a patient on an invoice for several": int(homeless.sum()),
        "sales and fees for which nobody was seen": n_sales,
    }
    findings = [*_said(lines, found, homeless), *_whether_seen(lines.file, n_sales, n_untold)]
    return Gathered(visits, findings, tally)


def _with_the_only_patient(lines: LineArrays) -> tuple[LineArrays, Mask]:
    """Give lines without a patient to the only one on the invoice; return those with several."""
    named = lines.patient != lines.nobody
    n = int(lines.invoice.max(initial=-1)) + 1
    n_codes = int(lines.patient.max(initial=0)) + 1
    pairs = distinct(lines.invoice[named] * n_codes + lines.patient[named])
    n_patients = np.bincount(pairs // n_codes, minlength=n)
    only = np.full(n, lines.nobody)
    only[pairs // n_codes] = pairs % n_codes
    given = ~named & (n_patients[lines.invoice] == 1)
    patient = np.where(given, only[lines.invoice], lines.patient)
    visit = dense(lines.invoice, patient)
    homeless = ~named & (n_patients[lines.invoice] > 1)
    return replace(lines, patient=patient, visit=visit), homeless


def _said(lines: Lines, found: Standing, homeless: Mask) -> list[Finding]:
    places = np.flatnonzero(homeless)
    said = row_findings(
        "line without a patient on an invoice for several",
        "warning",
        lines.file,
        None,
        rows=lines.rows.index[places].tolist(),
        found=[repr(str(item)) for item in lines.rows["item"].iloc[places]],
        fix="it is counted for none of them; name the patient in the system",
    )
    n_unmatched = int(found.unmatched.sum())
    if n_unmatched:
        note = f"{n_unmatched} lines were not counted as items; discounts, most likely"
        said.append(
            Finding(
                "negative, and takes nothing back", "note", lines.file, None, None, note, "", ""
            )
        )
    return said


def _whether_seen(file: str, n_sales: int, n_untold: int) -> list[Finding]:
    """Say of how many visits the items tell that nobody was seen, or do not tell."""
    told = {
        "nobody was seen": (
            n_sales,
            "times all that was booked was a sale or a fee; these count as no consultation",
            "if somebody was seen, give one of the items another class in the layout",
        ),
        "not known whether anyone was seen": (
            n_untold,
            "visits have no item that tells whether anyone was seen; they count as consultations",
            "give their items a class in the layout, such as consultation or shop sale",
        ),
    }
    return [
        Finding(check, "note", file, None, None, f"{n} {words}", "", fix)
        for check, (n, words, fix) in told.items()
        if n
    ]


def _visits(
    rows: pd.DataFrame, lines: LineArrays, counts: Mask, known: Mask
) -> tuple[pd.DataFrame, int, int]:
    """Return a row for each attendance with lines that count, but for sales.

    `known` are the lines that tell when a visit was: also those in whose place later ones stand.
    With the visits come the number of sales, and of visits whose items do not tell whether they
    are one.
    """
    first_day, first_stamp = _first_moments(lines, known)
    places = np.flatnonzero(counts)
    visit = lines.visit[places]
    nobody = lines.patient[places] == lines.nobody
    # where nobody is named, visits are told apart by their invoice
    number = dense(
        lines.branch[places], lines.patient[places], first_day[visit], np.where(nobody, visit, -1)
    )
    order = np.lexsort((lines.when[places], number))
    seen = Attendances(rows, places[order], number[order])
    first = seen.first_lines
    patients = np.asarray(rows["patient"].cat.categories, dtype=object)
    animal = patients[lines.patient[first]]
    is_other = seen.all_lines((rows["species"] == OTHER).to_numpy())
    frame = pd.DataFrame(
        {
            "reference": _references(rows, lines, seen, first_day),
            "date": first_day[lines.visit[first]].astype("datetime64[D]").astype("datetime64[s]"),
            "entered": seen.earliest(first_stamp[lines.visit[seen.places]]),
            "branch": np.asarray(rows["branch"].iloc[first], dtype=object),
            "patient": np.where(is_other, "", animal),
            "animal": animal,
            "vet": seen.first("vet"),
            "items": seen.distinct("item"),
            "item_classes": seen.distinct("item_class"),
            "codes": seen.distinct("code"),
            "note": seen.joined("note"),
            "postcode": seen.first("postcode"),
            "client": seen.first("client"),
            "unmapped": seen.share_without_class(),
            LENGTH: seen.longest(LENGTH),
            "n_lines": seen.n_lines(),
        }
    )
    sale = seen.all_lines(_is_sale(rows))
    untold = seen.all_lines(_is_sale(rows) | _has_no_class(rows)) & ~sale
    return _in_order(frame[~sale]), int(sale.sum()), int(untold.sum())


def _is_sale(rows: pd.DataFrame) -> Mask:
    """Say which lines are for something that nobody need be seen for."""
    classes = export_rules()["nobody_seen.classes"].value
    assert isinstance(classes, list)
    return rows["item_class"].isin(classes).to_numpy()


def _has_no_class(rows: pd.DataFrame) -> Mask:
    return ((rows["item_class"] == "") & (rows["item"] != "")).to_numpy()


def _first_moments(lines: LineArrays, known: Mask) -> tuple[Codes, Codes]:
    """Return the first day and the first stamp of each visit."""
    n, visit = int(lines.visit.max(initial=-1)) + 1, lines.visit[known]
    last = np.iinfo(np.int64).max
    day, stamp = np.full(n, last), np.full(n, last)
    np.minimum.at(day, visit, lines.day[known])
    stamps = lines.entered[known]
    np.minimum.at(stamp, visit, np.where(stamps == NO_STAMP, last, stamps))
    return day, np.where(stamp == last, NO_STAMP, stamp)


def _references(
    rows: pd.DataFrame, lines: LineArrays, seen: Attendances, first_day: Codes
) -> NDArray[np.object_]:
    """Return a name for each attendance, unique in its branch and the same in every export.

    A year stands in it, as numbers are given out anew; where that is not enough, the day does.
    """
    visit = lines.visit[seen.places]
    order = np.lexsort((visit, seen.number))
    is_new = np.diff(visit[order], prepend=-1) != 0  # a visit belongs to one attendance
    at = order[is_new]
    places = seen.places[at]
    numbers = np.asarray(rows["visit"].iloc[places], dtype=object)
    patients = np.asarray(rows["patient"].cat.categories, dtype=object)[lines.patient[places]]
    days = first_day[lines.visit[places]].astype("datetime64[D]").astype(str)
    found = np.full(seen.n, "", dtype=object)
    for which, number, patient, day in zip(
        seen.number[at].tolist(), numbers, patients, days.tolist(), strict=True
    ):
        parts = (number, patient, day[:4]) if number else (day, patient)
        name = "/".join(part for part in parts if part)
        found[which] = min(found[which] or name, name)
    first = seen.first_lines
    day_of = first_day[lines.visit[first]]
    named = pd.DataFrame({"branch": lines.branch[first], "name": found, "day": day_of})
    again = named.sort_values("day", kind="stable").duplicated(["branch", "name"])
    for which in again.index[again]:
        found[which] += f"/{np.datetime64(int(day_of[which]), 'D')}"
    return found


def _in_order(visits: pd.DataFrame) -> pd.DataFrame:
    return visits.sort_values(["date", "branch", "reference"], ignore_index=True)


def combine(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the visits of several exports, each once.

    The same reference within a branch is the same visit: it keeps its first day. So is the same
    patient on the same day at the same branch, whichever system tells of it.
    """
    visits = pd.concat(parts, ignore_index=True)
    visits = _merged(visits, ["branch", "reference"], np.ones(len(visits), dtype=bool), max)
    named = (visits["animal"] != "").to_numpy()
    return _in_order(_merged(visits, ["branch", "animal", "date"], named, sum))


def _merged(
    visits: pd.DataFrame, keys: list[str], judged: Mask, n_lines: Callable[[list[int]], int]
) -> pd.DataFrame:
    """Make one row of those that agree in the keys."""
    twice = visits.duplicated(keys, keep=False).to_numpy() & judged
    if not twice.any():
        return visits
    rows = [
        _one_of(group.sort_values(["entered", "reference"]), n_lines)
        for _, group in visits[twice].groupby(keys, sort=False)
    ]
    return pd.concat([visits[~twice], pd.DataFrame(rows)], ignore_index=True)


def _one_of(group: pd.DataFrame, n_lines: Callable[[list[int]], int]) -> dict[str, object]:
    """Put visits that are one together; of what they say differently the first counts."""
    union = {
        name: tuple(sorted(set().union(*group[name])))
        for name in ("items", "item_classes", "codes")
    }
    first = {
        name: next((text for text in group[name] if text), "")
        for name in ("branch", "patient", "animal", "vet", "postcode", "client")
    }
    notes = dict.fromkeys(part for note in group["note"] if note for part in note.split(NOTE_BREAK))
    n_items = group["items"].map(len)
    return {
        "reference": min(group["reference"]),
        "date": group["date"].min(),
        "entered": group["entered"].min(),
        **first,
        **union,
        "note": NOTE_BREAK.join(notes),
        # which of the items have no class is not kept: the mean over them is near enough
        "unmapped": (group["unmapped"] * n_items).sum() / n_items.sum()
        if n_items.sum()
        else np.nan,
        LENGTH: group[LENGTH].max(),
        "n_lines": n_lines(group["n_lines"].tolist()),
    }
