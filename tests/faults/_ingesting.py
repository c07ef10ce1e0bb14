"""A service without pages that is forked anew for each line on standard input, to be killed.

Everything is imported once; each ``go`` forks a child that reads from the broker and commits as
``ladle serve`` does. It prints the child's process id and then waits for it to be killed.
"""

import os
import sys
import time
from pathlib import Path

from service.assembly import Service
from service.clock import SystemClock
from service.records.records import Records
from service.settings_check import load
from service.worker import InlineWorker


def main() -> None:
    """``_ingesting CONFIG``."""
    wiring = load(Path(sys.argv[1]))
    for line in sys.stdin:
        if line.strip() != "go":
            break
        child = os.fork()
        if child == 0:
            service = Service(
                wiring, SystemClock(), Records.open(wiring.database.url), InlineWorker()
            )
            service.start()
            time.sleep(600)
        print(child, flush=True)
        os.waitpid(child, 0)
        print("gone", flush=True)


if __name__ == "__main__":
    main()
