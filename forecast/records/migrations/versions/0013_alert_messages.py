"""How alerts reach owners: lists, messages, who is not written to, and signing keys.

Revision ID: 0013
"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_NEWS = ("alert", "withdrawal")
_WAYS = ("mail", "folder", "webhook")
_STATES = ("waiting", "sending", "sent", "in doubt", "refused", "given up", "left out")
_REASONS = ("unsubscribed", "bounced")


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "alert_list",
        sa.Column("alert_id", sa.String(), nullable=False),
        sa.Column("news", sa.String(), nullable=False),
        sa.Column("drawn_at", sa.DateTime(), nullable=False),
        sa.Column("n_waiting", sa.Integer(), nullable=False),
        sa.Column("n_left_out", sa.Integer(), nullable=False),
        _one_of("alert_list", "news", _NEWS),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_alert_list_alert_id")),
        sa.PrimaryKeyConstraint("alert_id", "news", name=op.f("pk_alert_list")),
    )
    op.create_table(
        "alert_message",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("alert_id", sa.String(), nullable=False),
        sa.Column("news", sa.String(), nullable=False),
        sa.Column("way", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("owner_id", sa.String(), nullable=True),
        sa.Column("told_by", sa.String(), nullable=True),
        sa.Column("address_key", sa.String(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=True),
        sa.Column("n_attempts", sa.Integer(), nullable=False),
        sa.Column("due_at", sa.DateTime(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.Column("decided_by", sa.String(), nullable=True),
        _one_of("alert_message", "news", _NEWS),
        _one_of("alert_message", "way", _WAYS),
        _one_of("alert_message", "state", _STATES),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_alert_message_alert_id")),
        sa.ForeignKeyConstraint(
            ["told_by"], ["alert_message.id"], name=op.f("fk_alert_message_told_by")
        ),
        sa.UniqueConstraint(
            *("alert_id", "news", "way", "owner_id"), name=op.f("uq_alert_message_owner")
        ),
        sa.UniqueConstraint(
            *("alert_id", "news", "way", "address_key"), name=op.f("uq_alert_message_address")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert_message")),
    )
    claim = ["state", "region_id", "due_at"]
    op.create_index(op.f("ix_alert_message_claim"), "alert_message", claim, unique=False)
    op.create_table(
        "alert_stop",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("owner_id", sa.String(), nullable=True),
        sa.Column("address_key", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("message_id", sa.String(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("lifted_at", sa.DateTime(), nullable=True),
        _one_of("alert_stop", "reason", _REASONS),
        sa.ForeignKeyConstraint(
            ["message_id"], ["alert_message.id"], name=op.f("fk_alert_stop_message_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert_stop")),
    )
    for table, column in _INDEXED:
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column], unique=False)
    op.create_table(
        "signing_key",
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("purpose", name=op.f("pk_signing_key")),
    )


def downgrade() -> None:
    """Take them away; who unsubscribed is forgotten with them."""
    op.drop_table("signing_key")
    for table, column in reversed(_INDEXED):
        op.drop_index(op.f(f"ix_{table}_{column}"), table_name=table)
    op.drop_table("alert_stop")
    op.drop_index(op.f("ix_alert_message_claim"), table_name="alert_message")
    op.drop_table("alert_message")
    op.drop_table("alert_list")


_INDEXED = (
    ("alert_message", "owner_id"),
    ("alert_message", "told_by"),
    ("alert_stop", "owner_id"),
    ("alert_stop", "address_key"),
)


def _one_of(table: str, column: str, words: tuple[str, ...]) -> sa.CheckConstraint:
    return sa.CheckConstraint(
        sa.column(column).in_(words), name=op.f(f"ck_{table}_{column}_is_known")
    )
