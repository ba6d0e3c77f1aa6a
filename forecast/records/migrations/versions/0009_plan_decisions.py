"""What vets decided on plans, a row a decision.

Revision ID: 0009
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_STATES = ("accepted", "changed", "declined", "withdrawn")


def upgrade() -> None:
    """Add the table. No version before it let anybody sign, so every plan held is proposed."""
    op.create_table(
        "plan_decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("plan_id", sa.String(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("signed_by", sa.String(), nullable=False),
        sa.Column("dates", sa.JSON(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.CheckConstraint(
            sa.column("state").in_(_STATES), name=op.f("ck_plan_decision_state_is_known")
        ),
        sa.ForeignKeyConstraint(
            ["plan_id"], ["dose_plan.id"], name=op.f("fk_plan_decision_plan_id")
        ),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_plan_decision_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_decision")),
    )
    for column in ("plan_id", "dog_id"):
        name = op.f(f"ix_plan_decision_{column}")
        op.create_index(name, "plan_decision", [column], unique=False)


def downgrade() -> None:
    """Take the table away; plans are what they were when proposed."""
    for column in ("plan_id", "dog_id"):
        op.drop_index(op.f(f"ix_plan_decision_{column}"), table_name="plan_decision")
    op.drop_table("plan_decision")
    op.execute(sa.text("UPDATE dose_plan SET state = 'proposed', signed_by = NULL"))
