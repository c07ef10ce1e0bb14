"""``python -m tests.benchmarks [--list] [--long] [NAME ...]``."""

from tests.benchmarks.frame import main

if __name__ == "__main__":
    raise SystemExit(main())
