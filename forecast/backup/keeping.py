"""Which back-ups a folder holds, and which of them stay."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from forecast.practice import Practice
from models.parameters import load_table

_STAMP = "%Y%m%dT%H%M%SZ"
_NAME = re.compile(r"forepaw-(\d{8}T\d{6}Z)\.tar\.gz")
_Span = Callable[[datetime], Hashable]


class KeepRule(NamedTuple):
    """How many back-ups stay: the newest, then one of so many weeks and of so many months."""

    newest: int
    weekly: int
    monthly: int


def keep_rule(practice: Practice) -> KeepRule:
    """Return what [backup] of practice.toml says; where it says nothing, what the table says."""
    section, table = practice.settings.backup, load_table("forecast.backup", "backup.toml")
    said = (section.newest, section.weekly, section.monthly)
    return KeepRule(
        *(
            int(table.number(f"keep.{name}")) if number is None else number
            for name, number in zip(KeepRule._fields, said, strict=True)
        )
    )


def backup_name(moment: datetime) -> str:
    """Return the name of a back-up of that moment."""
    return f"forepaw-{moment.astimezone(UTC).strftime(_STAMP)}.tar.gz"


def backups(folder: Path) -> dict[Path, datetime]:
    """Return the back-ups in a folder with their moments, oldest first; none where it is not."""
    found = {}
    for path in folder.iterdir() if folder.is_dir() else ():
        if named := _NAME.fullmatch(path.name):
            found[path] = datetime.strptime(named[1], _STAMP).replace(tzinfo=UTC)
    return dict(sorted(found.items(), key=lambda item: item[1]))


def staying(made_at: Sequence[datetime], rule: KeepRule) -> set[datetime]:
    """Return the moments whose back-ups stay.

    The newest ones; of those before them the newest of each ISO week, for so many weeks that have
    one, and of each month. Weeks and months without a back-up do not count, so that time alone
    takes none away.
    """
    newest_first = sorted(made_at, reverse=True)
    older = newest_first[rule.newest :]
    weekly = _one_of_each(older, rule.weekly, lambda one: one.isocalendar()[:2])
    monthly = _one_of_each(older, rule.monthly, lambda one: (one.year, one.month))
    return {*newest_first[: rule.newest], *weekly, *monthly}


def _one_of_each(newest_first: Sequence[datetime], n_spans: int, span: _Span) -> list[datetime]:
    newest: dict[Hashable, datetime] = {}
    for one in newest_first:
        newest.setdefault(span(one), one)
    return list(newest.values())[:n_spans]


def thin_out(folder: Path, rule: KeepRule) -> list[Path]:
    """Delete the back-ups that do not stay; return them."""
    held = backups(folder)
    stay = staying(list(held.values()), rule)
    gone = [path for path, moment in held.items() if moment not in stay]
    for path in gone:
        path.unlink(missing_ok=True)
    return gone


def newest_backup(practice: Practice) -> datetime | None:
    """Return when the newest back-up in the practice's own folder of back-ups was made."""
    return max(backups(practice.backups_folder).values(), default=None)


def overdue_days() -> int:
    """Return from which age on the newest back-up is too old [days]."""
    return int(load_table("forecast.backup", "backup.toml").number("overdue.days"))
