"""The tables of the practice's desk: staff and their terms, leave, hours, prices, stock, rosters.

Staff are people too: who somebody *is* stands only in `staff_identity`; every other table knows a
member of staff by a random id, and keeps no reason for a leave. What the desk edits is never
overwritten: a row says what holds from a day on, and of several the one that came last counts.
`recorded_by` is the random id of an account, or the word for a file or a command.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    CheckConstraint,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    Time,
)

from forecast.records.table_parts import UtcDateTime, metadata, one_of

NUMBER_SUBJECTS = ("minutes", "price")
STAFF_ROLES = ("vet", "technician", "desk")
STAFF_PLAN_KINDS = ("plan", "what if")


def _recorded() -> tuple[Column[object], Column[str]]:
    return (
        Column("recorded_at", UtcDateTime, nullable=False),
        Column("recorded_by", String, nullable=False),
    )


staff_member = Table(
    "staff_member",
    metadata,
    Column("id", String, primary_key=True),
    Column("made_at", UtcDateTime, nullable=False),
)
staff_identity = Table(
    "staff_identity",
    metadata,
    Column("staff_id", ForeignKey("staff_member.id"), primary_key=True),
    Column("reference", String, unique=True, nullable=False),
    Column("name", String),
)
staff_terms = Table(
    "staff_terms",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("staff_id", ForeignKey("staff_member.id"), nullable=False, index=True),
    Column("from_date", Date, nullable=False),
    # the last day; empty: no end is known
    Column("until", Date),
    Column("skills", JSON, nullable=False),
    Column("branch_id", ForeignKey("branch.id"), nullable=False),
    # other branches at which they can work
    Column("also_at", JSON, nullable=False),
    Column("hours_week", Float, nullable=False),
    # over the contract at most; empty: as the house has it
    Column("overtime_hours", Float),
    # days of the week on which they work, Monday 0; empty: any
    Column("days", JSON(none_as_null=True)),
    # of one of their shifts; empty: as the house has it
    Column("shift_hours", Float),
    *_recorded(),
    CheckConstraint("hours_week >= 0 AND hours_week <= 168", name="hours_of_a_week"),
    CheckConstraint("shift_hours > 0 AND shift_hours <= 24", name="hours_of_a_shift"),
    CheckConstraint("overtime_hours >= 0 AND overtime_hours <= 168", name="overtime_of_a_week"),
)
staff_leave = Table(
    "staff_leave",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("staff_id", ForeignKey("staff_member.id"), nullable=False, index=True),
    Column("first", Date, nullable=False),
    Column("last", Date, nullable=False),
    *_recorded(),
    # no longer meant since; the row stays
    Column("withdrawn_at", UtcDateTime),
    CheckConstraint("first <= last", name="begins_before_it_ends"),
)
branch_hours = Table(
    "branch_hours",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("branch_id", ForeignKey("branch.id"), nullable=False, index=True),
    Column("from_date", Date, nullable=False),
    # as `forecast.regions.parse_opening` reads it
    Column("opening", String, nullable=False),
    *_recorded(),
)
# Minutes that a kind of visit takes of a role, and what things cost.
desk_number = Table(
    "desk_number",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("subject", String, nullable=False),
    Column("item", String, nullable=False),
    # of minutes: whose they are
    Column("role", String),
    # empty: of every branch that has no number of its own
    Column("branch_id", ForeignKey("branch.id")),
    Column("from_date", Date, nullable=False),
    Column("number", Float, nullable=False),
    *_recorded(),
    one_of("subject", NUMBER_SUBJECTS),
    CheckConstraint("number >= 0", name="number_is_not_negative"),
    Index(None, "subject", "item"),
)
stock_count = Table(
    "stock_count",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("branch_id", ForeignKey("branch.id"), nullable=False),
    Column("item", String, nullable=False),
    Column("counted_on", Date, nullable=False),
    Column("on_hand", Float, nullable=False),
    Column("pack_size", Float, nullable=False),
    Column("lead_days", Float, nullable=False),
    # the first of what is on hand to expire; empty: not known
    Column("expires_on", Date),
    # of a pack; empty: not known
    Column("pack_price", Float),
    *_recorded(),
    CheckConstraint("on_hand >= 0 AND pack_size > 0 AND lead_days >= 0", name="amounts_of_stock"),
    Index(None, "branch_id", "item"),
)
# What was really worked; empty staff_id: somebody who is not on the staff list.
staff_shift = Table(
    "staff_shift",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("staff_id", ForeignKey("staff_member.id"), index=True),
    Column("branch_id", ForeignKey("branch.id"), nullable=False),
    Column("role", String, nullable=False),
    Column("day", Date, nullable=False, index=True),
    Column("begins", Time, nullable=False),
    Column("ends", Time, nullable=False),
    *_recorded(),
    # another file told of this branch's day since; the row stays
    Column("replaced_at", UtcDateTime),
    one_of("role", STAFF_ROLES),
    CheckConstraint("begins < ends", name="begins_before_it_ends"),
)
# What was reckoned of an issue for the desk; it knows staff by random ids.
staff_plan = Table(
    "staff_plan",
    metadata,
    Column("id", String, primary_key=True),
    Column("issue_id", ForeignKey("issue.id"), nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("kind", String, nullable=False),
    Column("asked", JSON, nullable=False),
    Column("content", Text, nullable=False),
    # the roster is worked by: since when, and who said so
    Column("agreed_at", UtcDateTime),
    Column("agreed_by", String),
    one_of("kind", STAFF_PLAN_KINDS),
)
