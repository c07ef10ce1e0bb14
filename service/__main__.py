"""``python3 -m service ...``: set everything up if need be, then run ``ladle ...``."""

import sys

from service import bootstrap

if __name__ == "__main__":
    bootstrap.ensure_environment(bootstrap.ROOT / "requirements.lock")
    bootstrap.run_inside(["-m", "service.cli", *sys.argv[1:]])
