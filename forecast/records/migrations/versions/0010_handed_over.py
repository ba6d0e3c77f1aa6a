"""What went out to owners (letters, calendars, cancellations), and response trials.

Revision ID: 0010
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_KINDS = ("letter", "calendar", "cancellation")
_TABLES = ("handover", "response_trial")


def upgrade() -> None:
    """Add both tables."""
    op.create_table(
        "handover",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("plan_id", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=True),
        sa.Column("events", sa.JSON(), nullable=False),
        sa.CheckConstraint(sa.column("kind").in_(_KINDS), name=op.f("ck_handover_kind_is_known")),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_handover_dog_id")),
        sa.ForeignKeyConstraint(["plan_id"], ["dose_plan.id"], name=op.f("fk_handover_plan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handover")),
    )
    op.create_table(
        "response_trial",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("therapy", sa.String(), nullable=False),
        sa.Column("begun", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_response_trial_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_response_trial")),
    )
    for table in _TABLES:
        op.create_index(op.f(f"ix_{table}_dog_id"), table, ["dog_id"], unique=False)


def downgrade() -> None:
    """Take both away: which calendars are still to be cancelled is lost."""
    for table in _TABLES:
        op.drop_index(op.f(f"ix_{table}_dog_id"), table_name=table)
        op.drop_table(table)
