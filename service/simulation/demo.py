"""The demo: an invented home on an embedded broker, time sped up, everything else as in life."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from adapters.wiring import Broker
from service.clock import utc
from service.control.types import Draw
from service.records.records import Records
from service.settings import Database, HomeSettings, Http, Keeping, Wiring
from service.simulation.fitted import home_of
from service.simulation.home import TAP_C, SimulatedHome
from service.simulation.household import Household, TapDraw, draws
from service.simulation.weather import Weather

STORE_C = 50.0  # the invented history's hot water
HISTORY_WEEKS = 8
WEATHER = Weather(seed=7, latitude=47.0, longitude=2.0, pv_peak_w=4500.0)


@dataclass(frozen=True)
class Demo:
    """What the demo starts from."""

    wiring: Wiring
    start_s: float
    household: Household
    seed: int

    @property
    def settings(self) -> HomeSettings:
        """The one home's first settings."""
        home = self.wiring.homes[0]
        return HomeSettings(wiring=home, tunables=home.first)

    def taps(self) -> Iterator[TapDraw]:
        """Every draw from now on: a year of them."""
        zone = self.settings.wiring.zone_info
        first = utc(self.start_s).astimezone(zone).date()
        return (
            draw
            for draw in draws(self.household, first, 366, zone, self.seed)
            if draw.start_s >= self.start_s
        )

    def home(self) -> SimulatedHome:
        """The simulated home, part charged, at the start."""
        return home_of(self.settings, self.taps(), WEATHER, self.start_s)


def demo(
    broker: Broker,
    folder: Path,
    http: Http,
    household: Household,
    seed: int,
    commit_every_s: float = 60.0,
) -> Demo:
    """The invented home wired to ``broker``, keeping its records in ``folder``."""
    text = resources.files("service.simulation").joinpath("demo.toml").read_text("utf-8")
    wiring = Wiring.model_validate(
        tomllib.loads(text)
        | {
            "broker": broker,
            "database": Database(url=f"sqlite:///{folder / 'demo.sqlite'}"),
            "http": http,
            "keeping": Keeping(commit_every_s=min(commit_every_s, 60.0)),
            "data_folder": folder,
        }
    )
    start_s = evening_before(datetime.now(UTC), wiring.homes[0].zone_info)
    return Demo(wiring, start_s, household, seed)


def evening_before(now: datetime, zone: ZoneInfo) -> float:
    """Half past midnight, local time, of the present day: the night's charging lies ahead."""
    today = now.astimezone(zone).date()
    return datetime.combine(today, time(0, 30), zone).timestamp()


def load_history(records: Records, demo: Demo, weeks: int = HISTORY_WEEKS) -> int:
    """Store ``weeks`` of invented draws, marked as invented; how many."""
    home = demo.settings.wiring
    today = utc(demo.start_s).astimezone(home.zone_info).date()
    first: date = today - timedelta(weeks=weeks)
    invented = [
        as_record(tap)
        for tap in draws(demo.household, first, 7 * weeks, home.zone_info, demo.seed + 1)
    ]
    started = datetime.combine(first, time(), home.zone_info).astimezone(UTC)
    return records.import_draws(home.id, invented, started, utc(demo.start_s), invented=True)


def as_record(tap: TapDraw, cold_c: float | None = None, store_c: float = STORE_C) -> Draw:
    """The record that a flow meter on the cold feed would have left of a draw.

    ``cold_c``: the cold inlet; None takes the demo's own on that day.
    """
    if cold_c is None:
        cold_c = WEATHER.cold_inlet_c(tap.start_s)
    litres = tap.litres_40c * (TAP_C - cold_c) / (store_c - cold_c)
    return Draw(
        start=utc(tap.start_s),
        end=utc(tap.start_s + tap.duration_s),
        litres=litres,
        kwh=litres * 1.163e-3 * (store_c - cold_c),
        litres_40c=tap.litres_40c,
        measured_by="flow_meter",
    )
