"""Somebody hears of it: each lasting fault once, then as a reminder until a person has seen it.

What was told is kept with the fault, so that a restart tells nothing twice. A time that lies far
ahead was told while the clock was.
"""

from __future__ import annotations

import logging
from dataclasses import asdict
from datetime import datetime, timedelta

from adapters.notify import notify
from service.control.types import Fault
from service.pages import fault_words
from service.pages.local import Local
from service.records.records import Records
from service.running import RunningHouse

log = logging.getLogger(__name__)

Key = tuple[str, str, datetime]  # code, subject, since

SAME_AGAIN = timedelta(hours=1)  # a fault that comes back sooner is no news


class Telling:
    """Tells people of one home's faults."""

    def __init__(self, house: RunningHouse, records: Records) -> None:
        self._house = house
        self._records = records
        self._told: dict[Key, datetime] = {}  # for as long as a full disk keeps no record of it

    def tell(self) -> None:
        """Send what is due. Called every minute; blocks while it sends."""
        view, wiring = self._house.view, self._house.settings.wiring
        if view is None or not (wiring.notify.webhook or wiring.notify.mail_to):
            return
        now = self._house.now()
        remind_after = timedelta(hours=wiring.notify.remind_after_h)
        kept = {_key(known.fault): known for known in self._records.faults(self._house.id).items}
        for key, known in kept.items():
            if known.told_at is not None:
                self._told[key] = max(known.told_at, self._told.get(key, known.told_at))
        for fault in view.faults:
            key = _key(fault)
            told_at = self._told.get(key)
            seen = key in kept and kept[key].acknowledged_at is not None
            if told_at is None:
                due = not self._lately_told(fault, now)
            else:
                due = not seen and abs(now - told_at) >= remind_after
            if due and self._send(fault, reminder=told_at is not None):
                self._told[key] = now
                self._records.told_fault(self._house.id, fault.code, fault.subject, now)
        lasting = {_key(fault) for fault in view.faults}
        self._told = {
            key: at
            for key, at in self._told.items()
            if key in lasting or abs(now - at) < SAME_AGAIN
        }

    def _lately_told(self, fault: Fault, now: datetime) -> bool:
        """Whether the same came and went within the hour, and was told of."""
        return any(
            key[:2] == (fault.code, fault.subject) and abs(now - at) < SAME_AGAIN
            for key, at in self._told.items()
        )

    def _send(self, fault: Fault, reminder: bool) -> bool:
        """Send it; whether at least one way worked, so that a broken one repeats no mails."""
        wiring = self._house.settings.wiring
        said = fault_words.fault(fault, Local(wiring.zone_info, wiring.currency, self._house.now()))
        subject = f"{'Reminder: ' if reminder else ''}{wiring.title}: {said.title}"
        lines = [said.remedy, f"Since {said.since}.", *(f"{n}: {v}" for n, v in said.evidence)]
        text = "\n".join(line for line in lines if line)
        fault_fields = asdict(fault) | {"since": fault.since.isoformat()}
        del fault_fields["cleared_at"]
        fields = {"reminder": reminder, "fault": fault_fields}
        failed = notify(self._house.id, wiring.notify, subject, text, fields)
        for refusal in failed:
            self._house.refuse(refusal)
        return len(failed) < bool(wiring.notify.webhook) + bool(wiring.notify.mail_to)


def _key(fault: Fault) -> Key:
    return (fault.code, fault.subject, fault.since)
