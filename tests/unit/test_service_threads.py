"""The service leaves the other cores of a small home computer to others."""

import os
import subprocess
import sys

MULTIPLIES = """
import os
import service.cli
import numpy as np
a = np.ones((700, 700))
a @ a
print(len(os.listdir("/proc/self/task")))
"""


def test_matrices_are_multiplied_in_one_thread() -> None:
    plain = {k: v for k, v in os.environ.items() if "NUM_THREADS" not in k}
    found = subprocess.run(
        [sys.executable, "-c", MULTIPLIES], capture_output=True, text=True, check=True, env=plain
    )
    assert found.stdout.split() == ["1"]
