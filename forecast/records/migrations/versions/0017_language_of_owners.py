"""In which language an owner is written to.

Revision ID: 0017
"""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of owners held already no language is known."""
    op.add_column("owner", sa.Column("language", sa.String(), nullable=True))


def downgrade() -> None:
    """Take the column away: owners are written to in the practice's language."""
    op.drop_column("owner", "language")
