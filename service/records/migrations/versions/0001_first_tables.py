"""The first tables.

Revision ID: 0001
Revises:
"""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Facts, UtcTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "homes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "secrets",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("last_used_at", UtcTime(), nullable=True),
        sa.Column("ended_at", UtcTime(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("digest"),
    )
    op.create_table(
        "decisions",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("facts", Facts(), nullable=False),
        sa.Column("commands", Facts(), nullable=False),
        sa.Column("inputs", Facts(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "at"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "draws",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("start", UtcTime(), nullable=False),
        sa.Column("end", UtcTime(), nullable=False),
        sa.Column("litres", sa.Float(), nullable=False),
        sa.Column("kwh", sa.Float(), nullable=False),
        sa.Column("litres_40c", sa.Float(), nullable=False),
        sa.Column("measured_by", sa.Text(), nullable=False),
        sa.Column("invented", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "start"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "faults",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("since", UtcTime(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("facts", Facts(), nullable=False),
        sa.Column("cleared_at", UtcTime(), nullable=True),
        sa.Column("acknowledged_at", UtcTime(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "since", "code", "subject"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "forecast_scores",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("figures", Facts(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "day", "made_at"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "forecasts",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("until", UtcTime(), nullable=False),
        sa.Column("learned_weight", sa.Float(), nullable=False),
        sa.Column("notes", Facts(), nullable=False),
        sa.Column("means", sa.LargeBinary(), nullable=False),
        sa.Column("whole", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "made_at"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "hygiene_evidence",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("started", UtcTime(), nullable=False),
        sa.Column("ended", UtcTime(), nullable=False),
        sa.Column("passed", sa.Boolean(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("lowest_probe", sa.Text(), nullable=False),
        sa.Column("lowest_c", sa.Float(), nullable=False),
        sa.Column("held_s", sa.Float(), nullable=False),
        sa.Column("facts", Facts(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "started"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "idempotency_keys",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "author", "key"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "overrides",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("wish", sa.Text(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("since", UtcTime(), nullable=False),
        sa.Column("until", UtcTime(), nullable=True),
        sa.Column("tenths", sa.Integer(), nullable=True),
        sa.Column("people", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("ended_at", UtcTime(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_overrides_home_id", "overrides", ["home_id"], unique=False)
    op.create_table(
        "plans",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("until", UtcTime(), nullable=False),
        sa.Column("cost", sa.Float(), nullable=False),
        sa.Column("electricity_kwh", sa.Float(), nullable=False),
        sa.Column("reason", Facts(), nullable=False),
        sa.Column("windows", Facts(), nullable=False),
        sa.Column("whole", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "made_at"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "prices",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("export", sa.Boolean(), nullable=False),
        sa.Column("start", UtcTime(), nullable=False),
        sa.Column("end", UtcTime(), nullable=False),
        sa.Column("per_kwh", sa.Float(), nullable=False),
        sa.Column("fetched_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "export", "start"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "readings",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("measured_us", sa.BigInteger(), nullable=False),
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("delay_us", sa.BigInteger(), nullable=False),
        sa.Column("flags", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "measured_us", "signal_id"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "readings_thinned",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("span_s", sa.Integer(), nullable=False),
        sa.Column("start_s", sa.BigInteger(), nullable=False),
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("mean", sa.Float(), nullable=False),
        sa.Column("least", sa.Float(), nullable=False),
        sa.Column("greatest", sa.Float(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "span_s", "start_s", "signal_id"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "settings",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("effective_from", UtcTime(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("tunables", Facts(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "version"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "signals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("home_id", "name"),
    )
    op.create_index("ix_signals_home_id", "signals", ["home_id"], unique=False)
    op.create_table(
        "snapshots",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "at"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "token_homes",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("token_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.ForeignKeyConstraint(
            ["token_id"],
            ["tokens.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "token_id"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "watched",
        sa.Column("home_id", sa.Integer(), nullable=False),
        sa.Column("start_s", sa.BigInteger(), nullable=False),
        sa.Column("end_s", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["home_id"],
            ["homes.id"],
        ),
        sa.PrimaryKeyConstraint("home_id", "start_s"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "override_trace",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("override_id", sa.Integer(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("event", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("facts", Facts(), nullable=False),
        sa.ForeignKeyConstraint(
            ["override_id"],
            ["overrides.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "ix_override_trace_override_id", "override_trace", ["override_id"], unique=False
    )
    late = sa.text("delay_us > 60000000")
    op.create_index(
        "readings_late",
        "readings",
        ["home_id", sa.text("(measured_us + delay_us)")],
        unique=False,
        sqlite_where=late,
        postgresql_where=late,
    )


def downgrade() -> None:
    """Drop every table, and with them all records."""
    for table in (
        "override_trace",
        "watched",
        "token_homes",
        "snapshots",
        "signals",
        "settings",
        "readings_thinned",
        "readings",
        "prices",
        "plans",
        "overrides",
        "idempotency_keys",
        "hygiene_evidence",
        "forecasts",
        "forecast_scores",
        "faults",
        "draws",
        "decisions",
        "tokens",
        "secrets",
        "homes",
    ):
        op.drop_table(table)
