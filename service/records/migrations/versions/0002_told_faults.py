"""When people were told of a fault.

Revision ID: 0002
Revises: 0001
"""

import sqlalchemy as sa
from alembic import op

from service.records.columns import UtcTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("faults", sa.Column("told_at", UtcTime(), nullable=True))


def downgrade() -> None:
    """Take it away."""
    op.drop_column("faults", "told_at")
