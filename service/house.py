"""The houses this process looks after: what API, pages and MQTT may ask of the running service.

One ``House`` per home. It takes wishes and changes from the edges, keeps the last view, and
drives the control step; it knows neither HTTP nor MQTT.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from service.control.state import Lease
from service.control.types import Override, View
from service.settings import HomeSettings


@dataclass(frozen=True)
class Health:
    """How one home's service stands: for the health resource and the page's foot."""

    at: datetime
    broker_connected: bool
    broker_since: datetime | None
    last_reading_at: datetime | None
    last_commit_at: datetime | None
    last_plan_at: datetime | None
    refusals: dict[str, int]  # code -> count since start
    notes: tuple[str, ...]  # codes, e.g. "step_failing", "invented_history"
    broker_trouble: str = ""  # what is wrong with the connection, in words
    refused: tuple[str, ...] = ()  # the latest refusal at each place, in words, newest first


class ChangedMeanwhile(Exception):  # noqa: N818 - it names what happened
    """Somebody changed the settings after the caller had looked at them."""

    def __init__(self, version: int) -> None:
        super().__init__(f"The settings are at version {version} now.")


class House(Protocol):
    """One home as the edges see it. Every method may be called from any thread."""

    @property
    def settings(self) -> HomeSettings:
        """The settings in force."""
        ...

    @property
    def view(self) -> View | None:
        """The last step's view; None before the first step."""
        ...

    def now(self) -> datetime:
        """The home's clock (sped up in the demo), aware UTC."""
        ...

    def leases(self) -> Mapping[str, Lease]:
        """What is commanded now, by actuator; whatever is left out is released."""
        ...

    def health(self) -> Health:
        """How the service stands."""
        ...

    def wish(self, fields: Mapping[str, Any], author: str) -> Override:
        """Check, store and carry out a person's wish.

        Raises:
            service.control.overrides.WishRefused: with what, where and how to mend it.
        """
        ...

    def end_wish(self, override_id: int, author: str) -> Override:
        """End one override before its time. Raises KeyError when there is no such override."""
        ...

    def change(
        self,
        changes: Mapping[str, Any],
        author: str,
        reason: str = "",
        version: int | None = None,
    ) -> HomeSettings:
        """Merge ``changes`` into the tunables, check them all, store a version if they differ.

        ``version``: the one the caller looked at; None changes whatever is in force.

        Raises:
            ChangedMeanwhile: when another version is in force.
            service.settings_check.SettingsRefused: with one line for each key that is wrong.
        """
        ...

    def acknowledge(self, fault_code: str, subject: str, author: str) -> None:
        """Note that a person has seen a fault. Raises KeyError when it is not there."""
        ...
