"""Tables of how alerts reach owners: lists, messages, who is not written to, and signing keys.

An owner is known by the random id. Of a mail address only a keyed hash is kept (`address_key`), and
erasing the owner empties that too; the address itself stands in `owner.contact` alone and is read
when a message is handed over.
"""

from __future__ import annotations

from sqlalchemy import (
    Column,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    UniqueConstraint,
)

from forecast.records.table_parts import UtcDateTime, metadata, one_of

MESSAGE_NEWS = ("alert", "withdrawal")
MESSAGE_WAYS = ("mail", "folder", "webhook")
# "sending" is committed before a message goes out; where its process died it becomes "in doubt"
MESSAGE_STATES = (
    *("waiting", "sending", "sent", "in doubt"),
    *("refused", "given up", "left out"),
)
STOP_REASONS = ("unsubscribed", "bounced")

# That the list of an alert is drawn: its messages count from then on, all at once.
alert_list = Table(
    "alert_list",
    metadata,
    Column("alert_id", ForeignKey("alert.id"), primary_key=True),
    Column("news", String, primary_key=True),
    Column("drawn_at", UtcDateTime, nullable=False),
    Column("n_waiting", Integer, nullable=False),
    Column("n_left_out", Integer, nullable=False),
    one_of("news", MESSAGE_NEWS),
)
# One message to one household, or to one partner; also of who was left out, and why.
alert_message = Table(
    "alert_message",
    metadata,
    Column("id", String, primary_key=True),
    Column("alert_id", ForeignKey("alert.id"), nullable=False),
    Column("news", String, nullable=False),
    Column("way", String, nullable=False),
    Column("region_id", String, nullable=False),
    # no foreign key to owners; empty: to a partner
    Column("owner_id", String, index=True),
    # the message that tells this owner too, at the same address
    Column("told_by", ForeignKey("alert_message.id"), index=True),
    Column("address_key", String),
    Column("state", String, nullable=False),
    Column("why", String),  # a word of a list, or what a server answered, without an address
    Column("n_attempts", Integer, nullable=False),
    Column("due_at", UtcDateTime, nullable=False),
    Column("changed_at", UtcDateTime, nullable=False),
    Column("decided_by", String),  # the account that decided a doubt, or "command line"
    # idempotency: an alert comes once to an owner, and once to an address, whoever lists it
    UniqueConstraint("alert_id", "news", "way", "owner_id", name="uq_alert_message_owner"),
    UniqueConstraint("alert_id", "news", "way", "address_key", name="uq_alert_message_address"),
    Index("ix_alert_message_claim", "state", "region_id", "due_at"),
    one_of("news", MESSAGE_NEWS),
    one_of("way", MESSAGE_WAYS),
    one_of("state", MESSAGE_STATES),
)
# Who is not written to any more: they said so by the link in a message, or mail comes back.
alert_stop = Table(
    "alert_stop",
    metadata,
    Column("id", String, primary_key=True),
    Column("owner_id", String, index=True),
    Column("address_key", String, index=True),
    Column("reason", String, nullable=False),
    Column("message_id", ForeignKey("alert_message.id")),
    Column("at", UtcDateTime, nullable=False),
    Column("lifted_at", UtcDateTime),
    one_of("reason", STOP_REASONS),
)
# Keys that sign links in mails: kept here, so that a restored practice takes old links too.
signing_key = Table(
    "signing_key",
    metadata,
    Column("purpose", String, primary_key=True),
    Column("key", String, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
)
