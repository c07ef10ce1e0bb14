"""How warm each draw-off came and, where it was colder than wanted, why: read from the records.

Page and API ask here. What is found are codes and figures; ``control.cold`` finds the causes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from adapters.wiring import Quantity
from service.clock import in_span, second_of_day
from service.control import cold as why
from service.control import plant as plants
from service.control.types import Draw, Fault, Override
from service.cylinder.usable import USE_C
from service.records.records import PAGE, Records
from service.records.values import Cursor, Page, SettingsVersion
from service.scheduling.types import Reason
from service.settings import HomeSettings, HomeWiring, Tunables

SMALL_L = 4.0  # draws below this never ran warm anyway and only hide the others
KWH_PER_LITRE_KELVIN = 1.163e-3 * 0.992  # water between inlet and outlet, near 40 degC
MOST = 1000  # of what is on record of the time before one draw-off
MOMENT = timedelta(microseconds=1)  # what was decided as the tap opened counts
END_S = 1.0  # what is read in the very moment in which the water stops was read of that water
FULL_WARMTH_K = 1.0  # a draw this little below the temperature of use was not cold


@dataclass(frozen=True)
class Warmth:
    """How warm a draw-off came.

    mean_c   its mean from metered heat and volume, degC; None where nothing metered them
    end_c    when it ended, degC; None where no reading of then is kept
    least_c  water below that was colder than wanted, degC
    causes   of a cold one, the likeliest first; else none
    """

    draw: Draw
    mean_c: float | None
    end_c: float | None
    least_c: float
    causes: tuple[Reason | Fault, ...] = ()

    @property
    def cold(self) -> bool | None:
        """Colder than wanted, in the mean or at its end: one that began hot may have run cold.

        None where neither is known.
        """
        known = [c for c in (self.mean_c, self.end_c) if c is not None]
        return min(known) < self.least_c if known else None


def of_draws(
    settings: HomeSettings,
    records: Records,
    since: datetime | None = None,
    until: datetime | None = None,
    after: Cursor | None = None,
    limit: int = PAGE,
) -> Page[Warmth]:
    """The draw-offs of ``SMALL_L`` or more that began in [since, until), newest first.

    Raises ValueError for a cursor of another list.
    """
    home, shows = settings.wiring.id, _shows_outlet(settings.wiring)
    least_c = settings.wiring.cylinder.use_c - FULL_WARMTH_K
    drawn = records.draws(home, since, until, after, limit, least_l=SMALL_L)
    found = [
        Warmth(draw, _mean_c(draw), _end_c(home, records, shows, draw), least_c)
        for draw in drawn.items
    ]
    if any(w.cold for w in found):
        # Of what people asked for, what was wrong and what was set, a home has little.
        wishes = records.overrides(home, limit=MOST).items
        faults = tuple(f.fault for f in records.faults(home, limit=MOST).items)
        versions = records.settings_versions(home, limit=MOST).items
        for n, warmth in enumerate(found):
            if warmth.cold:
                known = _before(settings, records, warmth.draw, wishes, faults, versions)
                found[n] = replace(warmth, causes=why.causes(warmth.draw, known))
    return Page(tuple(found), drawn.next)


def _mean_c(draw: Draw) -> float | None:
    """The mean temperature of a draw-off from its heat and volume, degC.

    Both were counted above the cold inlet of that day, which its litres at 40 degC tell again: the
    mains are 10 K colder in winter. None without heat or volume, and for one read from the
    cooling of the cylinder, which is not metered.
    """
    if min(draw.litres, draw.kwh, draw.litres_40c) <= 0 or draw.measured_by == "profile":
        return None
    inlet_c = USE_C - draw.kwh / (draw.litres_40c * KWH_PER_LITRE_KELVIN)
    return inlet_c + draw.kwh / (draw.litres * KWH_PER_LITRE_KELVIN)


def _shows_outlet(wiring: HomeWiring) -> str | None:
    """The signal that shows what leaves the cylinder: at its outlet, else the highest probe."""
    at_outlet = wiring.signals_of(Quantity.OUTLET_TEMPERATURE)
    probes = sorted(wiring.signals_of(Quantity.PROBE), key=lambda s: s.height_m or 0.0)
    found = [*probes, *at_outlet]
    return found[-1].name if found else None


def _end_c(home: str, records: Records, signal: str | None, draw: Draw) -> float | None:
    """How warm the water was when a draw-off ended, degC; None where no reading of then is kept."""
    if signal is None:
        return None
    until = draw.end + timedelta(seconds=END_S)
    kept = records.stretches(home, draw.start, until, signals=(signal,), limit=MOST).items
    return kept[-1].mean if kept else None


def _before(
    settings: HomeSettings,
    records: Records,
    draw: Draw,
    wishes: Sequence[Override],
    faults: tuple[Fault, ...],
    versions: Sequence[SettingsVersion],
) -> why.Before:
    """What is on record of the time before a draw-off."""
    home, since = settings.wiring.id, draw.start - why.LOOK_BACK
    earlier = records.draws(home, since, draw.start, limit=MOST).items
    lately = records.decisions(home, since, draw.start + MOMENT, limit=MOST).items
    decisions = [*lately, *records.decisions(home, None, since, limit=1).items]
    began = why.one_charge(draw, earlier)[0].start
    plans = records.plans(home, None, began, limit=1).items
    then = next((v.tunables for v in versions if v.made_at <= draw.start), settings.tunables)
    return why.Before(
        draws=tuple(reversed(earlier)),
        decisions=tuple(reversed(decisions)),
        wishes=tuple(wishes),
        faults=faults,
        unwatched=records.unwatched(home, since, draw.start),
        reference_l40=plants.of(settings.model_copy(update={"tunables": then})).reference_l40,
        comfort=then.comfort,
        quiet=_quiet(settings.wiring, then, draw.start),
        expected_l40=_expected_l40(home, records, began, draw.end),
        plan=plans[0].reason if plans else None,
        mixers=_mixers(settings.wiring),
        main="immersion" if settings.wiring.heat_pump is None else "heat_pump",
    )


def _mixers(wiring: HomeWiring) -> frozenset[str]:
    """The heat pump's actuators where its charging pump has a fixed flow."""
    pump = wiring.heat_pump
    if pump is None or pump.charging_pump_l_per_min is None:
        return frozenset()
    return frozenset(a.name for a in wiring.actuators if a.source == "heat_pump")


def _quiet(wiring: HomeWiring, then: Tunables, at: datetime) -> tuple[str, str] | None:
    """The heat pump's quiet hours, if they held at a moment or until shortly before."""
    if wiring.heat_pump is None or then.quiet_from is None or then.quiet_until is None:
        return None
    for moment in (at, at - why.AT_ONCE):
        local = moment.astimezone(wiring.zone_info)
        if in_span(second_of_day(local), then.quiet_from, then.quiet_until):
            return then.quiet_from, then.quiet_until
    return None


def _expected_l40(home: str, records: Records, began: datetime, end: datetime) -> float | None:
    """What the last forecast before ``began`` expected in the slots until ``end``, L at 40 degC."""
    made = records.forecasts(home, None, began, limit=1).items
    if not made or made[0].until < end:
        return None
    grid = made[0].means.grid
    within = (grid.end_s > began.timestamp()) & (grid.start_s < end.timestamp())
    return float(made[0].means.expected_l40[within].sum())
