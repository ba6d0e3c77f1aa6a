"""To which owner something went out, about which class of therapy, and by which form.

Revision ID: 0015
"""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_KINDS = ("letter", "calendar", "cancellation")
# Who owned the dog then, no row tells: the owner of now is taken for it.
_OWNER = "UPDATE handover SET owner_id = (SELECT owner_id FROM dog WHERE id = handover.dog_id)"
_OF_PLAN = (
    "UPDATE handover SET therapy = (SELECT therapy FROM dose_plan WHERE id = handover.plan_id) "
    "WHERE plan_id IS NOT NULL"
)
# A cancellation follows a calendar, and that its plan.
_OF_CANCELLATION = (
    "UPDATE handover SET therapy = COALESCE((SELECT p.therapy FROM handover AS h "
    "JOIN dose_plan AS p ON p.id = h.plan_id WHERE h.dog_id = handover.dog_id "
    "AND h.id < handover.id ORDER BY h.id DESC LIMIT 1), '') WHERE plan_id IS NULL"
)


def upgrade() -> None:
    """Add the columns; nothing that went out before is of a form any more."""
    _drop_indices("dog_id")
    with op.batch_alter_table("handover", copy_from=_handover()) as batch:
        batch.add_column(sa.Column("owner_id", sa.String(), nullable=True))
        batch.add_column(sa.Column("therapy", sa.String(), nullable=False, server_default=""))
        batch.add_column(sa.Column("form_key", sa.String(), nullable=True))
    for statement in (_OWNER, _OF_PLAN, _OF_CANCELLATION):
        op.execute(statement)
    told = _handover(*_told(server_default=""))
    with op.batch_alter_table("handover", copy_from=told) as batch:
        batch.alter_column("therapy", server_default=None)
    _create_indices("dog_id", "owner_id")


def downgrade() -> None:
    """Take the columns away: whose calendar is whose is lost."""
    _drop_indices("dog_id", "owner_id")
    with op.batch_alter_table("handover", copy_from=_handover(*_told())) as batch:
        for column in ("form_key", "therapy", "owner_id"):
            batch.drop_column(column)
    _create_indices("dog_id")


def _drop_indices(*columns: str) -> None:
    """Take indices away before the table is made anew, which would lose them on SQLite alone."""
    for column in columns:
        op.drop_index(op.f(f"ix_handover_{column}"), table_name="handover")


def _create_indices(*columns: str) -> None:
    for column in columns:
        op.create_index(op.f(f"ix_handover_{column}"), "handover", [column], unique=False)


def _told(server_default: str | None = None) -> tuple[sa.Column[str], ...]:
    return (
        sa.Column("owner_id", sa.String(), nullable=True),
        sa.Column("therapy", sa.String(), nullable=False, server_default=server_default),
        sa.Column("form_key", sa.String(), nullable=True),
    )


def _handover(*more: sa.Column[str]) -> sa.Table:
    return sa.Table(
        "handover",
        sa.MetaData(),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("plan_id", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=True),
        sa.Column("events", sa.JSON(), nullable=False),
        *more,
        sa.CheckConstraint(sa.column("kind").in_(_KINDS), name=op.f("ck_handover_kind_is_known")),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_handover_dog_id")),
        sa.ForeignKeyConstraint(["plan_id"], ["dose_plan.id"], name=op.f("fk_handover_plan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handover")),
    )
