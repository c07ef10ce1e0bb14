"""Why a plan and its windows are as they are, in full sentences."""

from __future__ import annotations

from service.control.state import Facts
from service.cylinder.tenths import FULL
from service.pages.local import Local, chance, quantity
from service.scheduling.types import Reason

SOURCES = {"heat_pump": "the heat pump", "immersion": "the immersion heater"}
ASKED = {
    "override": "somebody asked for it",
    "guests": "guests are expected",
    "reserve": "it is the reserve that must be there",
    "manager": "the energy manager asked for it",
}
LEAST_SAID_L40 = 5.0  # less use than this is no reason for a charge
NOTES = {
    "feed_lost_last_known": "The price feed has failed; its last known days stand in.",
    "feed_lost_bands": "The price feed has failed; the fixed bands stand in.",
}


def said(reason: Reason, local: Local) -> str:
    """A reason of a plan, a window or an order; its code is one of ``scheduling.reasons``."""
    speaker = _Speaker(reason.facts, local)
    if reason.code in ("enough", "tight", "short_likely", "little_use", "no_source"):
        return speaker.plan(reason.code)
    if reason.code in ("disinfection_cheapest", "disinfection_late"):
        return speaker.disinfection(late=reason.code == "disinfection_late")
    if reason.code == "below_base_stock":
        return (
            f"There are {speaker.number('charge_tenths')} tenths, less than the plan holds at this "
            f"time; it charges to {speaker.number('target_tenths')}."
        )
    parts = speaker.much(), speaker.then(reason.code), speaker.change(reason.code)
    return " ".join(x for x in parts if x)


class _Speaker:
    """Puts facts into words; a sentence whose facts are missing is left out."""

    def __init__(self, facts: Facts, local: Local) -> None:
        self._facts, self._local = facts, local

    def _value(self, name: str) -> float | None:
        value = self._facts.get(name)
        return float(value) if isinstance(value, int | float) else None

    def number(self, name: str) -> str:
        value = self._value(name)
        return "some" if value is None else f"{round(value, 1):g}"

    def _litres(self, name: str) -> str | None:
        value = self._value(name)
        return None if value is None else f"{5 * round(value / 5):d} L"

    def _chance(self, name: str) -> str | None:
        value = self._value(name)
        return None if value is None else chance(value)

    def _price(self, name: str) -> str | None:
        value = self._value(name)
        return None if value is None else self._local.price(value)

    def _clock(self, name: str) -> str | None:
        """Time of day; the day too where it is not today."""
        value = self._value(name)
        if value is None:
            return None
        at, day = self._local.clock(value), self._local.day(value)
        if day == "today":
            return at
        return f"{at} {day}" if day in ("tomorrow", "yesterday") else f"{at} on {day}"

    def plan(self, code: str) -> str:
        use_from_s = self._value("use_from_s")
        when = "the coming use" if use_from_s is None else self._local.part_of_day(use_from_s)
        spare = self._litres("spare_l40") if (self._value("spare_l40") or 0.0) >= 2.5 else None
        risk = self._chance("short_chance") or "not known"
        lead = {
            "enough": f"Enough for {when}" + (f", about {spare} spare." if spare else "."),
            "tight": f"Enough for {when} if it goes as usual; the chance that it turns lukewarm "
            f"is {risk}.",
            "short_likely": f"Hot water may run short {when}: the chance is {risk}.",
            "little_use": "Little hot water is expected to be used soon.",
            "no_source": "No heat source may be commanded, so nothing is planned.",
        }[code]
        said = [lead]
        start, end = self._clock("next_start_s"), self._clock("next_end_s")
        source = SOURCES.get(str(self._facts.get("next_source")))
        if start and end and source:
            said.append(
                f"Next, {source} charges from {start} to {end}, "
                f"up to {self.number('next_tenths')} tenths."
            )
        note = NOTES.get(str(self._facts.get("price_note")))
        estimated = self._clock("estimated_from_s")
        if note:
            said.append(note)
        elif estimated:
            said.append(f"Prices from {estimated} on are estimated.")
        return " ".join(said)

    def much(self) -> str:
        """Why this much."""
        target, use = self.number("target_tenths"), self._litres("use_l40")
        until, with_it = self._clock("use_until_s"), self._chance("short_with")
        without = self._chance("short_without")
        said = f"Charges to {target} tenths"
        source = SOURCES.get(str(self._facts.get("source")))
        if self._value("full") and (self._value("target_tenths") or 0.0) >= FULL:
            said += ", which is full"
        elif self._value("full") and source:
            said += f", the most {source} can make"
        if use and until and (self._value("use_l40") or 0.0) >= LEAST_SAID_L40:
            said += f": about {use} are expected until {until}"
        if with_it and without and with_it != without:
            left = f"with no other charge until {until} " if until else ""
            said += f"; {left}the chance of running short falls from {without} to {with_it}"
        return said + "."

    def then(self, code: str) -> str:
        """Why then."""
        price, other = self._price("price_per_kwh"), self._price("other_price_per_kwh")
        at = self._clock("other_start_s")
        estimated = " (estimated)" if self._value("price_estimated") else ""
        if code == "surplus":
            own, total = self._value("surplus_kwh"), self._value("electricity_kwh")
            if own is None or total is None:
                return "Your own solar surplus runs it."
            part = "all" if f"{own:.1f}" == f"{total:.1f}" else f"{own:.1f}"
            return f"Solar surplus covers {part} of its {total:.1f} kWh."
        if code == "negative_price":
            return (
                f"Electricity has a negative price then{f': {price}{estimated}' if price else ''}."
            )
        if code == "asked":
            by = ASKED.get(str(self._facts.get("asked_by")), "somebody asked for it")
            return f"It is at that level because {by}."
        if code == "only_time":
            return "There is no other time for it before the water is used."
        if price is None or other is None or at is None:
            return ""
        if code == "cheapest_before_use" and price == other:
            return f"At {price}{estimated} it is the cheapest time: {at} makes less heat of a kWh."
        if code == "cheapest_before_use":
            return (
                f"At {price}{estimated} it is the cheapest time; the next best, {at}, has {other}."
            )
        if code == "as_late_as_possible":
            return f"Other times cost about the same ({price}{estimated}); late loses least heat."
        if price == other:  # the heat differs, the price does not
            lacked = (
                "the store had no room for more"
                if code == "no_room_before"
                else "the water is needed before"
            )
            return f"At {price}{estimated} a kWh makes more heat at {at}, but {lacked}."
        if code == "no_room_before":
            return f"At {price}{estimated} it refills what the cheaper time ({at}) had no room for."
        return (
            f"At {price}{estimated} it is dearer than {at} with {other}, but the water is "
            "needed before."
        )

    def change(self, code: str) -> str:
        """What would change it."""
        skip, wins = self._value("skip_above_tenths"), self._price("other_wins_below_per_kwh")
        if code not in ("surplus", "negative_price", "cheapest_before_use"):
            wins = None
        at = self._clock("other_start_s")
        said = []
        if skip is not None and skip <= FULL:  # fuller it never is in ordinary running
            said.append(f"with more than {skip:g} tenths at its start it would be left out")
        if wins is not None and at is not None:
            said.append(f"below {wins} {at} would be the cheaper time")
        if not said:
            return ""
        text = "; ".join(said)
        return text[0].upper() + text[1:] + "."

    def disinfection(self, *, late: bool) -> str:
        value = self._value("hold_s")
        hold = "" if value is None else f" for {value / 60:.0f} minutes"
        due, ends = self._clock("due_s"), self._clock("ends_s")
        set_c = self._value("set_c")
        hot = "hot" if set_c is None else f"at {quantity(set_c, '°C', 0 if set_c % 1 == 0 else 1)}"
        first = f"Thermal disinfection: the cylinder is held {hot}{hold}."
        if due is None or ends is None:
            return first
        if late:
            return f"{first} It was due by {due} and runs as soon as it can, until {ends}."
        price = self._price("price_per_kwh")
        told = f", at {price} on average" if price else ""
        return f"{first} It is due by {due} and costs least then{told}."
