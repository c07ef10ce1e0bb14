"""``ladle replay``: a stretch of draws lived again, with its costs and where the time went."""

from __future__ import annotations

import shlex
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from service.clock import utc
from service.control.types import Draw
from service.records.records import Records
from service.settings import HomeSettings, HomeWiring, Wiring
from service.simulation import money, sources
from service.simulation.fitted import build_of, home_of
from service.simulation.household import TapDraw
from service.simulation.replay import Replay, Report
from service.simulation.tank import OurTank, StrangerTank
from service.simulation.weather import Weather


def replay(
    wiring: Wiring,
    home: HomeWiring,
    draws: str,
    days: int,
    since: str | None,
    tank: str | None,
    seed: int,
    out: Console,
) -> Report:
    """Replay ``days`` days of ``draws`` in ``home`` and print what they came to.

    Raises:
        ValueError: for draws or a day that cannot be used.
        RuntimeError: when a stranger's model fails.
    """
    zone = home.zone_info
    settings = HomeSettings(wiring=home, tunables=home.first)
    first = date.fromisoformat(since) if since else datetime.now(UTC).date() - timedelta(days=days)
    taps: Iterator[TapDraw]
    if draws == "records":
        first, taps, settings = _recorded(wiring, home, first, since is not None, days)
    elif draws.endswith(".csv"):
        taps = sources.from_csv(Path(draws), zone)
    else:
        taps = sources.from_name(draws, first, days, zone, seed)
    start_s = datetime.combine(first, clock(), zone).timestamp()
    end_s = datetime.combine(first + timedelta(days=days), clock(), zone).timestamp()
    build = build_of(settings)
    cylinder = StrangerTank(shlex.split(tank), build) if tank else OurTank(build)
    lived = home_of(
        settings,
        (t for t in taps if start_s <= t.start_s < end_s),
        Weather(seed=seed, latitude=home.latitude, longitude=home.longitude),
        start_s,
        cylinder,
    )
    began = time.perf_counter()
    made = Replay(settings, lived, money.price_at(settings, start_s, end_s))
    try:
        with Progress(
            TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn(), console=out
        ) as bar:
            task = bar.add_task(f"{days} days", total=end_s - start_s)

            def show(at_s: float) -> None:
                day = f"{utc(at_s).astimezone(zone):%Y-%m-%d}"
                bar.update(task, completed=at_s - start_s, description=day)

            report = made.run(end_s, show)
            show(end_s)
    finally:
        cylinder.close()
    out.print(_table(report, home.currency, time.perf_counter() - began))
    return report


def _recorded(
    wiring: Wiring, home: HomeWiring, first: date, given: bool, days: int
) -> tuple[date, Iterator[TapDraw], HomeSettings]:
    """The recorded draws, the day they begin on, and the settings in force."""
    records = Records.open(wiring.database.url)
    try:
        since = datetime.combine(first, clock(), home.zone_info) if given else None
        kept: list[Draw] = []
        page = records.draws(home.id, since, limit=1000)
        kept += page.items
        while page.next is not None:
            page = records.draws(home.id, since, after=page.next, limit=1000)
            kept += page.items
        version = records.settings(home.id)
    finally:
        records.close()
    if not kept:
        raise sources.BadDraws(
            "no draw is recorded for this home yet; name a profile, a household or a CSV file "
            "with --draws"
        )
    if not given:
        first = min(d.start for d in kept).astimezone(home.zone_info).date()
    tunables = home.first if version is None else version.tunables
    return (
        first,
        sources.from_records(tuple(kept), timedelta(0)),
        HomeSettings(wiring=home, tunables=tunables),
    )


def _table(report: Report, currency: str, took_s: float) -> Table:
    table = Table(show_header=False, box=None)
    colder = report.colder_l40 / report.wanted_l40 * 100 if report.wanted_l40 else 0.0
    rows = [
        ("days", f"{report.days:.1f}"),
        ("hot water cost", f"{report.hot_water_cost:.2f} {currency}"),
        ("heat pump", f"{report.heat_pump_kwh:.1f} kWh"),
        ("immersion heater", f"{report.immersion_kwh:.1f} kWh"),
        ("starts", f"{report.starts}"),
        ("wanted", f"{report.wanted_l40:.0f} L at 40 °C in {report.draws} draws"),
        ("came colder", f"{report.colder_l40:.1f} L ({colder:.2f} in 100)"),
        ("cold draw-offs", f"{report.cold_draws}"),
        ("took", f"{took_s:.1f} s, {report.steps} steps"),
        *((f"  {what}", f"{s:.1f} s") for what, s in sorted(report.spent_s.items())),
    ]
    for name, value in rows:
        table.add_row(name, value)
    return table
