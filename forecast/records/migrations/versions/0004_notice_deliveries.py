"""Who was told of a notice on which way: a notice may go out by mail and to a web address.

Revision ID: 0004
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

from forecast.records.table_parts import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_NEWS = ("began", "over")
_STATES = ("sending", "told", "failed", "not known")


def upgrade() -> None:
    """Keep attempts for each way out, no longer on the notice; those of before are dropped."""
    op.create_table(
        "notice_delivery",
        sa.Column("notice_id", sa.String(), nullable=False),
        sa.Column("news", sa.String(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("n_attempts", sa.Integer(), nullable=False),
        sa.Column("attempted_at", UtcDateTime(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.CheckConstraint(
            sa.column("news").in_(_NEWS), name=op.f("ck_notice_delivery_news_is_known")
        ),
        sa.CheckConstraint(
            sa.column("state").in_(_STATES), name=op.f("ck_notice_delivery_state_is_known")
        ),
        sa.ForeignKeyConstraint(
            ["notice_id"], ["notice.id"], name=op.f("fk_notice_delivery_notice_id")
        ),
        sa.PrimaryKeyConstraint("notice_id", "news", "channel", name=op.f("pk_notice_delivery")),
    )
    with op.batch_alter_table("notice", copy_from=_notice(*_attempts())) as batch:
        for column in ("last_error", "last_attempt_at", "n_attempts"):
            batch.drop_column(column)


def downgrade() -> None:
    """Take the deliveries away; the notices stay, as if nobody had tried to tell them."""
    op.drop_table("notice_delivery")
    with op.batch_alter_table("notice", copy_from=_notice()) as batch:
        batch.add_column(sa.Column("n_attempts", sa.Integer(), nullable=False, server_default="0"))
        batch.add_column(sa.Column("last_attempt_at", UtcDateTime(), nullable=True))
        batch.add_column(sa.Column("last_error", sa.Text(), nullable=True))
    with op.batch_alter_table("notice", copy_from=_notice(*_attempts("0"))) as batch:
        batch.alter_column("n_attempts", server_default=None, existing_type=sa.Integer())


def _attempts(default: str | None = None) -> list[sa.Column[Any]]:
    return [
        sa.Column("n_attempts", sa.Integer(), nullable=False, server_default=default),
        sa.Column("last_attempt_at", UtcDateTime(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
    ]


def _notice(*more: sa.Column[Any]) -> sa.Table:
    return sa.Table(
        "notice",
        sa.MetaData(),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("since", UtcDateTime(), nullable=False),
        sa.Column("over_at", UtcDateTime(), nullable=True),
        sa.Column("told_at", UtcDateTime(), nullable=True),
        sa.Column("told_over_at", UtcDateTime(), nullable=True),
        *more,
        sa.PrimaryKeyConstraint("id", name="pk_notice"),
        sa.Index("ix_notice_about", "about"),
    )
