"""The installed ``ladle serve`` as a separate process, for tests that use it as its users do."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType

LADLE = str(Path(sys.executable).with_name("ladle"))


class Serving:
    """One ``ladle serve`` process. Start it with ``run``; a context manager ends it."""

    def __init__(self, config: Path, environment: dict[str, str] | None = None) -> None:
        self.config = config
        self.log = config.with_suffix(".log")
        self._environment = {**os.environ, **(environment or {})}
        self._process: subprocess.Popen[bytes] | None = None
        self.address = ""

    def run(self, timeout_s: float = 90.0) -> None:
        """Start it and wait until its pages answer."""
        seen = len(self.text()) if self.log.exists() else 0
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [LADLE, "serve", "--config", str(self.config)],
                stdout=log,
                stderr=subprocess.STDOUT,
                env=self._environment,
            )
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            text = self.text()[seen:]
            if found := re.search(r"Pages and API: (http://\S+)", text):
                self.address = found.group(1).rstrip("/")
                return
            if self._process.poll() is not None:
                raise AssertionError(f"ladle serve ended at once:\n{text}")
            time.sleep(0.05)
        raise AssertionError(f"ladle serve does not answer:\n{self.text()}")

    def text(self) -> str:
        """Everything it printed."""
        return self.log.read_text(encoding="utf-8")

    @property
    def pid(self) -> int:
        """Its process."""
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        self.end(signal.SIGKILL)

    def stop(self) -> int:
        """Ask it to end; its exit status."""
        return self.end(signal.SIGTERM)

    def end(self, sign: signal.Signals) -> int:
        """Send it a signal that ends it; its exit status."""
        assert self._process is not None
        self._process.send_signal(sign)
        return self.wait(30)

    def wait(self, timeout_s: float) -> int:
        """Wait until it has ended by itself; its exit status."""
        assert self._process is not None
        status = self._process.wait(timeout_s)
        self._process = None
        return status

    def __enter__(self) -> Serving:
        self.run()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is not None:
            self.kill()
