"""People who sign in: accounts, sessions, one-time links, waits after failures, the audit.

Revision ID: 0005
"""

import sqlalchemy as sa
from alembic import op

from forecast.records.table_parts import UtcDateTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_ROLES = ("manager", "vet", "nurse", "desk", "administrator")
_PURPOSES = ("invitation", "new password")
_OF_AN_ACCOUNT = (
    "known_browser",
    "recovery_code",
    "account_link",
    "account_session",
    "account_branch",
    "account_identity",
)


def upgrade() -> None:
    """Add the tables; nobody has an account yet."""
    _who()
    _how_they_come_in()
    _what_is_written_down()


def downgrade() -> None:
    """Take the tables away, with every account in them."""
    op.drop_table("audit_entry")
    op.drop_table("sign_in_wait")
    for table in ("known_browser", "account_link", "account_session"):
        op.drop_index(op.f(f"ix_{table}_account_id"), table_name=table)
    for table in _OF_AN_ACCOUNT:
        op.drop_table(table)
    op.drop_table("account")


def _who() -> None:
    op.create_table(
        "account",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("until", sa.Date(), nullable=True),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=True),
        sa.Column("password_set_at", UtcDateTime(), nullable=True),
        sa.Column("totp_secret", sa.String(), nullable=True),
        sa.Column("totp_step", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(sa.column("role").in_(_ROLES), name=op.f("ck_account_role_is_known")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
    )
    op.create_table(
        "account_identity",
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("email", sa.String(), nullable=False),
        sa.Column("email_key", sa.String(), nullable=False),
        _of_account("account_identity"),
        sa.PrimaryKeyConstraint("account_id", name=op.f("pk_account_identity")),
        sa.UniqueConstraint("email_key", name=op.f("uq_account_identity_email_key")),
    )
    op.create_table(
        "account_branch",
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("branch_id", sa.String(), nullable=False),
        _of_account("account_branch"),
        sa.ForeignKeyConstraint(
            ["branch_id"], ["branch.id"], name=op.f("fk_account_branch_branch_id")
        ),
        sa.PrimaryKeyConstraint("account_id", "branch_id", name=op.f("pk_account_branch")),
    )


def _how_they_come_in() -> None:
    op.create_table(
        "account_session",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("token_sha256", sa.String(), nullable=False),
        sa.Column("begun_at", UtcDateTime(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=False),
        sa.Column("is_whole", sa.Boolean(), nullable=False),
        sa.Column("said", sa.Text(), nullable=True),
        _of_account("account_session"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account_session")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_account_session_token_sha256")),
    )
    op.create_table(
        "account_link",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("token_sha256", sa.String(), nullable=False),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("expires_at", UtcDateTime(), nullable=False),
        sa.Column("used_at", UtcDateTime(), nullable=True),
        sa.CheckConstraint(
            sa.column("purpose").in_(_PURPOSES), name=op.f("ck_account_link_purpose_is_known")
        ),
        _of_account("account_link"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account_link")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_account_link_token_sha256")),
    )
    op.create_table(
        "recovery_code",
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("code_sha256", sa.String(), nullable=False),
        _of_account("recovery_code"),
        sa.PrimaryKeyConstraint("account_id", "code_sha256", name=op.f("pk_recovery_code")),
    )
    op.create_table(
        "known_browser",
        sa.Column("token_sha256", sa.String(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=False),
        _of_account("known_browser"),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_known_browser")),
    )
    for table in ("known_browser", "account_link", "account_session"):
        op.create_index(op.f(f"ix_{table}_account_id"), table, ["account_id"])


def _what_is_written_down() -> None:
    op.create_table(
        "sign_in_wait",
        sa.Column("subject_sha256", sa.String(), nullable=False),
        sa.Column("n_failures", sa.Integer(), nullable=False),
        sa.Column("failed_at", UtcDateTime(), nullable=False),
        sa.Column("waits_until", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("subject_sha256", name=op.f("pk_sign_in_wait")),
    )
    op.create_table(
        "audit_entry",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=True),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=True),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_audit_entry")),
    )


def _of_account(table: str) -> sa.ForeignKeyConstraint:
    name = op.f(f"fk_{table}_account_id")
    return sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=name)
