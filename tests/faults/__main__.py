"""``python -m tests.faults [NAME ...]``: the long runs, see ``frame``."""

from tests.faults.frame import main

if __name__ == "__main__":
    raise SystemExit(main())
