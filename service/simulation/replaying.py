"""``ladle replay``: a stretch of draws lived again, with its costs and where the time went."""

from __future__ import annotations

import shlex
import time
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from adapters.types import Command, PriceSeries
from service.clock import utc
from service.control import plant as control_plant
from service.control.types import Draw
from service.settings import HomeSettings, HomeWiring, Wiring
from service.simulation import money, recorded, sources
from service.simulation.fitted import build_of, home_of
from service.simulation.home import SimulatedHome, Stretch
from service.simulation.replay import HotWater, PriceAt, Replay, Report, hastened
from service.simulation.tank import OurTank, StrangerTank
from service.simulation.weather import Told, Weather

CENT = 0.01  # of the currency: what a smaller difference than this rounds to


def replay(
    wiring: Wiring,
    home: HomeWiring,
    draws: str,
    days: int,
    since: str | None,
    tank: str | None,
    seed: int,
    out: Console,
    *,
    pv_peak_w: float = 0.0,
    own_pace: bool = False,
) -> tuple[Report, HotWater]:
    """Replay at most ``days`` days of ``draws`` in ``home`` and print what they came to.

    ``pv_peak_w`` is what its solar panels give in full sun; nothing in the settings says so. With
    ``own_pace`` it plans in the home's own slots and as often as the service, see
    ``replay.hastened``.

    Raises:
        ValueError: for draws or a day that cannot be used.
        RuntimeError: when a stranger's model fails.
    """
    zone = home.zone_info
    settings = HomeSettings(wiring=home, tunables=home.first)
    first = None if since is None else _day(since)
    series: tuple[PriceSeries, ...] = ()
    outdoor: Told | None = None
    before: tuple[Draw, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    if draws == "records":
        known = recorded.read(wiring, home)
        taps = list(sources.from_records(known.draws))
        settings, series, outdoor = known.settings, known.series, known.outdoor
        before, gaps = known.draws, known.unwatched
    elif draws.endswith(".csv") or Path(draws).is_file():
        taps = list(sources.from_csv(Path(draws), zone))
    else:
        first = first or datetime.now(UTC).date() - timedelta(days=days)
        taps = list(sources.from_name(draws, first, days, zone, seed))
    local = [utc(t.start_s).astimezone(zone).date() for t in taps]
    if first is None:  # the latest: those before teach, as far as they were recorded
        first = max(local, default=datetime.now(UTC).date()) - timedelta(days=days - 1)
        first = max(first, min(local, default=first))
    taps = [t for t, day in zip(taps, local, strict=True) if 0 <= (day - first).days < days]
    if not taps:
        raise sources.BadDraws(
            f"no draw lies within {days} days from {first}; name another day with --since"
        )
    last = utc(taps[-1].start_s).astimezone(zone).date()
    end_s = datetime.combine(last + timedelta(days=1), clock(), zone).timestamp()
    start_s = datetime.combine(first, clock(), zone).timestamp()
    price_at = money.price_at(settings, start_s, end_s, series)
    if not own_pace:
        settings = hastened(settings)
    build = build_of(settings)

    def lived() -> SimulatedHome:
        """The home at its beginning."""
        where = home.where
        weather = Weather(
            seed=seed,
            latitude=where.latitude_deg,
            longitude=where.longitude_deg,
            pv_peak_w=pv_peak_w,
            outdoor=outdoor,
        )
        cylinder = StrangerTank(shlex.split(tank), build) if tank else OurTank(build)
        return home_of(settings, iter(taps), weather, start_s, cylinder)

    began = time.perf_counter()
    taught = tuple(d for d in before if d.end.timestamp() <= start_s)
    made = Replay(
        settings,
        lived(),
        price_at,
        history=taught,
        unwatched_s=gaps,
        feed=money.as_told(series, zone),
    )
    try:
        with Progress(
            TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn(), console=out
        ) as bar:
            task = bar.add_task(f"{(last - first).days + 1} days", total=end_s - start_s)

            def show(at_s: float) -> None:
                day = f"{utc(at_s).astimezone(zone):%Y-%m-%d}"
                bar.update(task, completed=at_s - start_s, description=day)

            report = made.run(end_s, show)
            show(end_s)
    finally:
        made.home.tank.close()
    took_s = time.perf_counter() - began
    alone = _alone(lived(), price_at, end_s)
    out.print(_table(report, alone, home.currency))
    out.print(_saved(report, alone, home.currency))
    prices = "the prices its feeds told" if series else "its own price bands"
    out.print(_known_at_first(taught, start_s))
    out.print(_NOTE.format(air=_air(outdoor, start_s, end_s), prices=prices))
    if not pv_peak_w and control_plant.of(settings).tells_surplus:
        out.print("No sun fell on this home's panels: say with --pv-peak-w how much they give.")
    spent = ", ".join(f"{what} {s:.1f} s" for what, s in sorted(report.spent_s.items()))
    out.print(f"Took {took_s:.1f} s for {report.steps} steps: {spent}.")
    return report, alone


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"--since {text} is no day; write it like 2026-03-01") from None


def _alone(home: SimulatedHome, price_at: PriceAt, until_s: float) -> HotWater:
    """Live the same days without Ladle: the plant's own controls, nothing commanded.

    A heat pump heats to its own set temperature whenever its own sensor has fallen by its restart
    differential; without a heat pump the immersion heater's thermostat keeps it hot at any hour.
    Nothing is disinfected on purpose.
    """
    alone = HotWater()

    def pay(stretch: Stretch) -> None:
        alone.pay(stretch, *price_at(stretch.from_s))

    home.on_stretch = pay
    stored_kwh = home.stored_kwh
    if home.heat_pump is None:
        ever_s = until_s - home.now_s + 1.0
        home.command("immersion", Command("", "", "run", lease_s=ever_s))
    try:
        home.advance(until_s)
    finally:
        home.tank.close()
    alone.read(home, stored_kwh)
    return alone


_NOTE = (
    "Both columns are worked out with the home of this file, {air} and at {prices}. "
    "Left alone, a heat pump heats to its own set temperature whenever its sensor "
    "calls, an immersion heater only where there is no heat pump, and nothing is disinfected on "
    "purpose; with Ladle, disinfections are part of the cost."
)


def _known_at_first(taught: Sequence[Draw], start_s: float) -> str:
    """What Ladle knew of the household when the replay began: knowing nothing costs at first."""
    if not taught:
        return (
            "At its beginning Ladle knew nothing of this household, as in a new home: its first "
            "weeks say little of those that follow."
        )
    days = (start_s - taught[0].start.timestamp()) / 86_400.0
    return (
        f"At its beginning Ladle knew the household by the {days:.0f} days of draws recorded "
        "before; of the cylinder's last disinfection it knew nothing, so it begins with one."
    )


def _air(outdoor: Told | None, start_s: float, end_s: float) -> str:
    """In what weather it was lived."""
    told = 0 if outdoor is None else round(100.0 * outdoor.share(start_s, end_s))
    if told == 0:
        return "in invented weather"
    if told == 100:
        return "in the outdoor air that its sensor told, in other weather as invented"
    return (
        f"in the outdoor air that its sensor told for {told} in 100 hours, in other weather "
        "as invented"
    )


def _saved(with_ladle: HotWater, alone: HotWater, currency: str) -> str:
    """The answer in one sentence."""
    theirs = alone.cost_of_use
    saved = theirs - with_ladle.cost_of_use
    share = f" ({100.0 * abs(saved) / theirs:.0f} in 100)" if theirs > 0 else ""
    if abs(saved) < CENT / 2:
        difference = "the same"
    else:
        difference = f"{abs(saved):.2f} {currency} {'less' if saved > 0 else 'more'}{share}"
    return (
        f"With Ladle hot water cost {difference}. Heat that stands in the cylinder at the end, "
        "more or less than at the beginning, counts at what it cost."
    )


def _table(report: Report, alone: HotWater, currency: str) -> Table:
    table = Table("", "with Ladle", "left alone", box=None)
    share = 100 / report.wanted_l40 if report.wanted_l40 else 0.0
    draws = "1 draw" if report.draws == 1 else f"{report.draws} draws"
    rows = [
        ("days", f"{report.days:.1f}", ""),
        ("wanted", f"{report.wanted_l40:.0f} L at 40 °C in {draws}", ""),
        ("hot water cost", *(f"{x.hot_water_cost:.2f} {currency}" for x in (report, alone))),
        (
            "of that in disinfections",
            f"{report.disinfecting_cost:.2f} {currency}, {report.disinfecting_kwh:.1f} kWh",
            "",
        ),
        ("heat pump", f"{report.heat_pump_kwh:.1f} kWh", f"{alone.heat_pump_kwh:.1f} kWh"),
        ("immersion heater", f"{report.immersion_kwh:.1f} kWh", f"{alone.immersion_kwh:.1f} kWh"),
        ("surplus used by both", *(f"{x.sun_kwh:.1f} kWh" for x in (report, alone))),
        ("starts", f"{report.starts}", f"{alone.starts}"),
        (
            "came colder",
            *(f"{x.colder_l40:.1f} L ({x.colder_l40 * share:.2f} in 100)" for x in (report, alone)),
        ),
        ("cold draw-offs", f"{report.cold_draws}", f"{alone.cold_draws}"),
        (
            "heat gained in the cylinder",
            f"{report.stored_kwh_change:.1f} kWh",
            f"{alone.stored_kwh_change:.1f} kWh",
        ),
    ]
    for row in rows:
        # How often a thermostat of its own switches an immersion heater is not simulated.
        if row[0] != "starts" or alone.heat_pump_kwh > 0.0:
            table.add_row(*row)
    return table
