"""The records: what the practice knows, in SQLite by default. No row object leaves this room."""

from __future__ import annotations

from forecast.practice import Practice
from forecast.records.engine import Records, RecordsError
from forecast.records.schema import migrate

__all__ = ["Records", "RecordsError", "open_records"]


def open_records(practice: Practice) -> Records:
    """Open the practice's records, made or brought to this version's schema if need be."""
    records = Records(practice.records_url)
    try:
        migrate(records)
    except BaseException:
        records.close()
        raise
    return records
