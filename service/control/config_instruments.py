"""Signals that are missing, late, or show the same thing twice."""

from __future__ import annotations

from collections.abc import Iterator

from adapters.wiring import Form, Kind, Quantity
from service.control.metering import METERED
from service.control.misfit import Misfit
from service.control.plant import Plant
from service.settings import HomeWiring

# Share of the volume that may lie below the lowest probe where no flow meter is wired: half way up
# the charge is known within an eighth, near the top by a third to a half (RMS in lived homes).
HIGHEST_LOWEST_PROBE = 0.55


def misfits(plant: Plant) -> Iterator[Misfit]:
    """What is measured nowhere, too late, or twice."""
    settings = plant.settings
    if not plant.probes:
        yield Misfit(
            "warn",
            "no_probe",
            "signals",
            "",
            "no probe is wired, and without one nothing is commanded",
            "add a probe in the upper half of the cylinder",
        )
    yield from _unseen_draws(plant)
    shortest = min(settings.wiring.actuators, key=lambda a: a.lease_s, default=None)
    late = [p for p in plant.probes if shortest and p.stale_after_s > shortest.lease_s]
    if shortest is not None and late:
        yield Misfit(
            "warn",
            "stale_after_lease",
            f"stale_after_s of {', '.join(p.name for p in late)}",
            f"{max(p.stale_after_s for p in late):g}",
            f"is longer than the lease of {shortest.name}, {shortest.lease_s:g} s",
            "a shorter one stops plant sooner when a probe falls silent",
        )
    yield from _same_values(settings.wiring)
    yield from _counted_twice(settings.wiring)
    for actuator in settings.wiring.actuators:
        if actuator.form is Form.TERMINALS and actuator.surplus_only and not plant.tells_surplus:
            yield Misfit(
                "warn",
                "surplus_unknown",
                f"actuators.{actuator.name}.surplus_only",
                "true",
                "surplus is measured nowhere, so it would never be used",
                "add a signal that measures export_power, or import_power both ways",
            )


def _unseen_draws(plant: Plant) -> Iterator[Misfit]:
    """A flow meter or a probe low down must tell what was drawn before it is nearly all gone."""
    if not plant.probes or plant.of(Quantity.DRAW_FLOW):
        return
    lowest = plant.probes[0]
    level = plant.level(lowest.height_m)
    if level > HIGHEST_LOWEST_PROBE:
        yield Misfit(
            "warn",
            "draws_unseen",
            f"signals.{lowest.name}.height_m",
            f"{lowest.height_m:g}",
            f"no flow meter is wired and this, the lowest probe, has {100 * level:.0f} % of the "
            "water below it: what is drawn shows late, and the charge is a guess until then",
            "add a flow meter on the cold feed (measures draw_flow), or a probe in the lower half",
        )


def _same_values(wiring: HomeWiring) -> Iterator[Misfit]:
    """Signals that would always show the same value: a block copied and half changed."""
    users: dict[tuple[str, str, str, Quantity], list[str]] = {}
    for s in wiring.signals:
        value = "" if s.format == "number" else s.value
        grid = s.measures in (Quantity.IMPORT_POWER, Quantity.EXPORT_POWER)  # one balance
        measures = Quantity.IMPORT_POWER if grid else s.measures
        users.setdefault((s.topic, s.format, value, measures), []).append(s.name)
    for (topic, _, value, measures), names in users.items():
        if len(names) > 1:
            yield Misfit(
                "refuse",
                "one_value_twice",
                f"signals.{names[-1]}.topic",
                topic,
                f"{' and '.join(names)} would read one and the same value"
                + (f", {value}" if value else ""),
                "give each its own topic, or its own value expression"
                + (
                    "; a grid meter that counts both ways is import_power alone"
                    if measures is Quantity.IMPORT_POWER
                    else ""
                ),
            )


def _counted_twice(wiring: HomeWiring) -> Iterator[Misfit]:
    """Signals that would count the same water or energy twice, or of which one is not used."""
    draws = wiring.signals_of(Quantity.DRAW_FLOW)
    if len(draws) > 1:
        yield Misfit(
            "refuse",
            "two_draw_meters",
            f"signals.{draws[1].name}",
            "",
            f"measures draw_flow, as {draws[0].name} does, and only one meter can see every draw",
            "keep the one on the cold feed; of a meter's rate and its total keep the total",
        )
    for quantity in METERED:
        signals = wiring.signals_of(quantity)
        power = next((s for s in signals if s.kind is Kind.POWER), None)
        energy = next((s for s in signals if s.kind is Kind.ENERGY), None)
        if power is not None and energy is not None:
            yield Misfit(
                "refuse",
                "power_and_total",
                f"signals.{energy.name}.unit",
                energy.unit,
                f"measures {quantity}, as {power.name} does in {power.unit}: what one meter shows "
                "as power and as a total would count twice",
                "keep one of the two, the power if it comes every minute or oftener",
            )
