"""Ladle's own topics for each home, all under ``<prefix>/<home>/``.

=============  =========  ==================================================================
topic          direction  payload
=============  =========  ==================================================================
state          out        JSON with ``at`` (ISO 8601); retained, expires after 15 minutes
faults         out        JSON ``{"at", "faults": [...]}``, all that last; retained
heartbeat      out        seconds since 1970, a bare number, for watchdogs; never retained
wish           in         JSON, the fields of an override as in the REST API; never retained
wish/result    out        JSON ``{"accepted", "message", ...}``; never retained
=============  =========  ==================================================================

A wish that was retained or waited in a queue is refused: nobody stands behind it now. An answer
carries the wish's MQTT 5 correlation data. A response topic that a sender names is not used: it
could be an actuator's.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from adapters.decode import excerpt
from adapters.types import Ask, Message, Outgoing, Refusal

STATE_EXPIRES_S = 900
LONGEST_WISH_BYTES = 4096
MOST_FIELDS = 20
EXAMPLE = '{"wish": "guests", "people": 2, "until": "23:00"}'


@dataclass(frozen=True, slots=True)
class OwnTopics:
    """The own topics of one home."""

    prefix: str
    home: str

    @property
    def state(self) -> str:
        """Where the home's state is published."""
        return f"{self.prefix}/{self.home}/state"

    @property
    def faults(self) -> str:
        """Where the lasting faults are published."""
        return f"{self.prefix}/{self.home}/faults"

    @property
    def heartbeat(self) -> str:
        """What a watchdog watches."""
        return f"{self.prefix}/{self.home}/heartbeat"

    @property
    def wish(self) -> str:
        """Where wishes arrive."""
        return f"{self.prefix}/{self.home}/wish"

    @property
    def wish_result(self) -> str:
        """Where wishes are answered."""
        return f"{self.prefix}/{self.home}/wish/result"

    def state_message(self, fields: Mapping[str, Any]) -> Outgoing:
        """The home's state; ``fields`` holds ``at`` and must be fit for JSON."""
        return Outgoing(self.state, _json(fields), 1, True, STATE_EXPIRES_S)

    def faults_message(self, at: str, faults: Sequence[Mapping[str, Any]]) -> Outgoing:
        """All faults that last; an empty list when there is none."""
        return Outgoing(self.faults, _json({"at": at, "faults": list(faults)}), 1, True)

    def heartbeat_message(self, now_s: float, every_s: float) -> Outgoing:
        """One beat; it expires before the next two are due."""
        return Outgoing(self.heartbeat, f"{now_s:.0f}".encode(), 1, False, max(1, int(2 * every_s)))

    def read_wish(self, message: Message) -> Ask | Refusal:
        """The wish that a message on ``wish`` holds, its fields still to be checked."""
        where = f"wish on topic {message.topic}"

        def refuse(code: str, what: str, mend: str) -> Refusal:
            return Refusal(self.home, code, where, what, mend, excerpt(message.payload))

        if message.waited:
            return refuse(
                "waited_wish",
                "the wish was retained or waited in a queue",
                "send it again, not retained",
            )
        if len(message.payload) > LONGEST_WISH_BYTES:
            return refuse(
                "too_long", f"a wish has at most {LONGEST_WISH_BYTES} bytes", "send a shorter one"
            )
        try:
            fields = json.loads(message.payload.decode("utf-8"))
        except (ValueError, RecursionError):
            fields = None
        if not isinstance(fields, dict):
            return refuse("not_json", "a wish is a JSON object", f"send one such as {EXAMPLE}")
        if len(fields) > MOST_FIELDS or any(isinstance(v, dict | list) for v in fields.values()):
            return refuse(
                "not_a_wish", "a wish has a few plain fields", f"send them as in {EXAMPLE}"
            )
        return Ask(self.home, fields, message.received_s, message.waited, message.correlation)

    def wish_answer(
        self,
        accepted: bool,
        message: str,
        correlation: bytes | None = None,
        fields: Mapping[str, Any] | None = None,
    ) -> Outgoing:
        """The answer to a wish; ``fields`` adds to it, the override's id for instance."""
        answer = {**(fields or {}), "accepted": accepted, "message": message}
        return Outgoing(self.wish_result, _json(answer), 1, False, 60, correlation)


def _json(fields: Mapping[str, Any]) -> bytes:
    return json.dumps(fields, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode(
        "utf-8", "replace"
    )
