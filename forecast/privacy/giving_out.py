"""Everything held on one owner, as one readable file: records, and rows of raw files."""

from __future__ import annotations

from typing import Any

from forecast.practice import Practice
from forecast.privacy.alert_mails import mails_of_owner
from forecast.privacy.raw_files import search
from forecast.records import Records
from forecast.records.persons import holdings, person
from forecast.visits.exports.layout import load_layouts
from forecast.visits.exports.redacting import DOG, Theirs


def held_on_owner(practice: Practice, records: Records, number: str) -> dict[str, Any]:
    """Return all that is held on an owner, asked for by the practice's own number.

    Raises
    ------
    RecordsError
        If no owner on record has that number.
    """
    one = person(records, number)
    numbers = set(one.dog_numbers)
    for layout in load_layouts(practice.layouts_folder):
        numbers |= {given_up for given_up, kept in layout.merged.items() if kept in numbers}

    def is_theirs(kind: str, found: str) -> bool:
        return found in numbers if kind == DOG else found == one.reference

    searched = search(practice, records, Theirs(is_theirs, one.names))
    mails = mails_of_owner(practice, records, one.owner_id)
    raw = {
        file: [{"row": row} | cells for row, cells in rows.items()]
        for file, rows in searched.rows.items()
    }
    unreadable = {path.name: why for path, why in searched.unreadable.items()}
    return {
        "practice": practice.settings.practice.name,
        "owner number": number,
        "as of": practice.now.isoformat(timespec="seconds"),
        **holdings(records, one),
        "mails in the outbox": {
            path.name: path.read_text(encoding="ascii", errors="replace") for path in mails
        },
        "rows of raw files": raw,
        "raw files that could not be searched": unreadable,
    }
