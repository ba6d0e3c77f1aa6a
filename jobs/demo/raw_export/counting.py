"""The table of truth about what was planted: each kind, in which file, how many."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.raw_export import dirt
from jobs.demo.raw_export.encounters import CARE_PLAN, NEW, OLD, Seen
from jobs.demo.raw_export.lines import REOPENED, VOIDED, species_written
from jobs.demo.raw_export.systems import DELETED, TITLE_LINES, TOTAL_LINES
from jobs.demo.raw_export.tables import items
from jobs.demo.raw_export.truth import NO_BRANCH_AT_ALL, NOBODY_SEEN, NOT_YET_ENTERED

CLOSURES = "closures.csv"


def planted(
    lines: pd.DataFrame,
    files: pd.Series,
    *,
    truth: pd.DataFrame,
    seen: Seen,
    notes: NDArray[np.object_],
    closures: pd.DataFrame,
    mapped: dict[str, Collection[str]],
) -> pd.DataFrame:
    """Count everything planted.

    Parameters
    ----------
    mapped
        For each system the item strings that its layout puts into a class.

    Returns
    -------
    pandas.DataFrame
        ``kind``, ``unit`` (of what it is a number), ``file`` (empty where it is in none) and
        ``count``. A kind that is in no file has no row.
    """
    parts = [
        *_of_invoices(lines, files),
        *_of_lines(lines, files, seen=seen, notes=notes, mapped=mapped),
        *_of_visits(truth, lines, files),
        *_of_patients(lines, files, seen),
        *_of_days(truth, closures),
    ]
    table = pd.concat(parts, ignore_index=True)
    return table.sort_values(["kind", "file"], ignore_index=True)


def _of_invoices(lines: pd.DataFrame, files: pd.Series) -> list[pd.DataFrame]:
    real = lines[(lines["encounter"] >= 0) & (lines["state"] != VOIDED)]
    animals = real.groupby("invoice")["patient"].transform("nunique")
    several = real[animals > 1]
    number = real[(real["system"] == OLD) & (real["branch"] != "")]
    branches = number.groupby([files[number.index], "number"])["branch"].nunique()
    reused = branches[branches > 1].groupby(level=0).size()
    return [
        _distinct(lines[lines["dirt"] == dirt.WRONG_PATIENT], files, "voided invoices", "invoices"),
        _distinct(lines[lines["state"] == REOPENED], files, "reopened invoices", "invoices"),
        _distinct(lines[lines["dirt"] == dirt.TEST], files, "test patients", "invoices"),
        _distinct(several, files, "invoices of several animals", "invoices"),
        _frame(reused, "invoice numbers of several branches", "numbers"),
    ]


def _of_lines(
    lines: pd.DataFrame,
    files: pd.Series,
    *,
    seen: Seen,
    notes: NDArray[np.object_],
    mapped: dict[str, Collection[str]],
) -> list[pd.DataFrame]:
    old = lines["system"] == OLD
    catalogue = items()
    name = lines["key"].map({key: item.old for key, item in catalogue.items()})
    name = name.where(old, lines["key"].map({key: item.new for key, item in catalogue.items()}))
    known = name.isin(list(mapped[OLD])) & old | name.isin(list(mapped[NEW])) & ~old
    deleted = lines["key"].str.endswith("_deleted")
    other = ~np.isin(species_written(lines, seen), ("dog", ""))
    long = np.array(["\n" in note for note in notes])[lines["told"]] & lines["says"]
    marks = {
        "cancelled lines": lines["quantity"] < 0,
        "repeated lines": lines["dirt"] == dirt.REPEATED,
        "lines without a branch": lines["branch"] == "",
        "items in no class": ~known,
        f"items printed as {DELETED}": deleted,
        "items of the care plan": lines["key"].str.startswith("plan_"),
        "other species": other,
        "notes over several lines": long,
        "dates with the day first": old,
    }
    around = files[old].drop_duplicates().sort_values().to_list()
    titles = pd.Series(TITLE_LINES + TOTAL_LINES, index=around)
    return [
        *(_frame(files[mark].value_counts(), kind, "lines") for kind, mark in marks.items()),
        _frame(titles, "lines above the heading and below the last", "lines"),
    ]


def _of_visits(truth: pd.DataFrame, lines: pd.DataFrame, files: pd.Series) -> list[pd.DataFrame]:
    both = lines["dirt"] == dirt.BOTH
    twice = lines[both].groupby(files[both])["encounter"].nunique()
    in_file = truth["file"]
    marks = {
        "entered late": truth["late"] & (in_file != ""),
        NO_BRANCH_AT_ALL: truth["lost"] == NO_BRANCH_AT_ALL,
        NOT_YET_ENTERED: truth["lost"] == NOT_YET_ENTERED,
        NOBODY_SEEN: truth["lost"] == NOBODY_SEEN,
        "coded by the care plan": (truth["written"] == CARE_PLAN) & (in_file != ""),
        "itch of another cause": (truth["cause"] != "") & (in_file != ""),
    }
    return [
        *(_frame(in_file[mark].value_counts(), kind, "visits") for kind, mark in marks.items()),
        _frame(twice, "held by both systems", "visits"),
    ]


def _of_patients(lines: pd.DataFrame, files: pd.Series, seen: Seen) -> list[pd.DataFrame]:
    twice = seen.patients[seen.patients["second"] != ""]
    used = lines[lines["patient"].isin(twice["second"])]
    found = set(twice.loc[twice["second_merged"], "second"])
    parts = []
    for kind, mark in (("merged", True), ("never found out", False)):
        mine = used[used["patient"].isin(found) == mark]
        count = mine.groupby(files[mine.index])["patient"].nunique()
        parts.append(_frame(count, f"patients under a second number, {kind}", "patients"))
    return parts


def _of_days(truth: pd.DataFrame, closures: pd.DataFrame) -> list[pd.DataFrame]:
    reasons = closures["reason"].value_counts()
    days = pd.DataFrame(
        {"kind": reasons.index, "unit": "days", "file": CLOSURES, "count": reasons.to_numpy()}
    )
    first = truth.groupby("branch")["date"].min()
    late = first[first > first.min() + pd.Timedelta(weeks=1)]
    opened = pd.DataFrame(
        {"kind": [f"branch {b} opens" for b in late.index], "unit": "branches", "count": 1}
    )
    return [days, opened.assign(file="")]


def _distinct(lines: pd.DataFrame, files: pd.Series, kind: str, unit: str) -> pd.DataFrame:
    return _frame(lines.groupby(files[lines.index])["invoice"].nunique(), kind, unit)


def _frame(counts: pd.Series, kind: str, unit: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"kind": kind, "unit": unit, "file": counts.index.to_numpy(), "count": counts.to_numpy()}
    )
