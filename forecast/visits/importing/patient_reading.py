"""Reading what is kept of patients: therapies, itch scores, facts, reactions, vaccines and such.

Each reader takes a file's content and returns the rows it kept, typed, with what its checks found.
A file is of our own format, or is read through a layout of the practice (`exports.patient_layout`).
An empty cell always means "not known".
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

import pandas as pd

from forecast.csv_files import CsvTable, is_number
from forecast.records.patient_tables import MEDICINE_KINDS, TEST_METHODS, TEST_RESULTS
from forecast.records.tables import SCORE_SCALES, THERAPY_REASONS, THERAPY_STATUSES
from forecast.visits.exports.patient_rows import (
    OwnWords,
    read_patient_rows,
    words_without_meaning,
)
from forecast.visits.importing.reading import NOT_KNOWN
from forecast.visits.rules import earliest_day, rules

NO_WORDS = OwnWords()
PVAS = SCORE_SCALES[0]
WEIGHT = "weight_kg"
# Dated ahead by design: what counts is its distance from a therapy, before and after.
_MAY_LIE_AHEAD = "live_vaccination"
# Facts answered by yes or no. Anything not recorded is not known.
YES_NO_FACTS = (
    "atopic_dermatitis",
    "breeding",
    "corneal_ulcer",
    "demodicosis",
    "diabetes_mellitus",
    "dose_elsewhere",
    "ectoparasites",
    "examination",
    "flea_control",
    "food_allergy_ruled_out",
    "food_trial",
    "gut_signs",
    "gut_ulcer",
    "heart_failure",
    "hyperadrenocorticism",
    "hypersensitivity",
    "immune_suppression",
    _MAY_LIE_AHEAD,
    "neoplasia",
    "nsaid_in_use",
    "perennial_signs",
    "pregnant_or_lactating",
    "renal_disease",
    "serious_infection",
    "skin_infection",
    "therapy_history",
    "urgent_signs",
)
FACT_KINDS = (WEIGHT, *YES_NO_FACTS)
_YES_NO = ("yes", "no")
# Other words in use for ours; each use is said in a note.
_FACT_SYNONYMS = {
    "weight": WEIGHT,
    "infection": "skin_infection",
    "pregnancy": "pregnant_or_lactating",
    "last_examination": "examination",
}


def read_therapies(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    therapies: Collection[str] | None = None,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read therapies: dog, therapy, date, status; until, reason and responded if they are known.

    Through a layout, an item of the practice's own that has no class yet counts as a therapy not
    known; in a file of our own format such a word is left out.
    """
    rows = read_patient_rows(content, file, "therapies", own=own, today=today)
    table = rows.table
    _leave_out_unknown_dogs(table, dogs)
    table.leave_out_empty("therapy")
    if therapies is not None and rows.layout is not None:
        words_without_meaning(
            table, "therapy", known=sorted(therapies), instead=NOT_KNOWN, layout=rows.layout
        )
    elif therapies is not None:
        table.leave_out_unknown("therapy", sorted(therapies))
    table.leave_out_unknown("status", THERAPY_STATUSES)
    table.leave_out_unknown("reason", THERAPY_REASONS, empty=True)
    table.leave_out_unknown("responded", _YES_NO, empty=True)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    table.parse_days("until", earliest=earliest_day(), latest=None, empty=True)
    table.leave_out(
        table.rows["until"] < table.rows["date"],
        "until",
        check="course ends before it starts",
        allowed="a day on or after date",
    )
    table.rows = table.rows.assign(reason=table.rows["reason"].replace("", NOT_KNOWN))
    table.leave_out_repeated(["dog", "therapy", "date"])
    return table


def _leave_out_unknown_dogs(table: CsvTable, dogs: Collection[str]) -> None:
    """Take out rows of dogs that are not on record; `dogs` may hold some that it does not list."""
    unlisted = [number for number in table.rows["dog"].unique() if number in dogs]
    table.leave_out_unknown("dog", [*sorted(dogs), *unlisted])


def read_scores(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read itch scores: dog, date, pvas (0 to 10); scorer and scale if they are known.

    In a file of our own format without a scale, the heading pvas says that they are; through a
    layout, or in an empty cell, the scale is not known.
    """
    rows = read_patient_rows(content, file, "scores", own=own, today=today)
    table = rows.table
    usual = PVAS if rows.layout is None and "scale" not in rows.given else NOT_KNOWN
    table.rows = table.rows.assign(scale=table.rows["scale"].replace("", usual))
    table.leave_out_unknown("scale", SCORE_SCALES)
    _leave_out_unknown_dogs(table, dogs)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    table.parse_numbers(
        "pvas", lowest=rules().number("pvas.lowest"), highest=rules().number("pvas.highest")
    )
    table.rows = table.rows.assign(scorer=table.rows["scorer"].replace("", NOT_KNOWN))
    table.leave_out_repeated(["dog", "date", "scorer", "scale"])
    return table


def read_facts(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read facts: dog, kind, value (yes, no or not known; a number for weight_kg), date."""
    table = read_patient_rows(content, file, "facts", own=own, today=today).table
    _leave_out_unknown_dogs(table, dogs)
    table.replace_words("kind", _FACT_SYNONYMS)
    table.leave_out_unknown("kind", FACT_KINDS)
    table.parse_days("date", earliest=earliest_day(), latest=None)
    table.leave_out(
        (table.rows["date"] > pd.Timestamp(today)) & (table.rows["kind"] != _MAY_LIE_AHEAD),
        "date",
        check="day lies in the future",
        allowed=f"up to {today}",
    )
    weighed = table.rows["kind"] == WEIGHT
    table.leave_out(
        ~weighed & ~table.rows["value"].isin((*_YES_NO, NOT_KNOWN)),
        "value",
        check="not an answer",
        allowed="yes, no or not known",
    )
    _parse_weights(table)
    table.leave_out_repeated(["dog", "kind", "date"])
    return table


def _parse_weights(table: CsvTable) -> None:
    lowest, highest = rules().number("weight.lowest"), rules().number("weight.highest")
    weighed = table.rows["kind"] == WEIGHT
    number = pd.to_numeric(table.rows["value"].where(is_number(table.rows["value"])))
    table.leave_out(
        weighed & ~number.between(lowest, highest),
        "value",
        check="weight",
        allowed=f"{lowest:g} to {highest:g} kg, with a decimal point",
    )
    number = number.loc[table.rows.index]
    weighed = weighed.loc[table.rows.index]
    word = table.rows["value"].mask(weighed)
    table.rows = table.rows.assign(number=number.where(weighed), word=word)


# ------------------------------------------------------------ reactions, vaccines, medicines, tests
def read_reactions(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    therapies: Collection[str] | None = None,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read adverse reactions: dog, therapy, date; sign in words, reported yes or no, if known."""
    table = read_patient_rows(content, file, "reactions", own=own, today=today).table
    _leave_out_unknown_dogs(table, dogs)
    table.leave_out_empty("therapy")
    if therapies is not None:
        table.leave_out_unknown("therapy", sorted(therapies))
    table.leave_out_unknown("reported", (*_YES_NO, NOT_KNOWN), empty=True)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    table.leave_out_repeated(["dog", "therapy", "date"])
    return table


def read_vaccinations(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read vaccinations: dog, date (one planned may lie ahead), live yes or no; against what."""
    table = read_patient_rows(content, file, "vaccinations", own=own, today=today).table
    _leave_out_unknown_dogs(table, dogs)
    table.leave_out_unknown("live", (*_YES_NO, NOT_KNOWN), empty=True)
    table.parse_days("date", earliest=earliest_day(), latest=None)
    table.leave_out_repeated(["dog", "date", "against"])
    return table


def read_medicines(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read other medicines: dog, kind, date of the first day; until, the last, if it is known.

    Through a layout, a word of the practice's own that has no meaning yet is a kind not known.
    """
    rows = read_patient_rows(content, file, "medicines", own=own, today=today)
    table = rows.table
    _leave_out_unknown_dogs(table, dogs)
    table.rows = table.rows.assign(kind=table.rows["kind"].replace("", NOT_KNOWN))
    if rows.layout is not None:
        words_without_meaning(
            table, "kind", known=MEDICINE_KINDS, instead=NOT_KNOWN, layout=rows.layout
        )
    table.leave_out_unknown("kind", MEDICINE_KINDS)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    table.parse_days("until", earliest=earliest_day(), latest=None, empty=True)
    table.leave_out(
        table.rows["until"] < table.rows["date"],
        "until",
        check="ends before it starts",
        allowed="a day on or after date",
    )
    table.leave_out_repeated(["dog", "kind", "date"])
    return table


def read_tests(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    own: OwnWords = NO_WORDS,
) -> CsvTable:
    """Read allergy tests, a row an allergen: dog, date, allergen, result; method if it is known."""
    table = read_patient_rows(content, file, "tests", own=own, today=today).table
    _leave_out_unknown_dogs(table, dogs)
    table.leave_out_empty("allergen")
    for column, words in (("result", TEST_RESULTS), ("method", TEST_METHODS)):
        table.rows = table.rows.assign(**{column: table.rows[column].replace("", NOT_KNOWN)})
        table.leave_out_unknown(column, words)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    table.leave_out_repeated(["dog", "date", "allergen", "method"])
    return table
