"""``python3 -m tests``: set everything up if need be, then lint, type-check and test.

Arguments go to pytest: ``python3 -m tests tests/published -k water``.
"""

import os
import shutil
import subprocess
import sys

from service import bootstrap

SYSTEM_PARTS = {  # what must be on the path -> Debian package, and what needs it
    "mosquitto": ("mosquitto", "the tests talk to a real broker"),
    "chromium": ("chromium", "the tests look at the pages in a real browser"),
    "openssl": ("openssl", "the tests make certificates for the broker"),
}


def missing_parts() -> list[str]:
    """Names of the programs in SYSTEM_PARTS that this machine lacks."""
    path = os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin"
    return [name for name in SYSTEM_PARTS if shutil.which(name, path=path) is None]


def main() -> int:
    """Run all checks; the first that fails decides the exit status."""
    if lacking := missing_parts():
        why = "; ".join(f"{name}: {SYSTEM_PARTS[name][1]}" for name in lacking)
        bootstrap.install_system_packages([SYSTEM_PARTS[n][0] for n in lacking], why)
    bootstrap.ensure_environment(bootstrap.ROOT / "tests" / "requirements.lock")
    python = str(bootstrap.PYTHON)
    # Tests wait for brokers and services more than they compute.
    workers = str(2 * (os.cpu_count() or 1))
    # A file's tests share what they set up, so a worker gets whole files; in the order of their
    # names, since by their number of tests the long files of one or two would all come last.
    shared_out = ["-n", workers, "--dist", "loadfile", "--no-loadscope-reorder"]
    folders = ["service", "forecasting", "adapters", "tests"]
    # Many tests start the service as a process: without byte code each compiles everything anew.
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}

    def failed(*check: str) -> int:
        print("$", " ".join(["python", "-m", *check]), flush=True)
        command = [python, "-m", *check]
        return subprocess.run(command, cwd=bootstrap.ROOT, env=environment, check=False).returncode

    status = failed("ruff", "check", *folders)
    status = status or failed("ruff", "format", "--check", "-q", *folders)
    if status:
        return status
    # Nor need each worker compile all tests anew: that is done once, beside the types.
    collect = [python, "-m", "pytest", "--collect-only", "-qq", *sys.argv[1:]]
    hushed = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with subprocess.Popen(collect, cwd=bootstrap.ROOT, env=environment, **hushed):
        status = failed("mypy")
    return status or failed("pytest", *shared_out, *sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
