"""Sets up the local environment from a lock file. Standard library only: it runs first."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / "bin" / "python"
OLDEST = (3, 11)


def fail(message: str) -> None:
    """Say what is missing and stop."""
    sys.exit(f"ladle: {message}")


def install_system_packages(packages: list[str], why: str) -> None:
    """Install Debian packages when we may, else say plainly which are missing and why."""
    command = "apt-get install -y --no-install-recommends " + " ".join(packages)
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        fail(f"missing on this machine: {', '.join(packages)} ({why}). Install with: {command}")
    print(f"ladle: installing {', '.join(packages)} ({why})", flush=True)
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for step in ("apt-get update -qq", command + " -qq"):
        done = subprocess.run(step.split(), env=quiet, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            fail(f"'{step}' failed: {done.stderr.strip()[-400:]}")


def _fingerprint(lock: Path) -> str:
    parts = [lock.read_bytes(), (ROOT / "pyproject.toml").read_bytes(), sys.version.encode()]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def ensure_environment(lock: Path) -> None:
    """Make ``.venv`` hold exactly what ``lock`` lists, and the project itself.

    A stamp in the environment records what was installed, so that a second run starts at once.
    The test lock contains the service's lock: an environment that has it serves both.
    """
    if sys.version_info < OLDEST:
        needed = ".".join(map(str, OLDEST))
        fail(f"needs Python {needed} or newer; this is {sys.version.split()[0]}")
    stamp = ENVIRONMENT / f".installed-{lock.parent.name}"
    fingerprint = _fingerprint(lock)
    if PYTHON.exists() and stamp.exists() and stamp.read_text() == fingerprint:
        return
    if not PYTHON.exists():
        try:
            import ensurepip  # noqa: F401, PLC0415 - Debian ships it apart from python3
        except ImportError:
            install_system_packages(["python3-venv"], "to make the local environment")
        print(f"ladle: making the environment in {ENVIRONMENT.name}", flush=True)
        venv.create(ENVIRONMENT, with_pip=True)
    print(f"ladle: installing what {lock.relative_to(ROOT)} lists (a minute or two)", flush=True)
    pip = [str(PYTHON), "-m", "pip", "--disable-pip-version-check", "--no-input", "install", "-q"]
    # Python compiles what is imported, which is a small part of what is installed.
    listed = ["--no-compile", "--require-hashes", "-r", str(lock)]
    for arguments in (listed, ["--no-deps", "-e", str(ROOT)]):
        done = subprocess.run([*pip, *arguments], cwd=ROOT, check=False)
        if done.returncode != 0:
            fail(f"installing from {lock.relative_to(ROOT)} failed; the lines above say why")
    stamp.write_text(fingerprint)


def run_inside(arguments: list[str]) -> None:
    """Replace this process by the environment's Python with ``arguments``."""
    os.chdir(ROOT)
    os.execv(PYTHON, [str(PYTHON), *arguments])
