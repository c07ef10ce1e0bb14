"""``ladle ...`` as a person calls it, in a process of its own or in this one.

A process loads every library anew, which is most of what a short command costs. Each command is
called as a process by some test; where a test asks what a command says of this or that, the same
``main`` reads the same arguments here.
"""

from __future__ import annotations

import io
import logging
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from subprocess import CompletedProcess
from unittest import mock

from service import cli
from tests.serving import LADLE


def process(*arguments: str, answers: str = "") -> CompletedProcess[str]:
    """Run the installed program to its end: status, output and errors."""
    return subprocess.run(
        [LADLE, *arguments], input=answers, capture_output=True, text=True, timeout=240, check=False
    )


def call(*arguments: str, answers: str = "") -> CompletedProcess[str]:
    """The same in this process, its log among the errors too. For commands that end."""
    root = logging.getLogger()
    before = root.handlers[:], root.level
    root.handlers.clear()  # the command sets up its own log, as in a process
    stdout, stderr = io.StringIO(), io.StringIO()
    try:
        with (
            mock.patch.object(sys, "argv", ["ladle", *arguments]),
            mock.patch.object(sys, "stdin", io.StringIO(answers)),
            redirect_stdout(stdout),
            redirect_stderr(stderr),
        ):
            cli.main()
        status: object = 0
    except SystemExit as ended:
        status = ended.code or 0
    finally:
        root.handlers[:] = before[0]
        root.setLevel(before[1])
    assert isinstance(status, int)
    return CompletedProcess(list(arguments), status, stdout.getvalue(), stderr.getvalue())
