"""The one error that records raise when the database cannot do its work."""

from __future__ import annotations

from typing import Literal

Code = Literal[
    "full",
    "locked",
    "taken",
    "missing",
    "damaged",
    "foreign",
    "newer",
    "unwritable",
    "unreachable",
    "other",
]


class RecordsError(Exception):
    """The database could not do what was asked; nothing was half stored.

    code    for machines: full, locked, taken, missing, damaged, foreign, newer,
            unwritable, unreachable, other
    what    what failed, one sentence
    where   the database's URL without its password
    mend    what a person can do about it
    """

    def __init__(self, code: Code, what: str, where: str, mend: str) -> None:
        super().__init__(f"{what} ({where}). {mend}")
        self.code: Code = code
        self.what = what
        self.where = where
        self.mend = mend
