"""Why a draw-off came cold, in words: what stood in its way, and what mends it."""

from __future__ import annotations

from dataclasses import dataclass

from service.control.types import Draw, Fault
from service.pages import fault_words, sentences, words
from service.pages.local import Local
from service.scheduling.types import Reason


@dataclass(frozen=True)
class Cause:
    """What made a draw-off cold, and what mends it."""

    what: str
    mend: str


def cause(found: Reason | Fault, draw: Draw, local: Local) -> Cause:
    """What made a draw-off cold, in words."""
    if isinstance(found, Fault):
        said = fault_words.fault(found, local)
        noticed = "Noticed" if found.since <= draw.start else "Noticed only afterwards,"
        return Cause(f"{said.title} {noticed} {said.since}.", said.remedy)
    choices, mend = sentences.COLD[found.code]
    return Cause(words.capital(words.fill(choices, found.facts, local)), mend)
