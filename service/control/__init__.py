"""Observe, estimate, plan, command: the pure control step and what it rests on."""
