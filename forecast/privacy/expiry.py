"""Retention: notes, raw files and names of staff stay as long as practice.toml says, no longer.

What was counted stays. A visit whose note is gone keeps the verdict it had when the note could be
read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time

import pandas as pd

from forecast.practice import Practice
from forecast.privacy.alert_mails import forget_mails
from forecast.privacy.staff import forget_staff_gone
from forecast.records import Records
from forecast.records.imports import imported_files
from forecast.records.persons import forget_notes
from forecast.visits.importing.archive import RAW_ENDING, findings_path


@dataclass(frozen=True)
class Forgotten:
    """What was kept long enough: notes of visits, raw files, mails of alerts, names of staff."""

    n_notes: int = 0
    n_files: int = 0
    n_mails: int = 0
    n_staff: int = 0

    @property
    def sentence(self) -> str:
        """What was forgotten, in words; empty where nothing was."""
        parts = [f"{self.n_notes} notes"] if self.n_notes else []
        parts += [f"{self.n_files} raw files"] if self.n_files else []
        parts += [f"{self.n_mails} mails to owners"] if self.n_mails else []
        parts += [f"names of {self.n_staff} who left the staff"] if self.n_staff else []
        return f"kept long enough and now forgotten: {', '.join(parts)}" if parts else ""


def forget_expired(practice: Practice, records: Records) -> Forgotten:
    """Forget what is kept for longer than [privacy] of practice.toml says."""
    privacy = practice.settings.privacy
    n_notes = n_files = n_mails = n_staff = 0
    if privacy.notes_months is not None:
        n_notes = forget_notes(records, before=_months_ago(practice, privacy.notes_months))
    if privacy.archive_months is not None:
        n_files = _forget_raw(practice, records, _months_ago(practice, privacy.archive_months))
    if privacy.alert_mails_months is not None:
        day = _months_ago(practice, privacy.alert_mails_months)
        began = datetime.combine(day, time(), practice.time_zone)
        n_mails = forget_mails(practice, records, before=began)
    if privacy.staff_months is not None:
        before = _months_ago(practice, privacy.staff_months)
        n_staff = forget_staff_gone(practice, records, before=before)
    return Forgotten(n_notes, n_files, n_mails, n_staff)


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
