"""Invented homes for the page tests: one lived-in, one with a single probe, one just born.

Everything here is invented and nothing checks the product's sums; it gives pages something
realistic to show. ``python -m tests.browser.fake_house`` serves them for a look by eye.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np

from adapters.types import Command
from forecasting.types import DemandForecast, SlotGrid
from service.control.state import Lease
from service.control.types import (
    Decision,
    Draw,
    Fault,
    HygieneEvidence,
    Outputs,
    Override,
    Rule,
    View,
    Wish,
)
from service.cylinder.hygiene import HygieneTally
from service.house import Health
from service.records.records import Records
from service.scheduling.types import Plan, Reason, Window
from service.settings import HomeSettings, HomeWiring, Tunables
from service.simulation.household import SCHOOL_FAMILY, draws, shifted

NOW = datetime(2026, 11, 25, 16, 50, tzinfo=UTC)  # a Wednesday
REFERENCE_L40 = 280.0

WIRING: dict[str, Any] = {
    "id": "mill-lane",
    "title": "4 Mill Lane, Upper Fennick",
    "zone": "Europe/Dublin",
    "currency": "EUR",
    "cylinder": {
        "volume_l": 200,
        "height_m": 1.4,
        "thermostat_c": 65,
        "cutout_c": 80,
        "mixing_valve_c": 48,
        "standing_loss_kwh_per_day": 1.4,
        "immersion_height_m": 0.45,
    },
    "heat_pump": {"layout": "plate"},
    "immersion": {"power_w": 3000},
    "signals": [
        *(
            {
                "name": f"probe_{name}",
                "measures": "probe",
                "topic": f"cupboard/{name}",
                "unit": "Cel",
                "height_m": height,
            }
            for name, height in (("low", 0.2), ("middle", 0.7), ("top", 1.2))
        ),
        {
            "name": "draw",
            "measures": "draw_flow",
            "topic": "cupboard/flow",
            "unit": "L/min",
            "place": "hot_outlet",
        },
        {"name": "cold", "measures": "cold_inlet_temperature", "topic": "x/cold", "unit": "Cel"},
        {"name": "outdoor", "measures": "outdoor_temperature", "topic": "x/out", "unit": "Cel"},
        {
            "name": "heat_pump_power",
            "measures": "heat_pump_electricity",
            "topic": "x/hp",
            "unit": "W",
        },
    ],
    "actuators": [
        {
            "name": "heat_pump_call",
            "source": "heat_pump",
            "form": "on_off",
            "topic": "x/hp/set",
            "released_by": "own_timer",
            "released_state": "its own thermostat",
        },
        {
            "name": "immersion_switch",
            "source": "immersion",
            "form": "on_off",
            "topic": "x/imm/set",
            "released_by": "own_timer",
            "released_state": "off",
        },
    ],
    "first": {
        "occupants": 4,
        "tariff": {
            "bands": [
                {"import_per_kwh": 0.145, "from_time": "02:00", "until_time": "06:00"},
                {"import_per_kwh": 0.41, "from_time": "17:00", "until_time": "19:00"},
                {"import_per_kwh": 0.312},
            ],
            "export_per_kwh": 0.08,
        },
    },
}


def history(hours_later: float = 0.0, weeks: int = 4) -> list[Draw]:
    """Draw-offs of the invented family up to NOW."""
    found = []
    zone = HomeWiring.model_validate(WIRING).zone_info
    first = NOW.date() - timedelta(days=7 * weeks)
    for tap in draws(shifted(SCHOOL_FAMILY, hours_later), first, 7 * weeks + 1, zone, 11):
        start = datetime.fromtimestamp(tap.start_s, UTC)
        if start < NOW - timedelta(minutes=20):
            litres = tap.litres_40c * 0.72
            shortfall = 0.45 if start.day == 24 and start.hour == 19 else 1.0  # one cold shower
            found.append(
                Draw(
                    start,
                    start + timedelta(seconds=tap.duration_s),
                    litres,
                    tap.litres_40c * 30 * 1.163e-3 * shortfall,
                    tap.litres_40c * (shortfall == 1.0),
                    "flow_meter",
                )
            )
    return found


def typical_week(events: list[Draw]) -> tuple[tuple[float, ...], ...]:
    """Mean litres per weekday and half hour."""
    zone = HomeWiring.model_validate(WIRING).zone_info
    week = np.zeros((7, 48))
    days: dict[int, set[date]] = {w: set() for w in range(7)}
    for draw in events:
        local = draw.start.astimezone(zone)
        week[local.weekday(), local.hour * 2 + local.minute // 30] += draw.litres_40c
        days[local.weekday()].add(local.date())
    counts = np.array([max(1, len(days[w])) for w in range(7)])
    return tuple(tuple(float(v) for v in row) for row in week / counts[:, None])


def price_of(local: datetime) -> float:
    """The fixed bands of the invented tariff."""
    return 0.145 if 2 <= local.hour < 6 else 0.41 if 17 <= local.hour < 19 else 0.312


def plan_of(week: tuple[tuple[float, ...], ...], sunny: bool = True) -> tuple[Plan, DemandForecast]:
    """A plan for the coming 48 h by a simple rule, with figures that hang together."""
    zone = HomeWiring.model_validate(WIRING).zone_info
    start = int(NOW.timestamp()) // 1800 * 1800
    begin = start + 1800 * np.arange(96)
    grid = SlotGrid(begin.astype(np.int64), (begin + 1800).astype(np.int64))
    local = [datetime.fromtimestamp(int(s), zone) for s in begin]
    use = np.array([week[t.weekday()][t.hour * 2 + t.minute // 30] for t in local])
    price = np.array([price_of(t) for t in local])
    sun = np.array([max(0.0, 1 - abs(t.hour + t.minute / 60 - 12.5) / 3) for t in local])
    surplus = sun * (2400.0 if sunny else 0.0) * np.array([t.day % 2 == 0 for t in local])
    level, low = 218.0, 201.0
    expected, lowest, windows = [level], [low], []
    night = [i for i, t in enumerate(local) if 3 <= t.hour < 6]
    for i in range(96):
        heat = 52.0 if i in night and level < 0.8 * REFERENCE_L40 else 0.0
        heat += 28.0 if surplus[i] > 1500 else 0.0
        level = min(max(level + heat - use[i] - 0.5, 6.0), 0.85 * REFERENCE_L40)
        low = min(max(low + heat - 1.25 * use[i] - 0.9, 0.0), level - 4)
        expected.append(level)
        lowest.append(low)
    for first, until, source, tenths, kwh in (
        (3.0, 5.5, "heat_pump", 8, 2.9),
        (12.0, 13.5, "immersion", 7, 1.9),
        (27.5, 29.5, "heat_pump", 7, 2.4),
    ):
        midnight = datetime.combine(NOW.date() + timedelta(days=1), datetime.min.time(), zone)
        a = int(midnight.timestamp() + first * 3600)
        b = int(midnight.timestamp() + until * 3600)
        windows.append(
            Window(
                a,
                b,
                source,  # type: ignore[arg-type]
                tenths * 28.0,
                tenths,
                kwh,
                kwh * (0.145 if source == "heat_pump" else 0.08),
                kwh if source == "immersion" else 0.0,
                "charge" if source == "heat_pump" else "surplus",
                Reason(
                    "cheapest_before_use" if source == "heat_pump" else "surplus",
                    {
                        "source": source,
                        "target_tenths": tenths,
                        "target_l40": tenths * 28.0,
                        "full": 0,
                        "use_l40": 96.0,
                        "use_until_s": b + 9000,
                        "short_without": 0.31,
                        "short_with": 0.02,
                        "price_per_kwh": 0.145 if source == "heat_pump" else 0.08,
                        "electricity_kwh": kwh,
                        "surplus_kwh": kwh if source == "immersion" else 0.0,
                        "other_start_s": b + 3600,
                        "other_price_per_kwh": 0.312,
                        "other_wins_below_per_kwh": 0.141,
                        "skip_above_tenths": 7.4,
                        "price_estimated": 0,
                        "asked_by": None,
                    },
                ),
            )
        )
    plan = Plan(
        grid,
        int(NOW.timestamp()) - 300,
        tuple(windows),
        np.zeros((96, 1, 2)),
        ("heat_pump", "immersion"),
        np.array(expected),
        np.array(lowest),
        use,
        np.where(use > 20, 0.03, 0.0),
        price,
        surplus,
        begin > start + 30 * 3600,
        "bands",
        1.14,
        7.2,
        Reason("enough", {"use_from_s": start + 5400, "spare_l40": 43.0}),
        reserve_l40=np.full(96, 0.2 * REFERENCE_L40),
    )
    demand = DemandForecast(
        grid,
        np.array([0.0, 40.0]),
        np.stack([1 - use / 80, use / 80], -1)[:, None, :],
        np.array([1.0]),
        np.ones((96, 1, 1)),
        use,
        use * 30 * 1.163e-3,
        0.78,
        int(NOW.timestamp()) - 300,
    )
    return plan, demand


def forecast_of(week: tuple[tuple[float, ...], ...], day: int) -> DemandForecast:
    """A forecast made at a local midnight, ``day`` days from today."""
    zone = HomeWiring.model_validate(WIRING).zone_info
    midnight = datetime.combine(NOW.date() + timedelta(days=day), datetime.min.time(), zone)
    begin = int(midnight.timestamp()) + 1800 * np.arange(48)
    use = np.array(week[midnight.weekday()])
    chance = np.clip(use / 50.0, 0.0, 0.9)[:, None]
    volumes = np.array([0.0, 10.0, 50.0, 90.0])
    pmf = np.concatenate((1 - chance, chance * 0.2, chance * 0.6, chance * 0.2), 1)[:, None, :]
    return DemandForecast(
        SlotGrid(begin.astype(np.int64), (begin + 1800).astype(np.int64)),
        volumes,
        pmf,
        np.array([1.0]),
        np.ones((48, 1, 1)),
        pmf[:, 0] @ volumes,
        pmf[:, 0] @ volumes * 30 * 1.163e-3,
        0.78,
        int(midnight.timestamp()) + 60,
    )


def lived_in(events: list[Draw]) -> View:
    """The family's home on an ordinary afternoon."""
    week = typical_week(events)
    plan, demand = plan_of(week)
    heights = np.linspace(0.02, 1.38, 40)
    profile = 14 + 38 / (1 + np.exp(-(heights - 0.62) * 14))
    spread = 0.4 + 2.6 * np.exp(-(((heights - 0.62) / 0.16) ** 2))
    probes = {"probe_low": 14.4, "probe_middle": 43.6, "probe_top": 51.8}
    evening = int(NOW.timestamp()) + 2 * 3600
    return View(
        at=NOW - timedelta(seconds=8),
        v40_l=218.0,
        v40_low_l=201.0,
        v40_high_l=234.0,
        reference_l40=REFERENCE_L40,
        shown_tenths=7,
        lukewarm_kwh=0.4,
        profile_c=tuple(float(t) for t in profile),
        probes_c=dict(probes),
        ages_s={
            "probe_low": 12.0,
            "probe_middle": 12.0,
            "probe_top": 12.0,
            "draw": 4.0,
            "cold": 41.0,
            "outdoor": 5400.0,
            "heat_pump_power": 7.0,
        },
        cold_inlet_c=10.6,
        outdoor_c=6.2,
        drawn_today_l40=sum(d.litres_40c for d in events if d.start.date() == NOW.date()),
        running=(),
        mode=Rule.PLAN,
        lead=Reason(
            "enough_for_next",
            {"at": evening, "expected_l40": 150, "usable_l40": 201, "spare_l40": 43},
        ),
        decision=Decision(
            NOW - timedelta(hours=2),
            Rule.PLAN,
            Reason("plan_idle"),
            (Command("mill-lane", "heat_pump_call", "release"),),
            {"v40_low_l40": 201.0, "import_per_kwh": 0.312},
        ),
        plan=plan,
        demand=demand,
        surroundings=None,
        overrides=(),
        faults=(),
        loses=(),
        typical_week_l40=week,
        learned_weight=0.78,
        hygiene={
            "state": "waiting",
            "passed_at": (NOW - timedelta(days=4)).isoformat(timespec="seconds"),
            "due_in_h": 71.5,
            "due_at": (NOW + timedelta(hours=71.5)).isoformat(timespec="seconds"),
            "due_because": "interval",
            "disinfect_c": 60.0,
            "hold_s": 3600,
            "held_s": 0,
            "probe": "probe_low",
            "not_vouched_below_m": 0.2,
            "lukewarm_h": 19.0,
            "lukewarm_limit_h": 72.0,
            "failures": 0,
            "lethality_decades_lowest_layer": 0.0,
            "turnover": 2.4,
        },
        caution=None,
        profile_sd_c=tuple(float(s) for s in spread),
        values={
            **probes,
            "draw": 0.0,
            "cold": 10.6,
            "outdoor": 6.2,
            "heat_pump_power": 21.0,
        },
        tally=HygieneTally.empty(len(profile)).advanced(profile, 19 * 3600.0, 480.0),
    )


def troubled(view: View) -> View:
    """The same home on a bad day: a fault, hot water, a hold, guests, more."""
    since = NOW - timedelta(hours=5)
    day = timedelta(days=1)
    return replace(
        view,
        mode=Rule.MAINTENANCE_HOLD,
        lead=Reason("hold", {"by": "Ines, installer", "since": since.isoformat()}),
        caution="hotter_than_usual",
        faults=(
            Fault(
                "probe_stuck",
                "probe_middle",
                since,
                "warning",
                {"same_for_s": 18000, "value_c": 43.6, "drawn_l40": 74.0},
            ),
            Fault(
                "command_without_effect",
                "heat_pump",
                since + timedelta(hours=1),
                "fault",
                {"waited_s": 1500, "electricity_w": 21.0, "rise_k": 0.1},
            ),
        ),
        overrides=(
            Override(1, Wish.HOLD, "Ines, installer", NOW - timedelta(hours=1), NOW, None),
            Override(
                2,
                Wish.GUESTS,
                "household",
                NOW - day,
                NOW + 2 * day,
                NOW + 4 * day,
                people=2.0,
                note="Grandparents",
            ),
            Override(3, Wish.MORE, "household", NOW - day, NOW - day, NOW + timedelta(hours=9)),
        ),
    )


def one_probe(view: View) -> View:
    """A home with one probe and nothing else: what is lost is said."""
    plan = view.plan
    return replace(
        view,
        probes_c={"probe_top": 50.1},
        values={"probe_top": 50.1},
        ages_s={"probe_top": 33.0},
        cold_inlet_c=None,
        outdoor_c=None,
        v40_low_l=90.0,
        v40_high_l=226.0,
        shown_tenths=3,
        profile_sd_c=tuple(9.0 for _ in view.profile_c),
        learned_weight=0.1,
        loses=(
            "one_probe_wide_band",
            "no_flow_meter_draws_from_profile",
            "no_cold_inlet_seasonal_guess",
            "no_heat_pump_meter_effect_from_temperatures",
        ),
        plan=plan and replace(plan, windows=plan.windows[:1], surplus_w=plan.surplus_w * 0),
        drawn_today_l40=0.0,
    )


def newborn() -> View:
    """The first minute: nothing is known."""
    return View(
        at=NOW,
        v40_l=None,
        v40_low_l=None,
        v40_high_l=None,
        reference_l40=REFERENCE_L40,
        shown_tenths=None,
        lukewarm_kwh=None,
        profile_c=(),
        probes_c={},
        ages_s={"probe_low": None, "probe_middle": None, "probe_top": None},
        cold_inlet_c=None,
        outdoor_c=None,
        drawn_today_l40=0.0,
        running=(),
        mode=Rule.FAIL_SAFE,
        lead=Reason("nothing_known_yet"),
        decision=None,
        plan=None,
        demand=None,
        surroundings=None,
        overrides=(),
        faults=(),
        loses=(),
        typical_week_l40=(),
        learned_weight=0.0,
        hygiene={},
        caution=None,
    )


@dataclass
class FakeHouse:
    """A House that remembers what was asked of it."""

    settings: HomeSettings
    view: View | None
    notes: tuple[str, ...] = ()
    asked: list[tuple[str, Any]] = field(default_factory=list)
    numbers: Any = field(default_factory=lambda: itertools.count(100))
    records: Records | None = None
    leased: dict[str, Lease] = field(default_factory=dict)

    def leases(self) -> Mapping[str, Lease]:
        return self.leased

    def now(self) -> datetime:
        return NOW

    def health(self) -> Health:
        return Health(
            NOW,
            True,
            NOW - timedelta(days=9),
            NOW - timedelta(seconds=4),
            NOW - timedelta(seconds=20),
            NOW - timedelta(minutes=5),
            {"out_of_range": 3},
            self.notes,
        )

    def wish(self, fields: Mapping[str, Any], author: str) -> Override:
        from service.control.overrides import check_wish

        draft = check_wish(fields, author, NOW, self.settings, self.view)
        made = replace(draft, id=next(self.numbers))
        self.asked.append(("wish", made))
        if self.view is not None:
            self.view = replace(self.view, overrides=(*self.view.overrides, made))
        return made

    def end_wish(self, override_id: int, author: str) -> Override:
        assert self.view is not None
        for wish in self.view.overrides:
            if wish.id == override_id:
                self.view = replace(
                    self.view,
                    overrides=tuple(o for o in self.view.overrides if o.id != override_id),
                )
                self.asked.append(("end", override_id))
                return replace(wish, ended_at=NOW, ended_by=author)
        raise KeyError(override_id)

    def change(
        self,
        changes: Mapping[str, Any],
        author: str,
        reason: str = "",
        version: int | None = None,
    ) -> HomeSettings:
        from service.settings_check import changed_tunables

        tunables = changed_tunables(self.settings, changes)
        if tunables == self.settings.tunables:
            return self.settings
        self.asked.append(("change", dict(changes)))
        self.settings = HomeSettings(
            wiring=self.settings.wiring, tunables=tunables, version=self.settings.version + 1
        )
        assert self.records is not None
        self.records.add_settings(self.settings.wiring.id, tunables, author, NOW, reason=reason)
        return self.settings

    def acknowledge(self, fault_code: str, subject: str, author: str) -> None:
        assert self.view is not None
        if not any((f.code, f.subject) == (fault_code, subject) for f in self.view.faults):
            raise KeyError(fault_code)
        self.asked.append(("acknowledge", (fault_code, subject)))
        assert self.records is not None
        self.records.acknowledge_fault(self.settings.wiring.id, fault_code, subject, author, NOW)


def fill(records: Records, events: list[Draw], houses: Mapping[str, FakeHouse]) -> None:
    """Put the invented past into real records."""
    first = NOW - timedelta(days=28)
    records.import_draws("mill-lane", events, first, NOW, invented=True)
    for decision in decisions("mill-lane"):
        records.store("mill-lane", outputs(decision=decision))
    for home, house in houses.items():
        wiring = house.settings.wiring
        less = wiring.first.model_copy(update={"reserve_tenths": 1})
        records.add_settings(home, less, "configuration file", NOW - timedelta(days=40))
        records.add_settings(
            home,
            wiring.first,
            "Ines, installer",
            NOW - timedelta(days=12),
            reason="Baby is coming",
        )
        if house.view is not None:
            records.store(home, outputs(faults=(*house.view.faults, PAST_FAULT)))
    records.store("mill-lane", outputs(evidence=EVIDENCE))
    for midnight in (-1, 0):
        records.store("mill-lane", outputs(forecast=forecast_of(typical_week(events), midnight)))


def outputs(
    decision: Decision | None = None,
    faults: tuple[Fault, ...] = (),
    evidence: tuple[HygieneEvidence, ...] = (),
    forecast: DemandForecast | None = None,
) -> Outputs:
    """One step's outputs with little in them."""
    return Outputs(
        commands=(),
        decision=decision,
        wake_at=NOW,
        due_at=NOW,
        work=(),
        draws=(),
        faults=faults,
        evidence=evidence,
        forecast_made=forecast,
        plan_made=None,
        view=newborn(),
    )


def decisions(home: str) -> list[Decision]:
    """What was decided in the last day."""
    return [
        Decision(
            NOW - timedelta(hours=14, minutes=50),
            Rule.PLAN,
            Reason("below_base_stock", {"target_tenths": 8, "charge_tenths": 2.2}),
            (Command(home, "heat_pump_call", "run", 52.0, None, 600.0),),
            {"v40_low_l40": 61.0, "import_per_kwh": 0.145, "target_tenths": 8},
        ),
        Decision(
            NOW - timedelta(hours=12, minutes=20),
            Rule.PLAN,
            Reason("plan_idle", {}),
            (Command(home, "heat_pump_call", "release"),),
            {"v40_low_l40": 226.0, "import_per_kwh": 0.145},
        ),
        Decision(
            NOW - timedelta(hours=7),
            Rule.FAIL_SAFE,
            Reason("readings_stale", {"signals": "probe_top"}),
            (),
            {"v40_low_l40": 190.0},
        ),
    ]


PAST_FAULT = Fault(
    "signal_stale",
    "outdoor",
    NOW - timedelta(days=3),
    "warning",
    {"age_s": 5400},
    NOW - timedelta(days=3) + timedelta(hours=2),
)
_END = NOW - timedelta(days=4)
EVIDENCE = (
    HygieneEvidence(
        _END - timedelta(days=7, hours=2),
        _END - timedelta(days=7),
        False,
        "commanded",
        "probe_low",
        58.2,
        0.0,
        {"disinfect_c": 60.0},
    ),
    HygieneEvidence(_END - timedelta(hours=2), _END, True, "credited", "probe_low", 60.8, 3660.0),
)


def settings(title: str, **changes: Any) -> HomeSettings:
    """Settings of one invented home."""
    wiring = HomeWiring.model_validate({**WIRING, **changes, "title": title})
    return HomeSettings(wiring=wiring, tunables=Tunables.model_validate(wiring.first), version=2)


def street(records: Records) -> dict[str, FakeHouse]:
    """The invented homes by id; their past goes into ``records``."""
    events = history()
    view = lived_in(events)
    lone = [s for s in WIRING["signals"] if s["name"] == "probe_top"]
    houses = {
        "mill-lane": FakeHouse(settings("4 Mill Lane, Upper Fennick"), view, ("invented_history",)),
        "forge-cottage": FakeHouse(
            settings("Forge Cottage, Upper Fennick", id="forge-cottage"), troubled(view)
        ),
        "the-lock": FakeHouse(
            settings("The Lock, Upper Fennick", id="the-lock", signals=lone), one_probe(view)
        ),
        "new-build": FakeHouse(settings("Plot 9, Upper Fennick", id="new-build"), newborn()),
        "the-barn": FakeHouse(
            settings("The Barn, Upper Fennick", id="the-barn", actuators=[]),
            replace(view, plan=None, overrides=()),
        ),
    }
    for house in houses.values():
        house.records = records
    fill(records, events, houses)
    return houses


if __name__ == "__main__":
    import tempfile

    import uvicorn

    from tests.browser.pages_app import app_for

    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, default=8481)
    with tempfile.TemporaryDirectory() as folder:
        kept = Records.open(f"sqlite:///{folder}/invented.sqlite")
        app = app_for(street(kept), kept)
        uvicorn.run(app, host="127.0.0.1", port=parser.parse_args().port)
