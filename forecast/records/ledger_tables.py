"""The tables of the clock: runs of jobs, what people asked for, what a person must be told.

No row here names an owner or a dog; `asked_by` and `result` hold no names either.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
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

STARTERS = ("clock", "hand", "request")
REQUEST_STATES = ("waiting", "claimed", "done", "failed", "refused")
NEWS = ("began", "over")
# "sending" is written before anything goes out; where its process died it becomes "not known"
DELIVERY_STATES = ("sending", "told", "failed", "not known")

job_run = Table(
    "job_run",
    metadata,
    Column("id", String, primary_key=True),
    Column("job", String, nullable=False),
    Column("local_date", Date, nullable=False),
    Column("cut", JSON),
    Column("state", String, nullable=False),
    Column("n_rows", Integer),
    Column("seconds", Float),
    Column("result", Text),
    Column("started_at", UtcDateTime, nullable=False),
    Column("started_by", String),  # empty: a run from before this was written down
    Column("progress", Float),  # share done, 0 to 1; empty: the job does not tell
    Index(None, "job", "local_date"),
    one_of("started_by", STARTERS),
)

# Pages and commands insert; the clock alone claims, runs and reports.
work_request = Table(
    "work_request",
    metadata,
    Column("id", String, primary_key=True),
    Column("kind", String, nullable=False),
    Column("arguments", JSON, nullable=False),
    Column("asked_by", String, nullable=False),  # a random id of an account, or "command line"
    Column("asked_at", UtcDateTime, nullable=False),
    Column("state", String, nullable=False),
    Column("claimed_at", UtcDateTime),
    Column("ended_at", UtcDateTime),
    Column("progress", Float),  # share done, 0 to 1; empty: not known
    Column("run_id", ForeignKey("job_run.id")),
    Column("result", Text),  # one sentence
    Index(None, "state", "asked_at"),
    one_of("state", REQUEST_STATES),
)

# What goes wrong is told to a person once, and once more when it is over.
notice = Table(
    "notice",
    metadata,
    Column("id", String, primary_key=True),
    Column("about", String, nullable=False, index=True),  # such as "pull nasa_power"
    Column("sentence", Text, nullable=False),
    Column("since", UtcDateTime, nullable=False),
    Column("over_at", UtcDateTime),  # empty: it still goes on
    Column("told_at", UtcDateTime),  # when a person was told that it began
    Column("told_over_at", UtcDateTime),
)

# How it went to tell one of the two news of a notice on one way: at most once on each.
notice_delivery = Table(
    "notice_delivery",
    metadata,
    Column("notice_id", ForeignKey("notice.id"), primary_key=True),
    Column("news", String, primary_key=True),
    Column("channel", String, primary_key=True),  # such as "mail"
    Column("state", String, nullable=False),
    Column("n_attempts", Integer, nullable=False),
    Column("attempted_at", UtcDateTime, nullable=False),
    Column("error", Text),
    one_of("news", NEWS),
    one_of("state", DELIVERY_STATES),
)

# What an issued forecast of a week came to, once the week's counts are known.
verification = Table(
    "verification",
    metadata,
    Column("issue_id", ForeignKey("issue.id"), primary_key=True),
    Column("region_id", String, primary_key=True),
    Column("week", Date, primary_key=True),
    Column("quantity", String, primary_key=True),  # such as "visits"
    Column("vintage_id", ForeignKey("count_vintage.id"), nullable=False),
    Column("weeks_ahead", Integer, nullable=False),
    Column("observed", Float, nullable=False),
    Column("weighted_interval_score", Float, nullable=False),
    Column("climatology_score", Float, nullable=False),
    Column("inside_50", Float, nullable=False),  # share of the observed count's probability step
    Column("inside_90", Float, nullable=False),
    Column("odds_high", Float),  # empty: the week's threshold is not known
    Column("was_high", Boolean),
)
