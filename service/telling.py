"""Somebody hears of it: each lasting fault once, then as a reminder until a person has seen it."""

from __future__ import annotations

import logging
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from adapters.notify import notify
from service.control.types import Fault
from service.pages import words
from service.pages.local import Local
from service.records.records import Records
from service.running import RunningHouse

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Told:
    at: datetime
    times: int


class Telling:
    """What was told of one home's faults, so that each is told once and then reminded of."""

    def __init__(self, house: RunningHouse, records: Records) -> None:
        self._house = house
        self._records = records
        self._told: dict[tuple[str, str, datetime], _Told] = {}

    def tell(self) -> None:
        """Send what is due. Called every minute; blocks while it sends."""
        view = self._house.view
        wiring = self._house.settings.wiring
        if view is None or not (wiring.notify.webhook or wiring.notify.mail_to):
            return
        now = self._house.now()
        remind_after = timedelta(hours=wiring.notify.remind_after_h)
        lasting = {(f.code, f.subject, f.since): f for f in view.faults if f.cleared_at is None}
        seen = self._acknowledged()
        for key in [k for k in self._told if k not in lasting]:
            del self._told[key]
        for key, fault in lasting.items():
            told = self._told.get(key)
            due = told is None or (key[:2] not in seen and now - told.at >= remind_after)
            if due and self._send(fault, told):
                self._told[key] = _Told(now, told.times + 1 if told else 1)

    def _acknowledged(self) -> set[tuple[str, str]]:
        page = self._records.faults(self._house.id)
        return {
            (known.fault.code, known.fault.subject)
            for known in page.items
            if known.acknowledged_at is not None and known.fault.cleared_at is None
        }

    def _send(self, fault: Fault, told: _Told | None) -> bool:
        wiring = self._house.settings.wiring
        said = words.fault(fault, Local(wiring.zone_info, wiring.currency, self._house.now()))
        subject = f"{wiring.title}: {said.title}"
        if told is not None:
            subject = f"Reminder: {subject}"
        lines = [said.remedy, f"Since {said.since}.", *(f"{n}: {v}" for n, v in said.evidence)]
        text = "\n".join(line for line in lines if line)
        fields = asdict(fault) | {"since": fault.since.isoformat(), "cleared_at": None}
        failed = notify(self._house.id, wiring.notify, subject, text, fields)
        for refusal in failed:
            self._house.refuse(refusal)
        return not failed
