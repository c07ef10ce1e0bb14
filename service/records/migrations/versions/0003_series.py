"""Prices by what they are of, so that carbon intensities are kept with them.

Revision ID: 0003
Revises: 0002
"""

import sqlalchemy as sa
from alembic import op

from service.records.columns import UtcTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Say "import" or "export" where a flag was."""
    _made_anew(
        sa.Column("of", sa.Text(), nullable=False),
        "CASE WHEN export THEN 'export' ELSE 'import' END",
        "1 = 1",
    )


def downgrade() -> None:
    """Back to the flag, which has no room for carbon."""
    _made_anew(
        sa.Column("export", sa.Boolean(), nullable=False), "\"of\" = 'export'", "\"of\" <> 'carbon'"
    )


def _made_anew(told: sa.Column[str] | sa.Column[bool], value: str, kept: str) -> None:
    """The table with another second key column: a key cannot be changed in place."""
    op.execute("CREATE TABLE prices_before AS SELECT * FROM prices")
    op.drop_table("prices")
    op.create_table(
        "prices",
        sa.Column("home_id", sa.Integer(), nullable=False),
        told,
        sa.Column("start", UtcTime(), nullable=False),
        sa.Column("end", UtcTime(), nullable=False),
        sa.Column("per_kwh", sa.Float(), nullable=False),
        sa.Column("fetched_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", told.name, "start"),
        sqlite_with_rowid=False,
    )
    op.execute(
        f'INSERT INTO prices (home_id, "{told.name}", "start", "end", per_kwh, fetched_at) '
        f'SELECT home_id, {value}, "start", "end", per_kwh, fetched_at FROM prices_before '
        f"WHERE {kept}"
    )
    op.drop_table("prices_before")
