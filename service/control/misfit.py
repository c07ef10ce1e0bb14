"""One thing that does not fit in the settings of a home."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Misfit:
    """One thing that does not fit: the key, what it is, what was expected, how to mend it.

    ``value`` and ``mend`` are "" where ``expected`` says it all.
    """

    severity: Literal["refuse", "warn"]
    code: str
    key: str
    value: str
    expected: str
    mend: str

    def __str__(self) -> str:
        value = f" = {self.value}" if self.value else ""
        mend = f"; {self.mend}" if self.mend else ""
        return f"{self.key}{value}: {self.expected}{mend}"
