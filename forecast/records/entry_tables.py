"""Tables of what people enter of a dog at a desk: who said what and when, and what was taken back.

A row that is taken back leaves its own table, so that it counts nowhere; what it said stays here.
What somebody wrote in words, `entry_taken_back.in_words` and `.reason`, is emptied when the owner
is erased, or after the time for which notes are kept.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Column,
    Date,
    ForeignKey,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from forecast.records.table_parts import UtcDateTime, metadata

desk_entry = Table(
    "desk_entry",
    metadata,
    Column("id", Integer, primary_key=True),
    # rows of one entry were entered at once, and are taken back at once
    Column("entry", String, nullable=False, index=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("row_of", String, nullable=False),
    # empty: taken back, the row is gone
    Column("row_id", Integer),
    # empty: entered before this was written down
    Column("at", UtcDateTime),
    # the random id of an account
    Column("account_id", String),
    UniqueConstraint("row_of", "row_id"),
)
entry_taken_back = Table(
    "entry_taken_back",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("entry", String, nullable=False, unique=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    # the day that it was about
    Column("date", Date, nullable=False),
    Column("entered_at", UtcDateTime),
    Column("entered_by", String),
    Column("at", UtcDateTime, nullable=False),
    Column("account_id", String, nullable=False),
    # its rows by table and column, without what was written in words
    Column("said", JSON, nullable=False),
    Column("in_words", Text),
    Column("reason", Text),
)
