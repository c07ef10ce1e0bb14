"""Every reason a plan may give, its facts, and its words.

Codes and facts are data: records and the API hand them on as they are. ``words`` makes English of
them at the edge, in the home's zone and currency. Facts carry their unit in their name; a fact
that is None was not known or does not apply.

=====================  ============================================================================
code                   meaning
=====================  ============================================================================
enough                 plan: the coming use is covered
tight                  plan: it is covered, with a chance of 10 to 35 % of running short
short_likely           plan: running short is likely, whatever is done
little_use             plan: hardly any use is expected soon
no_source              plan: no heat source may be commanded
surplus                window: PV surplus that would earn less than the heat saves later
negative_price         window: the grid pays for taking electricity
cheapest_before_use    window: the cheapest time before the use it is for
as_late_as_possible    window: other times cost the same; later loses least heat
cannot_wait            window: a cheaper time comes too late for the use before it
no_room_before         window: the store had no room for more at the cheaper time before
only_time              window: no other time is left before the use
asked                  window: somebody asked for this level
disinfection_cheapest  window: thermal disinfection where it costs least before its deadline
disinfection_late      window: thermal disinfection that cannot be finished by its deadline
below_base_stock       order: the charge fell below the level the plan holds at this time
=====================  ============================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta, tzinfo

from service.scheduling.types import Reason

Facts = Mapping[str, float | int | str | None]

PLAN_FACTS = (
    "use_from_s",
    "use_until_s",
    "use_l40",
    "spare_l40",
    "short_chance",
    "next_start_s",
    "next_end_s",
    "next_source",
    "next_tenths",
    "price_note",
    "estimated_from_s",
)
WINDOW_FACTS = (
    "source",
    "target_tenths",
    "target_l40",
    "full",
    "use_l40",
    "use_until_s",
    "short_without",
    "short_with",
    "price_per_kwh",
    "cost_per_100_l40",
    "electricity_kwh",
    "surplus_kwh",
    "other_start_s",
    "other_price_per_kwh",
    "other_wins_below_per_kwh",
    "skip_above_tenths",
    "price_estimated",
    "asked_by",
)
DISINFECTION_FACTS = (
    "due_s",
    "ends_s",
    "set_c",
    "hold_s",
    "price_per_kwh",
    "cost",
    "electricity_kwh",
)
FACTS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("enough", "tight", "short_likely", "little_use", "no_source"), PLAN_FACTS),
    **dict.fromkeys(
        (
            "surplus",
            "negative_price",
            "cheapest_before_use",
            "as_late_as_possible",
            "cannot_wait",
            "no_room_before",
            "only_time",
            "asked",
        ),
        WINDOW_FACTS,
    ),
    **dict.fromkeys(("disinfection_cheapest", "disinfection_late"), DISINFECTION_FACTS),
    "below_base_stock": ("target_tenths", "charge_tenths"),
}

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


def words(reason: Reason, *, zone: tzinfo, currency: str, now_s: float | None = None) -> str:
    """A reason in English.

    Args:
        reason: code and facts from a plan, a window or an order.
        zone: the home's zone, for clock times.
        currency: what prices are in, such as EUR.
        now_s: the reader's moment; days are named when they differ from it. None names none.

    Returns:
        Full sentences. An unknown code is given as it stands, so that old records stay readable.
    """
    said = _Speaker(reason.facts, zone, currency, now_s)
    if reason.code in ("enough", "tight", "short_likely", "little_use", "no_source"):
        return said.plan(reason.code)
    if reason.code in ("disinfection_cheapest", "disinfection_late"):
        return said.disinfection(late=reason.code == "disinfection_late")
    if reason.code == "below_base_stock":
        return (
            f"There are {said.number('charge_tenths')} tenths, less than the plan holds at this "
            f"time; it charges to {said.number('target_tenths')}."
        )
    if reason.code in FACTS:
        parts = said.much(), said.then(reason.code), said.change(reason.code)
        return " ".join(x for x in parts if x)
    return reason.code.replace("_", " ").capitalize() + "."


class _Speaker:
    """Puts facts into words; a sentence whose facts are missing is left out."""

    def __init__(self, facts: Facts, zone: tzinfo, currency: str, now_s: float | None) -> None:
        self._facts, self._zone, self._currency, self._now_s = facts, zone, currency, now_s

    def _value(self, name: str) -> float | None:
        value = self._facts.get(name)
        return float(value) if isinstance(value, int | float) else None

    def number(self, name: str) -> str:
        value = self._value(name)
        return "some" if value is None else f"{round(value, 1):g}"

    def _litres(self, name: str) -> str | None:
        value = self._value(name)
        return None if value is None else f"{5 * round(value / 5):d} L"

    def _risk(self) -> str:
        chance = self._chance("short_chance")
        return "some" if chance is None else chance

    def _chance(self, name: str) -> str | None:
        value = self._value(name)
        if value is None:
            return None
        percent = 100.0 * value
        return "less than 1 %" if percent < 1 else f"about {percent:.0f} %"

    def _price(self, name: str) -> str | None:
        value = self._value(name)
        return None if value is None else f"{self._currency} {value:.3f} per kWh"

    def _local(self, name: str) -> datetime | None:
        value = self._value(name)
        return None if value is None else datetime.fromtimestamp(value, self._zone)

    def _clock(self, name: str) -> str | None:
        local = self._local(name)
        if local is None:
            return None
        return f"{local:%H:%M}{self._day(local)}"

    def _day(self, local: datetime) -> str:
        if self._now_s is None:
            return ""
        today = datetime.fromtimestamp(self._now_s, self._zone).date()
        if local.date() == today:
            return ""
        if local.date() == today + timedelta(days=1):
            return " tomorrow"
        return f" on {local:%A}"

    def _part_of_day(self, name: str) -> str:
        local = self._local(name)
        if local is None:
            return "the coming use"
        hour = local.hour
        part = (
            "night"
            if hour < 5 or hour >= 22
            else "morning"
            if hour < 11
            else "midday"
            if hour < 14
            else "afternoon"
            if hour < 17
            else "evening"
        )
        day = self._day(local)
        if day == " tomorrow":
            return f"tomorrow {part}"
        if day:
            return f"{local:%A} {part}"
        return "tonight" if part == "night" else "midday" if part == "midday" else f"this {part}"

    def plan(self, code: str) -> str:
        when = self._part_of_day("use_from_s")
        spare = self._litres("spare_l40")
        lead = {
            "enough": f"Enough for {when}" + (f", about {spare} spare." if spare else "."),
            "tight": f"Enough for {when} if it goes as usual; {self._risk()} "
            "chance that it turns lukewarm.",
            "short_likely": f"Hot water may run short {self._when(when)}: {self._risk()} chance.",
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

    @staticmethod
    def _when(part: str) -> str:
        return f"at {part}" if part == "midday" else part

    def much(self) -> str:
        """Why this much."""
        target, use = self.number("target_tenths"), self._litres("use_l40")
        until, with_it = self._clock("use_until_s"), self._chance("short_with")
        without = self._chance("short_without")
        said = f"Charges to {target} tenths"
        if self._value("full"):
            said += ", which is full"
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
            return f"Solar surplus covers {own:.1f} of its {total:.1f} kWh."
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
        if skip is not None:
            said.append(f"with more than {skip:g} tenths at its start it would be left out")
        if wins is not None and at is not None:
            said.append(f"below {wins} the charge would move to {at}")
        if not said:
            return ""
        text = "; ".join(said)
        return text[0].upper() + text[1:] + "."

    def disinfection(self, *, late: bool) -> str:
        value = self._value("hold_s")
        hold = "" if value is None else f" for {value / 60:.0f} minutes"
        due, ends = self._clock("due_s"), self._clock("ends_s")
        first = f"Thermal disinfection: the cylinder is held at {self.number('set_c')} degC{hold}."
        if due is None or ends is None:
            return first
        if late:
            return f"{first} It was due by {due} and runs as soon as it can, until {ends}."
        price = self._price("price_per_kwh")
        told = f", at {price} on average" if price else ""
        return f"{first} It is due by {due} and costs least then{told}."
