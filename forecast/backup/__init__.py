"""Back-ups: one file that a practice can be made from again, and making it from that."""

from __future__ import annotations

from forecast.backup.errors import BackupError
from forecast.backup.keeping import backups, newest_backup, overdue_days
from forecast.backup.making import Backup, make_backup
from forecast.backup.restoring import Restored, restore

__all__ = [
    "Backup",
    "BackupError",
    "Restored",
    "backups",
    "make_backup",
    "newest_backup",
    "overdue_days",
    "restore",
]
