"""The two systems' own formats: headings, words, dates, decimals, encoding, a file a year.

The first writes what a spreadsheet of an old office writes: semicolons, decimal commas, day first,
cp1252, a title above and a total below. The second writes commas, points, ISO days with times and
UTF-8 with a byte order mark. Each year's file holds what was entered in that year, so a visit that
lay in a drawer over New Year comes with the next one.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export.encounters import NEW, OLD, Seen
from jobs.demo.raw_export.lines import COUNTS, REOPENED, VOIDED, described
from jobs.demo.raw_export.tables import items

DELETED = "*** deleted ***"
TITLE_LINES, TOTAL_LINES = 2, 1
_DELETED_KEYS = ("ear_drops_deleted",)
_FIRST_CLIENT = 2000

_STATES = {
    OLD: {COUNTS: "PAID", VOIDED: "VOID", REOPENED: "REOPENED"},
    NEW: {COUNTS: "final", VOIDED: "void", REOPENED: "amended"},
}
_SPECIES = {
    OLD: {"dog": "CANINE", "cat": "FELINE", "rabbit": "RABBIT", "other": "EXOTIC", "": ""},
    NEW: {"dog": "Dog", "cat": "Cat", "rabbit": "Rabbit", "other": "Other", "": ""},
}


def write_files(
    lines: pd.DataFrame,
    seen: Seen,
    notes: NDArray[np.object_],
    *,
    invented: InventedPractice,
    folder: Path,
) -> tuple[list[Path], pd.Series]:
    """Write the exports into a folder.

    Returns
    -------
    list of pathlib.Path
        The files in the order in which they would be imported.
    pandas.Series
        The name of the file that each line went into.
    """
    folder.mkdir(parents=True, exist_ok=True)
    year = lines["entered"].dt.year
    names = lines["system"] + "_system_" + year.astype(str) + ".csv"
    bounds = lines.groupby(names)["entered"].min().sort_values(kind="stable")
    order = sorted(bounds.index, key=lambda name: (name[-8:-4], not name.startswith(OLD)))
    written = []
    for name in order:
        mine = lines[names == name]
        mine = mine.join(described(mine, seen, notes))
        form: Callable[[pd.DataFrame, InventedPractice], bytes]
        form = _old_system if name.startswith(OLD) else _new_system
        path = folder / name
        path.write_bytes(form(mine, invented))
        written.append(path)
    return written, names


def _old_system(lines: pd.DataFrame, invented: InventedPractice) -> bytes:
    days = _said(lines["date"], "%d/%m/%Y")
    names = invented.branches.set_index("id")["name"].str.upper().to_dict()
    table = pd.DataFrame(
        {
            "Invoice": lines["number"],
            "Date": days,
            "Entered": _said(lines["entered"], "%d/%m/%Y") + " " + _time(lines["entered"]),
            "Site": lines["branch"].map(names | {"": ""}),
            "Client no": (lines["client"] + _FIRST_CLIENT).astype(str),
            "Owner": lines["client_name"],
            "Patient no": lines["patient"],
            "Patient": lines["name"],
            "Species": lines["species"].map(_SPECIES[OLD]),
            "Postcode": lines["postcode"],
            "Vet": lines["vet"],
            "Code": lines["key"].map({key: item.old_code for key, item in items().items()}),
            "Item": lines["key"].map(_old_names()),
            "Qty": lines["quantity"].astype(str),
            "Price": _money(lines["amount"], ","),
            "Notes": lines["note"],
            "State": lines["state"].map(_STATES[OLD]),
        }
    )
    first, last = lines["entered"].min(), lines["entered"].max()
    title = f"ALL LINES {first:%d/%m/%Y} - {last:%d/%m/%Y}{';' * (table.shape[1] - 1)}\r\n"
    total = {"Invoice": "Total", "Price": f"{lines['amount'].sum():.2f}".replace(".", ",")}
    below = ";".join(total.get(column, "") for column in table.columns)
    blank = ";" * (table.shape[1] - 1) + "\r\n"
    return (title + blank + _csv(table, ";") + below + "\r\n").encode("cp1252")


def _new_system(lines: pd.DataFrame, invented: InventedPractice) -> bytes:
    names = invented.branches.set_index("id")["name"].add(" House").to_dict()
    table = pd.DataFrame(
        {
            "visit_id": lines["number"],
            "seen": _said(lines["date"], "%Y-%m-%d") + " " + _time(lines["date"]),
            "created": _said(lines["entered"], "%Y-%m-%d") + " " + _time(lines["entered"]),
            "location": lines["branch"].map(names | {"": ""}),
            "animal_id": lines["patient"],
            "animal": lines["name"],
            "kind_of_animal": lines["species"].map(_SPECIES[NEW]),
            "client_id": (lines["client"] + _FIRST_CLIENT).astype(str),
            "client": lines["client_name"],
            "zip": lines["postcode"],
            "clinician": lines["vet"],
            "product": lines["key"].map({key: item.new for key, item in items().items()}),
            "product_code": lines["key"].map({k: item.new_code for k, item in items().items()}),
            "units": lines["quantity"].astype(str),
            "total": _money(lines["amount"], "."),
            "clinical_note": lines["note"],
            "duration_min": _whole(lines["minutes"]),
            "status": lines["state"].map(_STATES[NEW]),
        }
    )
    return _csv(table, ",").encode("utf-8-sig")


def _old_names() -> dict[str, str]:
    """Return what the old system prints for each item: of a deleted one, only that it was."""
    return {key: DELETED if key in _DELETED_KEYS else item.old for key, item in items().items()}


def _csv(table: pd.DataFrame, separator: str) -> str:
    text: str = table.to_csv(index=False, sep=separator, lineterminator="\r\n")
    return text


def _said(moments: pd.Series, form: str) -> pd.Series[str]:
    """Return the days as text, each distinct day formatted once."""
    days = moments.dt.normalize()
    said: pd.Series[str] = days.map({day: day.strftime(form) for day in days.unique()})
    return said


def _time(moments: pd.Series) -> pd.Series[str]:
    """Return the time of day as text."""
    minutes = moments.dt.hour * 60 + moments.dt.minute
    said: pd.Series[str] = minutes.map({m: f"{m // 60:02d}:{m % 60:02d}" for m in minutes.unique()})
    return said


def _whole(numbers: pd.Series) -> pd.Series[str]:
    """Return whole numbers as text, empty where none is known."""
    words = {number: f"{number:.0f}" for number in numbers.dropna().unique()}
    said: pd.Series[str] = numbers.map(words).fillna("")
    return said


def _money(amounts: pd.Series, decimal: str) -> pd.Series[str]:
    """Return amounts as text with two decimals."""
    said: pd.Series[str] = amounts.map(
        {a: f"{a:.2f}".replace(".", decimal) for a in amounts.unique()}
    )
    return said
