"""The sheet that a vet fills in: what was done and written at a visit, never what we made of it."""

from __future__ import annotations

import io
from collections.abc import Iterable

import pandas as pd
import xlsxwriter

from forecast.csv_text import csv_text
from forecast.visits.labelling.sample import Sample, drawn_visits

ANSWERS = ("yes", "no", "unsure")
FILLED_IN = ("flare", "labeller", "remark")
COLUMNS = ("sample", "number", "date", "species", "age", "items", "codes", "note", *FILLED_IN)
QUESTION = (
    "flare: was the dog seen for itch of its allergy, or for ears, feet or skin that belong to "
    "it? yes, no or unsure. A recheck of an itch that goes on is yes; one that is quiet is no. "
    "Itch from fleas, mites, a wound, a sting or another cause is no. labeller: your initials."
)
_WIDTHS = {"sample": 16, "number": 8, "date": 11, "species": 9, "age": 6, "items": 30, "codes": 20}
_WIDE, _NOTE_WIDTH, _NARROW = 20, 70, 10
_DAYS_A_YEAR = 365.25


def sheet_rows(sample: Sample, visits: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a sample's sheet as text (`COLUMNS`), in its order.

    `visits` has the columns reference, branch, date, items and codes (tuples of text), note, and
    where known species and birth_date. Nothing of the verdict, the patient or the owner is shown,
    other than what the note itself says.
    """
    rows = drawn_visits(sample, visits)
    blank = pd.Series("", index=rows.index, dtype="str")
    shown = {
        "sample": pd.Series(sample.id, index=rows.index),
        "number": rows["number"].astype(str),
        "date": rows["date"].dt.strftime("%Y-%m-%d"),
        "species": rows["species"].fillna("") if "species" in rows else blank,
        "age": _ages(rows) if "birth_date" in rows else blank,
        "items": rows["items"].map(_listed),
        "codes": rows["codes"].map(_listed),
        "note": rows["note"].fillna(""),
    }
    return pd.DataFrame(shown | dict.fromkeys(FILLED_IN, blank), columns=list(COLUMNS), dtype="str")


def _ages(rows: pd.DataFrame) -> pd.Series:
    years = (rows["date"] - pd.to_datetime(rows["birth_date"])).dt.days / _DAYS_A_YEAR
    return years.map(lambda age: "" if pd.isna(age) or age < 0 else f"{age:.1f}")


def _listed(values: Iterable[str]) -> str:
    return "; ".join(values)


def sheet_csv(rows: pd.DataFrame) -> str:
    """Return the sheet as CSV text."""
    return csv_text(list(rows.columns), rows.itertuples(index=False))


def sheet_workbook(rows: pd.DataFrame) -> bytes:
    """Return the sheet as a workbook: fixed headings, answers to choose from, notes wrapped.

    No cell is ever run as a formula, whatever a note begins with.
    """
    out = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(out, {"in_memory": True, **plain}) as book:
        sheet = book.add_worksheet("visits")
        bold = book.add_format({"bold": True, "bottom": 1})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        for at, name in enumerate(rows.columns):
            width = _WIDTHS.get(name, _NARROW if name in FILLED_IN else _WIDE)
            sheet.set_column(at, at, _NOTE_WIDTH if name == "note" else width, wrapped)
            sheet.write_string(0, at, name, bold)
        for row, values in enumerate(rows.itertuples(index=False), start=1):
            for at, value in enumerate(values):
                sheet.write_string(row, at, str(value), wrapped)
        answer = list(rows.columns).index("flare")
        sheet.data_validation(
            1, answer, max(1, len(rows)), answer, {"validate": "list", "source": list(ANSWERS)}
        )
        sheet.freeze_panes(1, 2)
        notes = book.add_worksheet("what to fill in")
        notes.set_column(0, 0, _NOTE_WIDTH)
        notes.write_string(0, 0, QUESTION, wrapped)
    return out.getvalue()
