"""Alerts: the rule of each region with its history, alerts, their texts and decisions on them.

Revision ID: 0012
"""

import sqlalchemy as sa
from alembic import op

from forecast.records.table_parts import UtcDateTime

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_KINDS = ("season near", "peak near", "season over", "sudden high week")
_STATES = ("draft", "approved", "sending", "sent", "withdrawn", "discarded")
_SKILLS = ("better", "not shown", "not known")
_INDEXED = {
    "alert_rule": ("region_id", "made_at"),
    "alert": ("region_id", "made_at"),
    "alert_decision": ("alert_id",),
}
_TABLES = (
    *("alert_rule", "alert", "alert_standing", "alert_text"),
    *("alert_decision", "alert_block_approval"),
)


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "alert_rule",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("is_on", sa.Boolean(), nullable=False),
        sa.Column("cost", sa.Float(), nullable=False),
        sa.Column("loss", sa.Float(), nullable=False),
        sa.Column("off_share", sa.Float(), nullable=False),
        sa.Column("shortest_lead", sa.Integer(), nullable=False),
        sa.Column("longest_lead", sa.Integer(), nullable=False),
        sa.Column("gap", sa.Integer(), nullable=False),
        sa.Column("kinds", sa.JSON(), nullable=False),
        sa.Column("budget", sa.Integer(), nullable=False),
        sa.Column("without_skill", sa.String(), nullable=False),
        sa.Column("simulation", sa.JSON(), nullable=True),
        _one_of("alert_rule", "without_skill", ("hold", "send")),
        sa.CheckConstraint(
            "cost > 0 AND cost < loss", name=op.f("ck_alert_rule_cost_is_below_loss")
        ),
        _key("alert_rule", "id"),
    )
    op.create_table(
        "alert",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("rule_id", sa.String(), nullable=False),
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("first_week", sa.Date(), nullable=False),
        sa.Column("last_week", sa.Date(), nullable=False),
        sa.Column("odds", sa.Float(), nullable=True),
        sa.Column("usual_odds", sa.Float(), nullable=True),
        sa.Column("skill", sa.String(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("approved_at", UtcDateTime(), nullable=True),
        sa.Column("sent_at", UtcDateTime(), nullable=True),
        sa.Column("withdrawn_at", UtcDateTime(), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.Column("withdrawn_why", sa.Text(), nullable=True),
        _one_of("alert", "kind", _KINDS),
        _one_of("alert", "state", _STATES),
        _one_of("alert", "skill", _SKILLS),
        _foreign("alert", "rule_id", "alert_rule"),
        _foreign("alert", "issue_id", "issue"),
        _key("alert", "id"),
    )
    op.create_table(
        "alert_standing",
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("looked_at", UtcDateTime(), nullable=False),
        sa.Column("is_on", sa.Boolean(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        _foreign("alert_standing", "issue_id", "issue"),
        _key("alert_standing", "region_id"),
    )
    op.create_table(
        "alert_text",
        sa.Column("alert_id", sa.String(), nullable=False),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("blocks", sa.Text(), nullable=False),
        sa.Column("written_at", UtcDateTime(), nullable=False),
        sa.Column("written_by", sa.String(), nullable=False),
        _foreign("alert_text", "alert_id", "alert"),
        _key("alert_text", "alert_id", "language", "number"),
    )
    op.create_table(
        "alert_decision",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("alert_id", sa.String(), nullable=False),
        sa.Column("decided_by", sa.String(), nullable=False),
        sa.Column("decided_at", UtcDateTime(), nullable=False),
        sa.Column("decision", sa.String(), nullable=False),
        sa.Column("text_sha256", sa.String(), nullable=False),
        sa.Column("n_recipients", sa.Integer(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        _one_of("alert_decision", "decision", ("approved", "refused")),
        _foreign("alert_decision", "alert_id", "alert"),
        _key("alert_decision", "id"),
    )
    op.create_table(
        "alert_block_approval",
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("blocks_sha256", sa.String(), nullable=False),
        sa.Column("approved_by", sa.String(), nullable=False),
        sa.Column("approved_at", UtcDateTime(), nullable=False),
        _key("alert_block_approval", "language", "blocks_sha256"),
    )
    for table, columns in _INDEXED.items():
        op.create_index(_index(table, columns), table, list(columns), unique=False)


def downgrade() -> None:
    """Take the tables away."""
    for table, columns in _INDEXED.items():
        op.drop_index(_index(table, columns), table_name=table)
    for table in reversed(_TABLES):
        op.drop_table(table)


def _index(table: str, columns: tuple[str, ...]) -> str:
    return op.f(f"ix_{table}_{'_'.join(columns)}")


def _key(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*columns, name=op.f(f"pk_{table}"))


def _foreign(table: str, column: str, other: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{other}.id"], name=op.f(f"fk_{table}_{column}"))


def _one_of(table: str, column: str, words: tuple[str, ...]) -> sa.CheckConstraint:
    return sa.CheckConstraint(
        sa.column(column).in_(words), name=op.f(f"ck_{table}_{column}_is_known")
    )
