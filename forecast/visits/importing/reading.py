"""Reading what a practice exports: visits, closures, branches and dogs.

Each reader takes a file's content and returns the rows it kept, typed, with what its checks found.
An empty cell always means "not known".
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

import pandas as pd

from forecast.csv_files import CsvTable, csv_table, is_number, read_csv
from forecast.findings import row_findings
from forecast.languages import language_names
from forecast.records.tables import (
    CONSENT_ANSWERS,
    DOG_STATUSES,
    OWNER_STATUSES,
    SEXES,
    VISIT_KINDS,
)
from forecast.records.vets import LONGEST_NAME as VET_LETTERS
from forecast.regions import RegionError, parse_open_days
from forecast.sheets import Sheet, read_sheet
from forecast.visits.exports.layout import ALREADY_CLASSIFIED, LENGTH
from forecast.visits.exports.lengths import implausible, length_limits
from forecast.visits.rules import earliest_day

_YES_NO = ("yes", "no")
NOT_KNOWN = "not known"
_STATUS_SYNONYMS = {"died": "dead"}
_SEX_WORDS = (
    *SEXES,
    *(f"{sex} {state}" for sex in SEXES for state in ("neutered", "entire")),
    NOT_KNOWN,
)


def read_visits(content: bytes, file: str, *, branches: Collection[str], today: date) -> CsvTable:
    """Read visits: visit, date, branch, dog (empty if of no interest), kind, perhaps minutes."""
    sheet = read_sheet(content, file, expected=[ALREADY_CLASSIFIED])
    return classified_visits(sheet, branches=branches, today=today)


def classified_visits(sheet: Sheet, *, branches: Collection[str], today: date) -> CsvTable:
    """Return the visits of a sheet of our own format; see `read_visits`."""
    table = csv_table(sheet, required=ALREADY_CLASSIFIED, optional=(LENGTH,))
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
    _read_lengths(table)
    return table


def _read_lengths(table: CsvTable) -> None:
    """Turn minutes into numbers; what cannot be a length is not known, and said of its row."""
    text = table.rows[LENGTH]
    number = pd.to_numeric(text.where(is_number(text)), errors="coerce").astype(float)
    unread = text.index[(text != "") & number.isna()]
    least, most = length_limits()
    table.findings += row_findings(
        "not a number",
        "warning",
        table.file,
        LENGTH,
        rows=unread.tolist(),
        found=[repr(cell) for cell in text.loc[unread]],
        allowed=f"{least:g} to {most:g}, with a decimal point, or nothing",
        fix="the length is taken as not known, the visit counts",
    )
    bad = (number < least) | (number > most)
    table.findings += implausible(
        table.file, LENGTH, number.index[bad].tolist(), number[bad].tolist()
    )
    table.rows = table.rows.assign(**{LENGTH: number.mask(bad)})


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


def _leave_out_no_language(table: CsvTable, column: str) -> None:
    """Take out the rows in which a column holds no code of a language; capitals are as good."""
    codes = language_names()
    table.rows = table.rows.assign(**{column: table.rows[column].str.lower()})
    table.leave_out(
        ~table.rows[column].isin([*codes, ""]),
        column,
        check="unknown language",
        allowed="two letters of ISO 639-1, such as de",
        fix={name.lower(): f"write {code!r}" for code, name in codes.items()},
    )


def _leave_out_no_degrees(table: CsvTable, column: str, most: float) -> None:
    """Take out rows whose degrees are no number, or lie beyond the earth; none may be given."""
    text = table.rows[column]
    number = pd.to_numeric(text.where(is_number(text)), errors="coerce")
    wrong = (text != "") & ~(number.abs() <= most)
    table.leave_out(
        wrong,
        column,
        check="no degrees",
        allowed=f"degrees from -{most:g} to {most:g}, with a point",
        fix="write degrees in the system WGS 84, or leave them out",
    )


def read_dogs(
    content: bytes,
    file: str,
    *,
    regions: Collection[str],
    branches: Collection[str],
    today: date,
) -> CsvTable:
    """Read dogs: dog (the practice's number), and what is known of it and its owner.

    Optional columns: name, owner (the owner's name), owner_number, owner_contact, owner_language
    (in which they are written to, two letters of ISO 639-1), owner_status,
    consent (yes, no or not known: may the practice write to the owner) and consent_alerts (the
    same of alerts, which counts before it), species, breed, birth_date,
    sex (female or male, with "neutered" or "entire" after it if known), status and status_from,
    region, postcode or latitude and longitude in degrees, and home_from (the days from which on
    they hold), branch, vet (the practice's own name of who looks after it, or nobody) and vet_from,
    which may lie ahead. An owner without a number is told apart by name and contact.
    """
    table = read_csv(
        content,
        file,
        required=("dog",),
        optional=(
            *("name", "owner", "owner_number", "owner_contact", "owner_language", "owner_status"),
            *("consent", "consent_alerts", "latitude", "longitude"),
            *("species", "breed", "birth_date", "sex", "status", "status_from"),
            *("region", "postcode", "home_from", "branch", "vet", "vet_from"),
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
        ("consent_alerts", CONSENT_ANSWERS),
        ("region", sorted(regions)),
        ("branch", sorted(branches)),
    ):
        table.leave_out_unknown(column, allowed, empty=True)
    _leave_out_no_language(table, "owner_language")
    for column, most in (("latitude", 90.0), ("longitude", 180.0)):
        _leave_out_no_degrees(table, column, most)
    for column in ("birth_date", "status_from", "home_from"):
        table.parse_days(column, earliest=earliest_day(), latest=today, empty=True)
    table.leave_out(
        table.rows["vet"].str.len() > VET_LETTERS,
        "vet",
        check="name of a vet too long",
        allowed=f"up to {VET_LETTERS} letters",
    )
    table.parse_days("vet_from", earliest=earliest_day(), latest=None, empty=True)
    table.leave_out_repeated(["dog"])
    return table
