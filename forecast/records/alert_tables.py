"""The tables of alerts: the rule that speaks, the alert, its texts, and who approved what.

No row here names an owner or a dog: `made_by`, `written_by` and the like are a random id of an
account, "clock" or "command line". Rules and texts are only ever added to, so their history stays.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
)

from forecast.records.table_parts import UtcDateTime, metadata, one_of

ALERT_KINDS = ("season near", "peak near", "season over", "sudden high week")
ALERT_STATES = ("draft", "approved", "sending", "sent", "withdrawn", "discarded")
ALERT_SKILLS = ("better", "not shown", "not known")
WITHOUT_SKILL = ("hold", "send")
DECISIONS = ("approved", "refused")

# The newest row of a region counts.
alert_rule = Table(
    "alert_rule",
    metadata,
    Column("id", String, primary_key=True),
    Column("region_id", String, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("made_by", String, nullable=False),
    Column("is_on", Boolean, nullable=False),
    Column("cost", Float, nullable=False),  # of an alert, in the practice's own unit
    Column("loss", Float, nullable=False),  # of a high week that nobody was warned of, same unit
    Column("off_share", Float, nullable=False),  # odds of "off" over odds of "on"
    Column("shortest_lead", Integer, nullable=False),  # days
    Column("longest_lead", Integer, nullable=False),
    Column("gap", Integer, nullable=False),  # days between alerts of a region
    Column("kinds", JSON, nullable=False),
    Column("budget", Integer, nullable=False),  # alerts an owner and year, all kinds and pets
    Column("without_skill", String, nullable=False),
    Column("simulation", JSON),  # what it would have done, as shown; empty: it was never simulated
    Index(None, "region_id", "made_at"),
    one_of("without_skill", WITHOUT_SKILL),
    CheckConstraint("cost > 0 AND cost < loss", name="cost_is_below_loss"),
)

alert = Table(
    "alert",
    metadata,
    Column("id", String, primary_key=True),
    Column("region_id", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("state", String, nullable=False),
    Column("rule_id", ForeignKey("alert_rule.id"), nullable=False),
    Column("issue_id", ForeignKey("issue.id"), nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("made_by", String, nullable=False),
    Column("first_week", Date, nullable=False),  # Mondays of the weeks that it speaks of
    Column("last_week", Date, nullable=False),
    Column("odds", Float),  # empty: none is told
    Column("usual_odds", Float),
    Column("skill", String, nullable=False),
    Column("facts", JSON, nullable=False),  # what its texts were written from
    Column("approved_at", UtcDateTime),
    Column("sent_at", UtcDateTime),  # when the first message was handed over
    Column("withdrawn_at", UtcDateTime),
    Column("withdrawn_by", String),
    Column("withdrawn_why", Text),
    Index(None, "region_id", "made_at"),
    one_of("kind", ALERT_KINDS),
    one_of("state", ALERT_STATES),
    one_of("skill", ALERT_SKILLS),
)

# How the last look at a region ended; `is_on` is what keeps wavering odds from speaking twice.
alert_standing = Table(
    "alert_standing",
    metadata,
    Column("region_id", String, primary_key=True),
    Column("issue_id", ForeignKey("issue.id"), nullable=False),
    Column("looked_at", UtcDateTime, nullable=False),
    Column("is_on", Boolean, nullable=False),
    Column("why", Text, nullable=False),
)

# Every version of a text; the highest number of a language counts.
alert_text = Table(
    "alert_text",
    metadata,
    Column("alert_id", ForeignKey("alert.id"), primary_key=True),
    Column("language", String, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("subject", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("blocks", Text, nullable=False),  # the fixed ones, as a vet approved them
    Column("written_at", UtcDateTime, nullable=False),
    Column("written_by", String, nullable=False),
)

alert_decision = Table(
    "alert_decision",
    metadata,
    Column("id", String, primary_key=True),
    Column("alert_id", ForeignKey("alert.id"), nullable=False, index=True),
    Column("decided_by", String, nullable=False),
    Column("decided_at", UtcDateTime, nullable=False),
    Column("decision", String, nullable=False),
    Column("text_sha256", String, nullable=False),  # of all texts as they were shown
    Column("n_recipients", Integer),  # as shown; empty: not known
    Column("remark", Text),
    one_of("decision", DECISIONS),
)

# The fixed blocks of a language, as a vet of the practice read and approved them.
alert_block_approval = Table(
    "alert_block_approval",
    metadata,
    Column("language", String, primary_key=True),
    Column("blocks_sha256", String, primary_key=True),
    Column("approved_by", String, nullable=False),
    Column("approved_at", UtcDateTime, nullable=False),
)
