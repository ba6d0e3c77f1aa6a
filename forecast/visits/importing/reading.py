"""Reading what a practice exports: visits, therapies, itch scores, facts; branches and dogs.

Each reader takes a file's content and returns the rows it kept, typed, with what its checks found.
An empty cell always means "not known".
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

import pandas as pd

from forecast.csv_files import CsvTable, csv_table, is_number, read_csv
from forecast.records.tables import (
    CONSENT_ANSWERS,
    DOG_STATUSES,
    OWNER_STATUSES,
    SEXES,
    THERAPY_REASONS,
    THERAPY_STATUSES,
    VISIT_KINDS,
)
from forecast.regions import RegionError, parse_open_days
from forecast.sheets import Sheet, read_sheet
from forecast.visits.exports.layout import ALREADY_CLASSIFIED
from forecast.visits.rules import earliest_day, rules

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
NOT_KNOWN = "not known"
# Other words in use for ours; each use is said in a note.
_FACT_SYNONYMS = {
    "weight": WEIGHT,
    "infection": "skin_infection",
    "pregnancy": "pregnant_or_lactating",
    "last_examination": "examination",
}
_STATUS_SYNONYMS = {"died": "dead"}
_SEX_WORDS = (
    *SEXES,
    *(f"{sex} {state}" for sex in SEXES for state in ("neutered", "entire")),
    NOT_KNOWN,
)


def read_visits(content: bytes, file: str, *, branches: Collection[str], today: date) -> CsvTable:
    """Read visits: visit, date, branch, dog (empty if of no interest), kind."""
    sheet = read_sheet(content, file, expected=[ALREADY_CLASSIFIED])
    return classified_visits(sheet, branches=branches, today=today)


def classified_visits(sheet: Sheet, *, branches: Collection[str], today: date) -> CsvTable:
    """Return the visits of a sheet of our own format; see `read_visits`."""
    table = csv_table(sheet, required=ALREADY_CLASSIFIED)
    table.leave_out_empty("visit")
    table.leave_out_unknown("branch", sorted(branches))
    table.leave_out_unknown("kind", VISIT_KINDS)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    table.leave_out(
        (table.rows["kind"] == "itch flare") & (table.rows["dog"] == ""),
        "dog",
        check="itch-flare visit without its dog",
        allowed="the dog's number, as its episode cannot be told otherwise",
        fix="fill it in, or call the visit 'other'",
    )
    table.leave_out_repeated(["branch", "visit"])
    return table


def read_therapies(
    content: bytes,
    file: str,
    *,
    dogs: Collection[str],
    today: date,
    therapies: Collection[str] | None = None,
) -> CsvTable:
    """Read therapies: dog, therapy, date, status; until, reason and responded if they are known."""
    table = read_csv(
        content,
        file,
        required=("dog", "therapy", "date", "status"),
        optional=("until", "reason", "responded"),
    )
    _leave_out_unknown_dogs(table, dogs)
    table.leave_out_empty("therapy")
    if therapies is not None:
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


def read_scores(content: bytes, file: str, *, dogs: Collection[str], today: date) -> CsvTable:
    """Read itch scores: dog, date, pvas (0 to 10); scorer if it is known."""
    table = read_csv(content, file, required=("dog", "date", "pvas"), optional=("scorer",))
    _leave_out_unknown_dogs(table, dogs)
    table.parse_days("date", earliest=earliest_day(), latest=today)
    _parse_numbers(table, "pvas", rules().number("pvas.lowest"), rules().number("pvas.highest"))
    table.rows = table.rows.assign(scorer=table.rows["scorer"].replace("", NOT_KNOWN))
    table.leave_out_repeated(["dog", "date", "scorer"])
    return table


def read_facts(content: bytes, file: str, *, dogs: Collection[str], today: date) -> CsvTable:
    """Read facts: dog, kind, value (yes, no or not known; a number for weight_kg), date."""
    table = read_csv(content, file, required=("dog", "kind", "value", "date"))
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


def _parse_numbers(table: CsvTable, column: str, lowest: float, highest: float) -> None:
    text = table.rows[column]
    number = pd.to_numeric(text.where(is_number(text)))
    table.leave_out(
        ~number.between(lowest, highest),
        column,
        check="not a number in range",
        allowed=f"{lowest:g} to {highest:g}, with a decimal point",
    )
    table.rows = table.rows.assign(**{column: number.loc[table.rows.index].astype(float)})


def read_closures(content: bytes, file: str, *, branches: Collection[str]) -> CsvTable:
    """Read days out of the ordinary: branch, date, reason, full.

    Full is yes where the branch was open and its diary full, no where it was closed; such days may
    lie ahead.
    """
    table = read_csv(content, file, required=("branch", "date", "reason", "full"))
    table.leave_out_unknown("branch", sorted(branches))
    table.leave_out_unknown("full", _YES_NO)
    table.parse_days("date", earliest=earliest_day(), latest=None)
    table.leave_out_repeated(["branch", "date", "full"])
    return table


def read_branches(content: bytes, file: str, *, regions: Collection[str]) -> CsvTable:
    """Read branches: id, name, region, open_days (as `parse_opening` reads it)."""
    table = read_csv(content, file, required=("id", "name", "region", "open_days"))
    table.leave_out_empty("id")
    table.leave_out_empty("name")
    table.leave_out_unknown("region", sorted(regions))
    table.leave_out(
        ~table.rows["open_days"].map(_are_days).astype(bool),
        "open_days",
        check="not days of the week",
        allowed="mon tue wed thu fri sat sun, or with hours mon-fri 8:00-18:00 sat 9:00-12:00",
    )
    table.leave_out_repeated(["id"])
    return table


def _are_days(text: str) -> bool:
    try:
        parse_open_days(text)
    except RegionError:
        return False
    return True


def read_dogs(
    content: bytes,
    file: str,
    *,
    regions: Collection[str],
    branches: Collection[str],
    today: date,
) -> CsvTable:
    """Read dogs: dog (the practice's number), and what is known of it and its owner.

    Optional columns: name, owner (the owner's name), owner_number, owner_contact, owner_status,
    consent (yes, no or not known: may the practice write to the owner), species, breed, birth_date,
    sex (female or male, with "neutered" or "entire" after it if known), status and status_from,
    region or postcode and home_from (the days from which on they hold), branch. An owner without a
    number is told apart by name and contact.
    """
    table = read_csv(
        content,
        file,
        required=("dog",),
        optional=(
            *("name", "owner", "owner_number", "owner_contact", "owner_status", "consent"),
            *("species", "breed", "birth_date", "sex", "status", "status_from"),
            *("region", "postcode", "home_from", "branch"),
        ),
    )
    table.leave_out_empty("dog")
    for column in ("status", "owner_status"):
        table.replace_words(column, _STATUS_SYNONYMS)
    for column, allowed in (
        ("sex", _SEX_WORDS),
        ("status", DOG_STATUSES),
        ("owner_status", OWNER_STATUSES),
        ("consent", CONSENT_ANSWERS),
        ("region", sorted(regions)),
        ("branch", sorted(branches)),
    ):
        table.leave_out_unknown(column, allowed, empty=True)
    for column in ("birth_date", "status_from", "home_from"):
        table.parse_days(column, earliest=earliest_day(), latest=today, empty=True)
    table.leave_out_repeated(["dog"])
    return table
