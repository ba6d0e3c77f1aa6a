"""What the tables of the records are made of: moments kept as UTC, columns with a list of words."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import CheckConstraint, DateTime, Dialect, MetaData, TypeDecorator


class UtcDateTime(TypeDecorator[datetime]):
    """A moment, kept as UTC without offset: SQLite would drop the offset silently."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a moment without an offset, store the others in UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the moment {value} has no offset from UTC; give one with it")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Give the offset back."""
        return None if value is None else value.replace(tzinfo=UTC)


def one_of(column: str, words: tuple[str, ...]) -> CheckConstraint:
    """Return the rule that a column holds one of some words, or nothing."""
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_is_known")


metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)
