"""The desk: staff, terms, leave, hours of branches, minutes and prices, stock, plans of staff.

Revision ID: 0011
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0008"
branch_labels = None
depends_on = None

_TABLES = ("staff_plan", "stock_count", "desk_number", "branch_hours", "staff_leave", "staff_terms")
_PEOPLE = ("staff_identity", "staff_member")
_OF_STAFF = ("staff_terms", "staff_leave")


def upgrade() -> None:
    """Add the tables; nothing that was held before speaks of staff."""
    op.create_table(
        "staff_member",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff_member")),
    )
    op.create_table(
        "staff_identity",
        sa.Column("staff_id", sa.String(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=True),
        _key("staff_identity", "staff_id", "staff_member"),
        sa.PrimaryKeyConstraint("staff_id", name=op.f("pk_staff_identity")),
        sa.UniqueConstraint("reference", name=op.f("uq_staff_identity_reference")),
    )
    _table(
        "staff_terms",
        sa.Column("staff_id", sa.String(), nullable=False),
        sa.Column("from_date", sa.Date(), nullable=False),
        sa.Column("until", sa.Date(), nullable=True),
        sa.Column("skills", sa.JSON(), nullable=False),
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("also_at", sa.JSON(), nullable=False),
        sa.Column("hours_week", sa.Float(), nullable=False),
        sa.Column("overtime_hours", sa.Float(), nullable=True),
        sa.Column("days", sa.JSON(), nullable=True),
        sa.Column("shift_hours", sa.Float(), nullable=True),
        _check("staff_terms", "hours_of_a_week", "hours_week >= 0 AND hours_week <= 168"),
        _check("staff_terms", "hours_of_a_shift", "shift_hours > 0 AND shift_hours <= 24"),
        _check(
            "staff_terms", "overtime_of_a_week", "overtime_hours >= 0 AND overtime_hours <= 168"
        ),
        _key("staff_terms", "staff_id", "staff_member"),
        _key("staff_terms", "branch_id", "branch"),
    )
    _table(
        "staff_leave",
        sa.Column("staff_id", sa.String(), nullable=False),
        sa.Column("first", sa.Date(), nullable=False),
        sa.Column("last", sa.Date(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(), nullable=True),
        _check("staff_leave", "begins_before_it_ends", "first <= last"),
        _key("staff_leave", "staff_id", "staff_member"),
    )
    _table(
        "branch_hours",
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("from_date", sa.Date(), nullable=False),
        sa.Column("opening", sa.String(), nullable=False),
        _key("branch_hours", "branch_id", "branch"),
    )
    _table(
        "desk_number",
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("item", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=True),
        sa.Column("branch_id", sa.String(), nullable=True),
        sa.Column("from_date", sa.Date(), nullable=False),
        sa.Column("number", sa.Float(), nullable=False),
        _check("desk_number", "subject_is_known", "subject IN ('minutes', 'price')"),
        _check("desk_number", "number_is_not_negative", "number >= 0"),
        _key("desk_number", "branch_id", "branch"),
    )
    _table(
        "stock_count",
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("item", sa.String(), nullable=False),
        sa.Column("counted_on", sa.Date(), nullable=False),
        sa.Column("on_hand", sa.Float(), nullable=False),
        sa.Column("pack_size", sa.Float(), nullable=False),
        sa.Column("lead_days", sa.Float(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=True),
        sa.Column("pack_price", sa.Float(), nullable=True),
        _check(
            "stock_count",
            "amounts_of_stock",
            "on_hand >= 0 AND pack_size > 0 AND lead_days >= 0",
        ),
        _key("stock_count", "branch_id", "branch"),
    )
    op.create_table(
        "staff_plan",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("agreed_at", sa.DateTime(), nullable=True),
        sa.Column("agreed_by", sa.String(), nullable=True),
        _check("staff_plan", "kind_is_known", "kind IN ('plan', 'what if')"),
        _key("staff_plan", "issue_id", "issue"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff_plan")),
    )
    for table in _OF_STAFF:
        op.create_index(op.f(f"ix_{table}_staff_id"), table, ["staff_id"], unique=False)
    op.create_index(op.f("ix_branch_hours_branch_id"), "branch_hours", ["branch_id"], unique=False)
    op.create_index(
        op.f("ix_desk_number_subject_item"), "desk_number", ["subject", "item"], unique=False
    )
    op.create_index(
        op.f("ix_stock_count_branch_id_item"), "stock_count", ["branch_id", "item"], unique=False
    )


def downgrade() -> None:
    """Take the tables away, those that cite others first."""
    for table in (*_TABLES, *_PEOPLE):
        op.drop_table(table)


def _table(name: str, *columns: sa.Column[Any] | sa.Constraint) -> None:
    """Make a table of what the desk says, with when and by whom."""
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(), nullable=False),
        sa.Column("recorded_by", sa.String(), nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )


def _key(table: str, column: str, cited: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{cited}.id"], name=op.f(f"fk_{table}_{column}"))


def _check(table: str, name: str, condition: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(condition, name=op.f(f"ck_{table}_{name}"))
