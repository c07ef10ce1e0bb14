"""SQLModel tables, migrations and queries."""
