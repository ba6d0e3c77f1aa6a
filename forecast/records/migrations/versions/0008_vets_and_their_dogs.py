"""Who looks after which dog; a vet's word on a longer effect; what flare visits follow.

Revision ID: 0008
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_OF_DOGS = ("dog_vet", "vets_word")


def upgrade() -> None:
    """Add the tables; no dog has a vet until somebody says so."""
    op.create_table(
        "vet",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=True),
        sa.Column("name_key", sa.String(), nullable=True),
        sa.Column("account_id", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_vet_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vet")),
        sa.UniqueConstraint("name_key", name=op.f("uq_vet_name_key")),
        sa.UniqueConstraint("account_id", name=op.f("uq_vet_account_id")),
    )
    _of_dogs(
        "dog_vet",
        sa.Column("vet_id", sa.String(), nullable=True),
        sa.Column("date", sa.Date(), nullable=True),
        sa.Column("given_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["vet_id"], ["vet.id"], name=op.f("fk_dog_vet_vet_id")),
    )
    _of_dogs(
        "vets_word",
        sa.Column("therapy", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=True),
        sa.Column("signed_by", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
    )
    op.create_table(
        "culprit_result",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["issue_id"], ["issue.id"], name=op.f("fk_culprit_result_issue_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_culprit_result")),
    )


def downgrade() -> None:
    """Take the tables away, those first that cite others."""
    op.drop_table("culprit_result")
    for table in _OF_DOGS:
        op.drop_index(op.f(f"ix_{table}_dog_id"), table_name=table)
        op.drop_table(table)
    op.drop_table("vet")


def _of_dogs(name: str, *columns: sa.Column[object] | sa.ForeignKeyConstraint) -> None:
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        *columns,
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f(f"fk_{name}_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )
    op.create_index(op.f(f"ix_{name}_dog_id"), name, ["dog_id"], unique=False)
