"""The tables of the records, as SQLAlchemy Core describes them.

Who an owner or a dog *is* stands only in `owner` and `dog_identity`; every other table knows a dog
by a random id. Erasing an owner empties those two and leaves counts, plans and audit valid.
An empty (NULL) value always means "not known".
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

DOG_STATUSES = ("active", "dead", "rehomed", "moved", "left", "not known")
SEXES = ("female", "male")
IMPORT_STATES = ("pending", "live", "undone")
VISIT_KINDS = ("itch flare", "recheck", "scheduled dose", "other")
THERAPY_STATUSES = ("given", "dispensed", "declined")
THERAPY_REASONS = ("itch", "calendar", "not known")
VINTAGE_KINDS = ("as finally known", "as known then")
ISSUE_KINDS = ("issued", "hindcast")


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


def _one_of(column: str, words: tuple[str, ...]) -> CheckConstraint:
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

# ------------------------------------------------------------------------------- who and where
branch = Table(
    "branch",
    metadata,
    Column("id", String, primary_key=True),
    Column("name", String, nullable=False),
    Column("region_id", String, nullable=False),
    Column("open_days", String, nullable=False),
)
owner = Table(
    "owner",
    metadata,
    Column("id", String, primary_key=True),
    Column("reference", String, unique=True),
    Column("name", String),
    Column("contact", String),
)
dog = Table(
    "dog",
    metadata,
    Column("id", String, primary_key=True),
    # No foreign key: the random id stays when the owner's identity is erased.
    Column("owner_id", String, index=True),
    Column("species", String),
    Column("breed", String),
    Column("birth_date", Date),
    Column("sex", String),
    Column("neutered", Boolean),
    Column("status", String, nullable=False, default="not known"),
    Column("home_region", String),
    Column("branch_id", ForeignKey("branch.id")),
    _one_of("status", DOG_STATUSES),
    _one_of("sex", SEXES),
)
dog_identity = Table(
    "dog_identity",
    metadata,
    Column("dog_id", ForeignKey("dog.id"), primary_key=True),
    Column("reference", String, unique=True, nullable=False),
    Column("name", String),
)

# ------------------------------------------------------------------------------- what was imported
imported_file = Table(
    "imported_file",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("subject", String, nullable=False),
    Column("file_name", String, nullable=False),
    Column("sha256", String, nullable=False, index=True),
    Column("state", String, nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("imported_at", UtcDateTime, nullable=False),
    _one_of("state", IMPORT_STATES),
)


def _import_id() -> Column[int]:
    # empty: entered at a desk, not from a file
    return Column("import_id", ForeignKey("imported_file.id"), index=True)


visit = Table(
    "visit",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("reference", String, nullable=False),
    Column("date", Date, nullable=False),
    Column("branch_id", ForeignKey("branch.id"), nullable=False),
    Column("dog_id", ForeignKey("dog.id")),
    Column("kind", String, nullable=False),
    _one_of("kind", VISIT_KINDS),
    Index(None, "dog_id", "date"),
)
therapy_event = Table(
    "therapy_event",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("therapy", String, nullable=False),
    Column("date", Date, nullable=False),
    Column("until", Date),
    Column("status", String, nullable=False),
    Column("reason", String, nullable=False),
    Column("responded", Boolean),
    _one_of("status", THERAPY_STATUSES),
    _one_of("reason", THERAPY_REASONS),
)
pruritus_score = Table(
    "pruritus_score",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("date", Date, nullable=False),
    Column("pvas", Float, nullable=False),
    Column("scorer", String, nullable=False),
    CheckConstraint("pvas >= 0 AND pvas <= 10", name="pvas_runs_from_0_to_10"),
)
dog_fact = Table(
    "dog_fact",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("kind", String, nullable=False),
    Column("word", String),
    Column("number", Float),
    Column("date", Date, nullable=False),
)

# ------------------------------------------------------------------------------ counts, append-only
count_vintage = Table(
    "count_vintage",
    metadata,
    Column("id", String, primary_key=True),
    Column("known_on", Date, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("case_definition", String, nullable=False),
    Column("kind", String, nullable=False),
    _one_of("kind", VINTAGE_KINDS),
)
count_week = Table(
    "count_week",
    metadata,
    Column("vintage_id", ForeignKey("count_vintage.id"), primary_key=True),
    Column("region_id", String, primary_key=True),
    Column("week", Date, primary_key=True),
    Column("flare_visits", Float),
    Column("consultations", Float),
    Column("covered_share", Float),
)

# ------------------------------------------------------------------------------- what was issued
settings_text = Table(
    "settings_text",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("text", Text, nullable=False),
)
issue = Table(
    "issue",
    metadata,
    Column("id", String, primary_key=True),
    Column("issued_at", UtcDateTime, nullable=False),
    Column("origin", Date, nullable=False),
    Column("kind", String, nullable=False),
    Column("model_hash", String, nullable=False),
    Column("settings_sha256", ForeignKey("settings_text.sha256"), nullable=False),
    Column("seed", BigInteger, nullable=False),
    Column("file", String, nullable=False),
    Column("file_sha256", String, nullable=False),
    Column("climate_snapshot", String, nullable=False),
    # empty: issued without visits, so exposure and season dates only
    Column("visit_vintage", ForeignKey("count_vintage.id")),
    _one_of("kind", ISSUE_KINDS),
)
issue_region = Table(
    "issue_region",
    metadata,
    Column("issue_id", ForeignKey("issue.id"), primary_key=True),
    Column("region_id", String, primary_key=True),
    Column("summary", JSON, nullable=False),
)
dose_plan = Table(
    "dose_plan",
    metadata,
    Column("id", String, primary_key=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("issue_id", ForeignKey("issue.id"), nullable=False),
    Column("therapy", String, nullable=False),
    Column("state", String, nullable=False),
    Column("signed_by", String),
    Column("made_at", UtcDateTime, nullable=False),
    Column("uncovered_weeks", JSON, nullable=False),
    Column("reasons", JSON, nullable=False),
)
dose = Table(
    "dose",
    metadata,
    Column("plan_id", ForeignKey("dose_plan.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("date", Date, nullable=False),
)

# ------------------------------------------------------------------------------- the run ledger
job_run = Table(
    "job_run",
    metadata,
    Column("id", String, primary_key=True),
    Column("job", String, nullable=False),
    Column("local_date", Date, nullable=False),
    Column("cut", JSON),
    Column("state", String, nullable=False),
    Column("n_rows", Integer),
    Column("seconds", Float),
    Column("result", Text),
    Column("started_at", UtcDateTime, nullable=False),
    Index(None, "job", "local_date"),
)
