"""Measured figures, as ratios against a baseline of the same run: ``python -m tests.benchmarks``.

Not part of the test command: machines are noisy, so a timed figure is never a gate.
"""
