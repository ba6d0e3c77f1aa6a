"""Weeks not like others in the counts: not all come in yet, a full diary, days closed.

Revision ID: 0006
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_NEW = (
    "reported_share",
    "flare_visits_so_far",
    "consultations_so_far",
    "full_share",
    "open_share",
)


def upgrade() -> None:
    """Add what is told of a week beside its counts; of the counts held before it is not known."""
    for name in _NEW:
        op.add_column("count_week", sa.Column(name, sa.Float(), nullable=True))


def downgrade() -> None:
    """Take it away again; the counts stay."""
    with op.batch_alter_table("count_week") as batch:
        for name in _NEW:
            batch.drop_column(name)
