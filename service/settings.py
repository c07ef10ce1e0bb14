"""Everything that can be set, in two kinds with one truth each.

``Wiring`` is the TOML file: how Ladle is connected, and the first values of a new home.
``Tunables`` is what household and installer change while it runs; it lives in the database,
versioned, with author and time of effect. A home's ``first`` table only fills an empty database.
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from adapters.wiring import (
    Actuator,
    Broker,
    CalendarFeed,
    Notify,
    Part,
    PriceFeed,
    Quantity,
    Signal,
    WeatherFeed,
)
from forecasting.sun import Place, place_of_zone
from service.clock import second_of
from service.scheduling.tariff import Tariff


def _day(value: object) -> date:
    """A day of the calendar; a number or a moment would be taken for one, and is hardly meant."""
    try:
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        return date.fromisoformat(value if isinstance(value, str) else "")
    except ValueError as error:
        raise ValueError("not a day of the calendar; write it like 2026-03-01") from error


Day = Annotated[date, BeforeValidator(_day)]


def _marked_day(value: str) -> str:
    """A day and the weekday it is like, as ``marked_day`` reads them."""
    try:
        marked_day(value)
    except ValueError as error:
        raise ValueError(
            "not a day and the weekday it is like; write it like 2026-12-24 sunday"
        ) from error
    return value


def marked_day(value: str) -> tuple[date, int]:
    """A marked day, and the weekday it is like, 0 Monday .. 6 Sunday. Raises ValueError."""
    day, _, like = value.partition(" ")
    return date.fromisoformat(day), WEEKDAYS.index(like.strip().lower())


def _span(value: str) -> str:
    """Hours of the day, as ``span_of_day`` reads them."""
    try:
        since, until = span_of_day(value)
        begin, end = second_of(since), second_of(until)
    except ValueError:
        begin = end = 0
    if begin == end:
        raise ValueError("not hours of the day; write them like 06:00-09:00, or 00:00-24:00")
    return value


def span_of_day(value: str) -> tuple[str, str]:
    """Where hours like 06:00-09:00 begin and end. Raises ValueError for what is no two times."""
    since, until = value.split("-")
    return since.strip(), until.strip()


Span = Annotated[str, AfterValidator(_span)]
MarkedDay = Annotated[str, AfterValidator(_marked_day)]
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
Tenths = Annotated[int, Field(ge=0, le=10)]


class CylinderWiring(Part):
    """The cylinder as built. Heights are above its floor."""

    volume_l: Annotated[float, Field(ge=30, le=2000)]
    height_m: Annotated[float, Field(gt=0.2, le=4)]
    standing_loss_kwh_per_day: Annotated[float, Field(gt=0, le=20)] | None = None  # at 45 K
    thermostat_c: Annotated[float, Field(ge=40, le=85)]  # its own control thermostat
    cutout_c: Annotated[float, Field(ge=60, le=95)]  # non-self-resetting thermal cut-out
    ceiling_c: Annotated[float, Field(ge=40, le=80)] | None = None  # None: thermostat less 2 K
    mixing_valve_c: Annotated[float, Field(ge=35, le=60)] | None = None  # None: none recorded
    use_c: Annotated[float, Field(ge=35, le=50)] = 40.0
    ambient_c: Annotated[float, Field(ge=-40, le=80)] = 20.0
    immersion_height_m: float | None = None
    coil_foot_m: float | None = None
    coil_head_m: float | None = None
    secondary_return_m: float | None = None
    secondary_return_hours: tuple[Span, ...] = ()  # when its pump runs, where no signal tells
    secondary_return_l_per_min: Annotated[float, Field(ge=0.2, le=30)] = 3.0
    inlet_stirs_l: Annotated[float, Field(ge=0)] | None = None  # None: learned from a tenth of it
    since: Day | None = None  # day on which it was put in a like one's place; None: it never was


class RatingPoint(Part):
    """One line of a heat pump's data sheet, EN 14511 style."""

    outdoor_c: Annotated[float, Field(ge=-50, le=50)]
    flow_c: Annotated[float, Field(ge=20, le=90)]
    capacity_w: Annotated[float, Field(gt=0)]
    cop: Annotated[float, Field(gt=0.5, lt=12)]


class FlowLimit(Part):
    """The hottest flow a heat pump makes at an outdoor temperature, from its operating range."""

    outdoor_c: Annotated[float, Field(ge=-50, le=50)]
    flow_c: Annotated[float, Field(ge=20, le=90)]


class HeatPumpWiring(Part):
    """The heat pump, how it reaches the water, and what its own control does by itself."""

    layout: Literal["plate", "coil"]
    ratings: tuple[RatingPoint, ...] = ()  # empty: a conservative default, scaled to capacity_w
    capacity_w: Annotated[float, Field(gt=0)] = 6000.0
    flow_limit_c: Annotated[float, Field(ge=35, le=90)] = 60.0
    flow_limits: tuple[FlowLimit, ...] = ()  # in colder air; empty: conservative, and by ratings
    approach_k: Annotated[float, Field(ge=0, le=20)] = 5.0  # plate or coil: flow less store
    # Plate: the flow of a charging pump that is fixed; None: the outlet is held at its temperature.
    charging_pump_l_per_min: Annotated[float, Field(ge=1, le=100)] | None = None
    min_run_s: Annotated[float, Field(ge=0, le=21_600)] = 600.0
    min_rest_s: Annotated[float, Field(ge=0, le=21_600)] = 600.0
    starts_per_hour: Annotated[int, Field(ge=1, le=20)] = 3
    # its own hot-water control, respected rather than fought:
    own_set_c: Annotated[float, Field(ge=30, le=80)] | None = None  # None: the normal set
    own_sensor_height_m: float | None = None
    own_restart_k: Annotated[float, Field(ge=0, le=30)] = 5.0
    own_timer: str = ""
    own_disinfection: bool = False

    @field_validator("charging_pump_l_per_min")
    @classmethod
    def _plate_has_the_pump(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and info.data.get("layout") == "coil":
            raise ValueError(
                "it is the flow between cylinder and plate heat exchanger, and a coil has no such "
                'pump: leave it out, or set layout = "plate"'
            )
        return value


class ImmersionWiring(Part):
    """The immersion heater."""

    power_w: Annotated[float, Field(gt=0, le=12000)] = 3000.0
    thermostat_c: Annotated[float, Field(ge=30, le=85)] = 65.0
    starts_per_hour: Annotated[int, Field(ge=1, le=60)] = 6


class SpaceHeating(Part):
    """What hot water costs space heating, where one heat pump makes both."""

    claim_per_h: Annotated[float, Field(ge=0)] = 0.0  # money for an hour of the heat pump
    below_c: Annotated[float, Field(ge=-20, le=30)] = 15.0  # heating limit: when it is colder
    from_time: str | None = None  # local hours in which it holds; left out, all day
    until_time: str | None = None


class Hygiene(Part):
    """Thermal disinfection and the limits on lukewarm water, set by the installer."""

    disinfect_c: Annotated[float, Field(ge=50, le=75)] = 60.0
    hold_s: Annotated[float, Field(ge=60, le=7200)] = 3600.0
    longest_interval_days: Annotated[float, Field(ge=1, le=31)] = 7.0
    probes: tuple[str, ...] = ()  # which must measure it; empty: the lowest probe
    lukewarm_limit_h: Annotated[float, Field(ge=6)] = 72.0  # hours between 20 and 45 degC
    lowered_confirmed_by: str | None = None  # going below the defaults is on record


class Learning(Part):
    """How habits are learned."""

    window_weeks: Annotated[float, Field(ge=1, le=104)] = 26.0
    half_life_weeks: Annotated[float, Field(ge=0.5, le=52)] = 13.0
    weekday_sharing: Annotated[float, Field(ge=0, le=1)] | None = None  # None: learned
    marked_days: tuple[MarkedDay, ...] = ()  # that are like another day of the week
    since: Day | None = None  # local day on which these people moved in; None: no others known


class Tunables(Part):
    """What people change while it runs."""

    occupants: Annotated[float, Field(ge=0.5, le=20)] = 2.5
    floor_area_m2: Annotated[float, Field(ge=10, le=2000)] | None = None
    normal_set_c: Annotated[float, Field(ge=40, le=70)] = 52.0  # of the cylinder when full
    # What a charge may be heated to when that is enough; None: always the normal set temperature.
    lowest_set_c: Annotated[float, Field(ge=40, le=70)] | None = None
    reserve_tenths: Tenths = 2
    highest_tenths: Tenths = 10
    comfort: Literal["thrifty", "balanced", "ample"] = "balanced"
    slot_minutes: Annotated[int, Field(ge=5, le=60)] = 30
    horizon_h: Annotated[int, Field(ge=12, le=72)] = 48
    quiet_from: str | None = None  # local time; the heat pump rests meanwhile
    quiet_until: str | None = None
    power_limit_w: Annotated[float, Field(gt=0)] | None = None
    replan_every_slots: Annotated[int, Field(ge=1, le=12)] = 2  # besides when reality departs
    space_heating: SpaceHeating = SpaceHeating()
    tariff: Tariff = Tariff()
    learning: Learning = Learning()
    hygiene: Hygiene = Hygiene()


class HomeWiring(Part):
    """One home: where it is, what is fitted, how it is wired."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$")] = "home"
    title: str = "Home"
    zone: str
    country: str = ""
    subdivision: str = ""
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] = "EUR"
    latitude: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude: Annotated[float, Field(ge=-180, le=180)] | None = None
    cylinder: CylinderWiring
    heat_pump: HeatPumpWiring | None = None
    immersion: ImmersionWiring | None = None
    signals: tuple[Signal, ...]
    actuators: tuple[Actuator, ...] = ()
    price_feeds: tuple[PriceFeed, ...] = ()
    weather_feed: WeatherFeed | None = None
    calendar_feed: CalendarFeed | None = None
    notify: Notify = Notify()
    first: Tunables = Tunables()

    @property
    def zone_info(self) -> ZoneInfo:
        """The home's time zone."""
        return ZoneInfo(self.zone)

    @property
    def where(self) -> Place:
        """Where the home stands; its zone's principal town where nobody says."""
        if self.latitude is None or self.longitude is None:
            return place_of_zone(self.zone_info)
        return Place(self.latitude, self.longitude)

    def signals_of(self, quantity: Quantity) -> tuple[Signal, ...]:
        """All signals that measure ``quantity``, in the file's order."""
        return tuple(s for s in self.signals if s.measures is quantity)

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError("not a time zone of the IANA database, e.g. Europe/Paris") from error
        return value

    @model_validator(mode="after")
    def _stands_somewhere(self) -> HomeWiring:
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError("latitude and longitude go together; give both or neither")
        return self

    @model_validator(mode="after")
    def _names_are_unique(self) -> HomeWiring:
        names = [s.name for s in self.signals] + [a.name for a in self.actuators]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(
                f"names used twice in home {self.id}: {', '.join(twice)}; give each signal and "
                "actuator its own"
            )
        return self


class Database(Part):
    """Where records are kept: an SQLAlchemy URL."""

    url: str = "sqlite:///ladle-data/ladle.sqlite"


class Http(Part):
    """Where pages and API are served."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8480


class Keeping(Part):
    """How long readings are kept before they are thinned."""

    raw_days: Annotated[float, Field(ge=1, le=36_500)] = 14.0
    five_minutes_days: Annotated[float, Field(ge=1, le=36_500)] = 120.0
    commit_every_s: Annotated[float, Field(ge=1, le=60)] = 60.0
    snapshot_every_s: Annotated[float, Field(ge=30, le=900)] = 300.0


class Wiring(Part):
    """The whole TOML file."""

    broker: Broker = Broker()
    database: Database = Database()
    http: Http = Http()
    keeping: Keeping = Keeping()
    homes: Annotated[tuple[HomeWiring, ...], Field(min_length=1)]
    data_folder: Path = Path("ladle-data")

    @model_validator(mode="after")
    def _homes_differ(self) -> Wiring:
        ids = [h.id for h in self.homes]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"homes share the id {', '.join(twice)}; give each its own")
        return self


class HomeSettings(Part):
    """One home's configuration at a moment: what the control step is given."""

    wiring: HomeWiring
    tunables: Tunables
    version: int = 0
