"""The tables of people who sign in: accounts, sessions, one-time links, waits and the audit.

Who an account *is* stands only in `account_identity`; every other table knows it by a random id, so
that the audit stays valid when somebody's name is taken away. Of every secret that a person carries
(session, link, recovery code, known browser) only the SHA-256 of it is kept. The secret of a second
factor is kept as it is, since codes are computed from it: who reads the records can compute them
too, but not the password.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Date,
    ForeignKey,
    Integer,
    String,
    Table,
    Text,
)

from forecast.records.table_parts import UtcDateTime, metadata, one_of

ROLES = ("manager", "vet", "nurse", "desk", "administrator")
LINK_PURPOSES = ("invitation", "new password")

account = Table(
    "account",
    metadata,
    Column("id", String, primary_key=True),
    Column("role", String, nullable=False),
    Column("is_active", Boolean, nullable=False),
    Column("until", Date),  # the last day on which they may sign in; empty: no end
    Column("made_at", UtcDateTime, nullable=False),
    Column("password_hash", Text),  # empty: invited, and has not come yet
    Column("password_set_at", UtcDateTime),
    Column("totp_secret", String),  # empty: no second factor
    Column("totp_step", BigInteger),  # the step of the last code taken: none is taken twice
    one_of("role", ROLES),
)
account_identity = Table(
    "account_identity",
    metadata,
    Column("account_id", ForeignKey("account.id"), primary_key=True),
    Column("name", String, nullable=False),
    Column("email", String, nullable=False),
    Column("email_key", String, nullable=False, unique=True),  # as addresses are compared
)
account_branch = Table(
    "account_branch",
    metadata,
    Column("account_id", ForeignKey("account.id"), primary_key=True),
    Column("branch_id", ForeignKey("branch.id"), primary_key=True),
)
account_session = Table(
    "account_session",
    metadata,
    Column("id", String, primary_key=True),
    Column("account_id", ForeignKey("account.id"), nullable=False, index=True),
    Column("token_sha256", String, nullable=False, unique=True),
    Column("begun_at", UtcDateTime, nullable=False),
    Column("seen_at", UtcDateTime, nullable=False),
    Column("is_whole", Boolean, nullable=False),  # False: the second factor is still owed
    Column("said", Text),  # a sentence to be shown once
)
account_link = Table(
    "account_link",
    metadata,
    Column("id", String, primary_key=True),
    Column("account_id", ForeignKey("account.id"), nullable=False, index=True),
    Column("token_sha256", String, nullable=False, unique=True),
    Column("purpose", String, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("expires_at", UtcDateTime, nullable=False),
    Column("used_at", UtcDateTime),
    one_of("purpose", LINK_PURPOSES),
)
recovery_code = Table(
    "recovery_code",
    metadata,
    Column("account_id", ForeignKey("account.id"), primary_key=True),
    Column("code_sha256", String, primary_key=True),
)
known_browser = Table(
    "known_browser",
    metadata,
    Column("token_sha256", String, primary_key=True),
    Column("account_id", ForeignKey("account.id"), nullable=False, index=True),
    Column("seen_at", UtcDateTime, nullable=False),
)
sign_in_wait = Table(
    "sign_in_wait",
    metadata,
    Column("subject_sha256", String, primary_key=True),
    Column("n_failures", Integer, nullable=False),
    Column("failed_at", UtcDateTime, nullable=False),
    Column("waits_until", UtcDateTime, nullable=False),
)
# Append-only. Each row's hash is over its own values and the hash before it.
audit_entry = Table(
    "audit_entry",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at", UtcDateTime, nullable=False),
    Column("account_id", String),  # empty: a stranger, or the command line
    Column("action", String, nullable=False),
    Column("subject", String),  # a random id of an account, session or owner
    Column("sha256", String, nullable=False),
)
