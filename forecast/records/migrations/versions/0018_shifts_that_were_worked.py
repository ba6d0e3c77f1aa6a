"""Shifts that were really worked, as a file of the desk tells them.

Revision ID: 0018
"""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table; of what was worked before nothing is known."""
    op.create_table(
        "staff_shift",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("staff_id", sa.String(), nullable=True),
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("begins", sa.Time(), nullable=False),
        sa.Column("ends", sa.Time(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(), nullable=False),
        sa.Column("recorded_by", sa.String(), nullable=False),
        sa.Column("replaced_at", sa.DateTime(), nullable=True),
        sa.CheckConstraint(
            "role IN ('vet', 'technician', 'desk')", name=op.f("ck_staff_shift_role_is_known")
        ),
        sa.CheckConstraint("begins < ends", name=op.f("ck_staff_shift_begins_before_it_ends")),
        sa.ForeignKeyConstraint(
            ["staff_id"], ["staff_member.id"], name=op.f("fk_staff_shift_staff_id")
        ),
        sa.ForeignKeyConstraint(
            ["branch_id"], ["branch.id"], name=op.f("fk_staff_shift_branch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff_shift")),
    )
    op.create_index(op.f("ix_staff_shift_staff_id"), "staff_shift", ["staff_id"], unique=False)
    op.create_index(op.f("ix_staff_shift_day"), "staff_shift", ["day"], unique=False)


def downgrade() -> None:
    """Take the table away."""
    op.drop_table("staff_shift")
