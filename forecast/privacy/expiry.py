"""Retention: notes and raw files are kept for as long as practice.toml says, and no longer.

What was counted stays. A visit whose note is gone keeps the verdict it had when the note could be
read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from forecast.practice import Practice
from forecast.privacy.papers import drop_letters
from forecast.records import Records
from forecast.records.imports import imported_files
from forecast.records.persons import forget_notes
from forecast.visits.importing.archive import RAW_ENDING, findings_path
from models.parameters import load_table


@dataclass(frozen=True)
class Forgotten:
    """What was kept long enough: notes of visits, and raw files."""

    n_notes: int = 0
    n_files: int = 0

    @property
    def sentence(self) -> str:
        """What was forgotten, in words; empty where nothing was."""
        parts = [f"{self.n_notes} notes"] if self.n_notes else []
        parts += [f"{self.n_files} raw files"] if self.n_files else []
        return f"kept long enough and now forgotten: {', '.join(parts)}" if parts else ""


def forget_expired(practice: Practice, records: Records) -> Forgotten:
    """Forget the notes and raw files that are older than [privacy] of practice.toml says."""
    privacy = practice.settings.privacy
    n_notes = n_files = 0
    if privacy.notes_months is not None:
        n_notes = forget_notes(records, before=_months_ago(practice, privacy.notes_months))
    if privacy.archive_months is not None:
        n_files = _forget_raw(practice, records, _months_ago(practice, privacy.archive_months))
    days = load_table("forecast", "retention.toml").number("letters.days")
    drop_letters(practice, before=(practice.now - timedelta(days=days)).timestamp())
    return Forgotten(n_notes, n_files)


def _months_ago(practice: Practice, months: int) -> date:
    return (pd.Timestamp(practice.today) - pd.DateOffset(months=months)).date()


def _forget_raw(practice: Practice, records: Records, before: date) -> int:
    """Delete the raw files, and their findings, that last came before a day."""
    came: dict[str, date] = {}
    for file in imported_files(records):
        day = practice.day_of(file.imported_at)
        came[file.sha256] = max(day, came.get(file.sha256, day))
    n_files = 0
    for sha256, day in came.items():
        path = practice.archive_folder / f"{sha256}{RAW_ENDING}"
        if day < before and path.exists():
            findings_path(practice.archive_folder, sha256).unlink(missing_ok=True)
            path.unlink()
            n_files += 1
    return n_files
