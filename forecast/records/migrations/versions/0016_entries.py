"""Who entered what of a dog and when, and what was taken back.

Revision ID: 0016
"""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

_TABLES = ("desk_entry", "entry_taken_back")
# What was entered before: who and when, nobody wrote down. Of a status no row tells whether a
# person or a register said so.
_ENTERED = (
    "INSERT INTO desk_entry (entry, dog_id, row_of, row_id) "
    "SELECT '{0} ' || id, dog_id, '{0}', id FROM {0} {1} ORDER BY id"
)
_BROUGHT_TOO = ("pruritus_score", "dog_fact", "therapy_event", "adverse_reaction")
_AT_A_DESK_ALONE = ("therapy_release", "response_trial")


def upgrade() -> None:
    """Add both tables; what was entered before can be taken back too."""
    op.create_table(
        "desk_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry", sa.String(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("row_of", sa.String(), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=True),
        sa.Column("account_id", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_desk_entry_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_desk_entry")),
        sa.UniqueConstraint("row_of", "row_id", name=op.f("uq_desk_entry_row_of_row_id")),
    )
    op.create_index(op.f("ix_desk_entry_entry"), "desk_entry", ["entry"], unique=False)
    op.create_table(
        "entry_taken_back",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry", sa.String(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("entered_at", sa.DateTime(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("account_id", sa.String(), nullable=False),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("in_words", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_entry_taken_back_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry_taken_back")),
        sa.UniqueConstraint("entry", name=op.f("uq_entry_taken_back_entry")),
    )
    for table in _TABLES:
        op.create_index(op.f(f"ix_{table}_dog_id"), table, ["dog_id"], unique=False)
    for table in _BROUGHT_TOO:
        op.execute(_ENTERED.format(table, "WHERE import_id IS NULL"))
    for table in _AT_A_DESK_ALONE:
        op.execute(_ENTERED.format(table, ""))


def downgrade() -> None:
    """Take both away: who entered what is lost, and so is what was taken back."""
    op.drop_index(op.f("ix_desk_entry_entry"), table_name="desk_entry")
    for table in _TABLES:
        op.drop_index(op.f(f"ix_{table}_dog_id"), table_name=table)
        op.drop_table(table)
