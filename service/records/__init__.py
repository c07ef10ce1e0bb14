"""What is kept: readings, draws, decisions, plans, settings and the rest, per home."""
