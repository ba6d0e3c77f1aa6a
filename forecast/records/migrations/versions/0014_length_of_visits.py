"""How long visits took, where the practice's export says.

Revision ID: 0014
"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of visits held already no length is known."""
    check = sa.CheckConstraint("minutes > 0", name=op.f("ck_visit_minutes_take_time"))
    op.add_column("visit", sa.Column("minutes", sa.Float(), check, nullable=True))


def downgrade() -> None:
    """Take the column away, with the rule on it."""
    op.drop_column("visit", "minutes")
