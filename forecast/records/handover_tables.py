"""Tables of what went out to owners, and of response trials; they know a dog by its random id.

No name, contact or text of a letter is kept: a letter is made anew from the plan that it tells of.
"""

from __future__ import annotations

from sqlalchemy import JSON, Column, Date, ForeignKey, Integer, String, Table

from forecast.records.table_parts import UtcDateTime, metadata, one_of

HANDOVER_KINDS = ("letter", "calendar", "cancellation")

handover = Table(
    "handover",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    # to whom: who owned the dog then. No foreign key: the random id stays when that is erased
    Column("owner_id", String, index=True),
    Column("therapy", String, nullable=False),
    # empty: a cancellation, which rests on no plan
    Column("plan_id", ForeignKey("dose_plan.id")),
    Column("kind", String, nullable=False),
    Column("at", UtcDateTime, nullable=False),
    # who handed it over: the random id of an account; empty: the command line
    Column("account_id", String),
    # what the owner's calendar holds from then on, or the days that a letter named
    Column("events", JSON, nullable=False),
    # of the form that asked for it: a form sent twice hands over once; empty: the command line
    Column("form_key", String),
    one_of("kind", HANDOVER_KINDS),
)
response_trial = Table(
    "response_trial",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("therapy", String, nullable=False),
    # the day of the first dose; the scores stand in pruritus_score
    Column("begun", Date, nullable=False),
)
