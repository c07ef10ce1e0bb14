"""A real Mosquitto for tests: started on a free loopback port, stopped by its process id.

    with start(("max_inflight_messages 20",)) as broker:
        ... broker.port ...
        broker.restart()

Without lines of its own it allows anonymous clients. With ``persistence true`` among the lines
its store lies in the broker's own folder and survives ``stop``, ``kill`` and ``restart``.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

SYSTEM_PLACES = ("/usr/sbin", "/usr/local/sbin", "/usr/bin", "/usr/local/bin", "/opt/homebrew/sbin")


def program(name: str = "mosquitto") -> str:
    """The path of Mosquitto's ``name``; fails (never skips) when it is missing."""
    search = os.pathsep.join((os.environ.get("PATH", ""), *SYSTEM_PLACES))
    found = shutil.which(name, path=search)
    if found is None:
        raise AssertionError(f"{name} is missing: install the Debian package mosquitto")
    return found


def free_port() -> int:
    """A loopback TCP port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """One broker process. Use ``start`` to get one."""

    def __init__(
        self, lines: Iterable[str], port: int | None = None, folder: Path | None = None
    ) -> None:
        self._made_folder = folder is None
        self.folder = folder or Path(tempfile.mkdtemp(prefix="ladle-broker-"))
        self.port = port or free_port()
        self.host = "127.0.0.1"
        self.log = self.folder / "broker.log"
        self._process: subprocess.Popen[bytes] | None = None
        self.configure(lines)

    def configure(self, lines: Iterable[str]) -> None:
        """Write the configuration; it takes effect at the next ``run``."""
        given = list(lines)
        words = {line.split()[0] for line in given if line.strip()}
        # A broker started by root gives itself up to another user, who could not read the folder.
        head = [f"listener {self.port} 127.0.0.1", "user root", "connection_messages true"]
        if not words & {"allow_anonymous", "password_file"}:
            head.append("allow_anonymous true")
        head.append(f"persistence_location {self.folder}/")
        self._file = self.folder / "mosquitto.conf"
        self._file.write_text("\n".join(head + given) + "\n", encoding="utf-8")

    @property
    def pid(self) -> int | None:
        """The process id while it runs."""
        return self._process.pid if self._process is not None else None

    def run(self) -> None:
        """Start the process and wait until it accepts connections."""
        assert self._process is None
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [program(), "-v", "-c", str(self._file)], stdout=log, stderr=subprocess.STDOUT
            )
        until = time.monotonic() + 10
        while time.monotonic() < until:
            if self._process.poll() is not None:
                raise AssertionError(f"mosquitto ended at once:\n{self.log.read_text()}")
            try:
                with socket.create_connection(("127.0.0.1", self.port), 0.2):
                    return
            except OSError:
                time.sleep(0.02)
        raise AssertionError(f"mosquitto does not listen:\n{self.log.read_text()}")

    def stop(self) -> None:
        """Ask it to end (its store is written) and wait for it."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        self._end(signal.SIGKILL)

    def restart(self, pause_s: float = 0.0) -> None:
        """Stop it and start it again on the same port."""
        self.stop()
        time.sleep(pause_s)
        self.run()

    def freeze(self) -> None:
        """Suspend it: connections stay open and nothing is answered."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on after ``freeze``."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGCONT)

    def _end(self, sign: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(sign)
            self._process.wait(10)
            self._process = None

    def close(self) -> None:
        """End it and remove the folder it made."""
        self.kill()
        if self._made_folder:
            shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self) -> Mosquitto:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def start(
    lines: Iterable[str] = (), port: int | None = None, folder: Path | None = None
) -> Mosquitto:
    """Start a broker with these configuration lines; use it as a context manager."""
    broker = Mosquitto(lines, port, folder)
    try:
        broker.run()
    except BaseException:
        broker.close()
        raise
    return broker


def password_file(folder: Path, users: dict[str, str]) -> Path:
    """A password file for ``password_file``, made by mosquitto_passwd."""
    file = folder / "passwords"
    file.touch(mode=0o600)
    for user, password in users.items():
        subprocess.run(
            [program("mosquitto_passwd"), "-b", str(file), user, password],
            check=True,
            capture_output=True,
        )
    return file
