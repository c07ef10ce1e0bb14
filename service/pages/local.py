"""How moments, spans, sums of money and litres are written for one home: its zone, its currency."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
NUMBERS = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"]


def in_words(tenths: int) -> str:
    """``4`` as "four tenths"; the fixed reference makes ten of them a full cylinder."""
    return f"{NUMBERS[tenths]} {'tenth' if tenths == 1 else 'tenths'}"


def duration(seconds: float) -> str:
    """A length of time as people say it: "40 s", "12 min", "3 h 20 min", "5 days"."""
    seconds = max(0.0, seconds)
    if seconds < 90:
        return quantity(seconds, "s")
    minutes = round(seconds / 60)
    if minutes < 60:
        return quantity(minutes, "min")
    hours, minutes = divmod(minutes, 60)
    if hours < 10 and minutes:
        return f"{quantity(hours, 'h')} {quantity(minutes, 'min')}"
    if hours < 36:
        return quantity(hours, "h")
    return quantity(seconds / 86400, "days")


def days_long(days: float) -> str:
    """A number of days as somebody set it: "7 days", "2.5 days", "1 day"."""
    return f"{days:g}\u00a0{'day' if days == 1 else 'days'}"


def figure(value: float, digits: int = 0) -> str:
    """A number with a true minus sign and without a negative zero."""
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = f"{0:.{digits}f}"
    return text.replace("-", "−")


def chance(share: float) -> str:
    """A probability as people say it, never as a percentage; it stands after "the chance is"."""
    if share < 0.01:  # nobody can tell 1 in 179 from 1 in 182
        return "hardly any"
    if share >= 0.5:
        return "more than 1 in 2"
    return f"about 1 in {round(1 / share)}"


def price_figure(per_kwh: float) -> str:
    """A price; a third digit only where it is needed."""
    return figure(per_kwh, 2 if abs(per_kwh * 100 - round(per_kwh * 100)) < 0.05 else 3)


def quantity(value: float, unit: str, digits: int = 0) -> str:
    """A number and its unit that stay on one line."""
    return f"{figure(value, digits)}\u00a0{unit}"


@dataclass(frozen=True)
class Local:
    """The home's own way of writing things at ``now`` (aware UTC)."""

    zone: ZoneInfo
    currency: str
    now: datetime

    def at(self, moment: datetime | float) -> datetime:
        """A moment (aware, or seconds since 1970 UTC) in the home's zone."""
        if not isinstance(moment, datetime):
            moment = datetime.fromtimestamp(moment, UTC)
        return moment.astimezone(self.zone)

    def clock(self, moment: datetime | float) -> str:
        """Time of day; an hour that comes twice is told apart by its zone's abbreviation."""
        local = self.at(moment)
        twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
        return f"{local:%H:%M}" + (f" {local:%Z}" if twice else "")

    def day(self, moment: datetime | float) -> str:
        """The day as seen from now: today, tomorrow, yesterday, "Friday", "Fri 4 Dec"."""
        local, today = self.at(moment).date(), self.at(self.now).date()
        ahead = (local - today).days
        near = {-1: "yesterday", 0: "today", 1: "tomorrow"}
        if ahead in near:
            return near[ahead]
        if 1 < ahead < 7:
            return DAYS[local.weekday()]
        return self.calendar(local)

    def calendar(self, day: date) -> str:
        """A date in the calendar: "Fri 4 Dec", with the year when it is another one."""
        year = "" if day.year == self.at(self.now).year else f" {day.year}"
        return f"{DAYS[day.weekday()][:3]} {day.day} {MONTHS[day.month - 1]}{year}"

    def moment(self, moment: datetime | float) -> str:
        """Day and time: "today 17:30"."""
        return f"{self.day(moment)} {self.clock(moment)}"

    def span(self, start: datetime | float, end: datetime | float) -> str:
        """From one moment to another, the day said once when it is one day."""
        first, last = self.at(start), self.at(end)
        if first.date() == (last - timedelta(seconds=1)).date():
            return f"{self.day(start)} {self.clock(start)} to {self.clock(end)}"
        return f"{self.moment(start)} to {self.moment(end)}"

    def part_of_day(self, moment: datetime | float) -> str:
        """The part of a day as people name it: "this evening", "tomorrow morning"."""
        local = self.at(moment)
        hour = local.hour
        part = (
            "night"
            if hour < 5
            else "morning"
            if hour < 11
            else "midday"
            if hour < 14
            else "afternoon"
            if hour < 17
            else "evening"
            if hour < 22
            else "night"
        )
        ahead = (local.date() - self.at(self.now).date()).days
        if ahead == 0:
            return "tonight" if part == "night" else f"this {part}"
        if ahead == 1:
            return "tonight" if part == "night" and hour < 5 else f"tomorrow {part}"
        if hour < 5:  # "Saturday night" would be the one after that day
            return f"early on {DAYS[local.weekday()]}"
        return f"{DAYS[local.weekday()]} {part}"

    def money(self, amount: float) -> str:
        """An amount in the home's currency."""
        return f"{self.currency}\u00a0{figure(amount, 2)}"

    def price(self, per_kwh: float) -> str:
        """A price per kWh with its currency."""
        return f"{self.currency}\u00a0{price_figure(per_kwh)} per kWh"

    def age(self, moment: datetime) -> str:
        """How long ago something was."""
        return f"{duration((self.now - moment).total_seconds())} ago"
