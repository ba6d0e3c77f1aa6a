"""The table of what vets decided on plans: each decision a row, none ever changed.

A plan is *proposed* until the first. What a vet wrote in words, `plan_decision.reason`, is emptied
when the owner is erased, and goes with the notes when those have been kept long enough.
"""

from __future__ import annotations

from sqlalchemy import JSON, Column, Date, ForeignKey, Integer, String, Table, Text

from forecast.records.table_parts import UtcDateTime, metadata, one_of

DECIDED_STATES = ("accepted", "changed", "declined", "withdrawn")

plan_decision = Table(
    "plan_decision",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("plan_id", ForeignKey("dose_plan.id"), nullable=False, index=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("state", String, nullable=False),
    # the practice's day, and the moment
    Column("date", Date, nullable=False),
    Column("at", UtcDateTime, nullable=False),
    # who decided: the random id of an account
    Column("signed_by", String, nullable=False),
    # the doses that hold from then on; none where it was declined or withdrawn
    Column("dates", JSON, nullable=False),
    Column("reason", Text),
    one_of("state", DECIDED_STATES),
)
