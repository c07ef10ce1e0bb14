"""How a home is wired to the outside: broker, signals, actuators, feeds. Read from the TOML file.

Every key here is documented with an example in ``config/``. Unknown keys are refused.
"""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import jmespath
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationInfo,
    field_validator,
    model_validator,
)

from adapters.types import SeriesOf


class Part(BaseModel):
    """The base of all settings: frozen, no key may be unknown, no number endless or none at all."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Broker(Part):
    """The MQTT broker."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["5", "3.1.1"] = "5"
    user: str | None = None
    password: SecretStr | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    client_certificate: Path | None = None
    client_key: Path | None = None
    client_id: str = "ladle"  # belongs to a shard of homes, not to a process
    prefix: str = "ladle"  # our own topics: <prefix>/<home>/...
    keepalive_s: Annotated[int, Field(ge=5, le=600)] = 30
    session_expiry_s: Annotated[int, Field(ge=0)] = 7 * 86400
    receive_maximum: Annotated[int, Field(ge=1, le=65535)] = 1000

    @field_validator("host")
    @classmethod
    def _host_is_a_name_or_an_address(cls, value: str) -> str:
        if not value.strip() or "/" in value or re.fullmatch(r"[^:]*:\d+", value):
            raise ValueError("expected a name or an address alone; the port has a key of its own")
        return value


def _one_topic(value: str) -> str:
    if any(c in value for c in "+#\0") or len(value.encode()) > 65535:
        raise ValueError("must be one topic, without the wildcards + and #")
    return value


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError("not a time zone of the IANA database, e.g. Europe/Paris") from error
    return value


def _compiles(expression: str) -> None:
    try:
        jmespath.compile(expression)
    except jmespath.exceptions.JMESPathError as error:
        first = str(error).splitlines()[0]
        raise ValueError(f"{expression!r} is not a JMESPath expression: {first}") from error


class Quantity(StrEnum):
    """What a signal measures."""

    PROBE = "probe"
    OUTLET_TEMPERATURE = "outlet_temperature"
    COLD_INLET_TEMPERATURE = "cold_inlet_temperature"
    OUTDOOR_TEMPERATURE = "outdoor_temperature"
    AMBIENT_TEMPERATURE = "ambient_temperature"
    DRAW_FLOW = "draw_flow"
    HEAT_PUMP_ELECTRICITY = "heat_pump_electricity"
    HEAT_PUMP_HEAT = "heat_pump_heat"
    HEAT_PUMP_FLOW_TEMPERATURE = "heat_pump_flow_temperature"
    IMMERSION_ELECTRICITY = "immersion_electricity"
    IMPORT_POWER = "import_power"  # below zero it leaves the home
    EXPORT_POWER = "export_power"  # and the other way round
    SECONDARY_RETURN = "secondary_return"  # its pump runs: a contact
    SPACE_HEATING = "space_heating"  # the heat pump is needed by the rooms: a contact


Unit = Literal[
    "Cel",
    "degF",
    "K",
    "L/min",
    "L/h",
    "L/s",
    "m3/h",
    "L",
    "m3",
    "pulse",
    "W",
    "kW",
    "Wh",
    "kWh",
    "J",
    "contact",
]


class Kind(StrEnum):
    """What a converted value is, with its base unit."""

    TEMPERATURE = "temperature"  # degC
    FLOW = "flow"  # L/min
    VOLUME = "volume"  # L, a running total
    POWER = "power"  # W
    ENERGY = "energy"  # kWh, a running total
    CONTACT = "contact"  # 0 or 1


KIND_OF_UNIT: dict[Unit, Kind] = {
    "Cel": Kind.TEMPERATURE,
    "degF": Kind.TEMPERATURE,
    "K": Kind.TEMPERATURE,
    "L/min": Kind.FLOW,
    "L/h": Kind.FLOW,
    "L/s": Kind.FLOW,
    "m3/h": Kind.FLOW,
    "L": Kind.VOLUME,
    "m3": Kind.VOLUME,
    "pulse": Kind.VOLUME,
    "W": Kind.POWER,
    "kW": Kind.POWER,
    "Wh": Kind.ENERGY,
    "kWh": Kind.ENERGY,
    "J": Kind.ENERGY,
    "contact": Kind.CONTACT,
}

_TEMPERATURES = frozenset({Kind.TEMPERATURE})
_METERED = frozenset({Kind.POWER, Kind.ENERGY})

KINDS_OF_QUANTITY: dict[Quantity, frozenset[Kind]] = {
    Quantity.PROBE: _TEMPERATURES,
    Quantity.OUTLET_TEMPERATURE: _TEMPERATURES,
    Quantity.COLD_INLET_TEMPERATURE: _TEMPERATURES,
    Quantity.OUTDOOR_TEMPERATURE: _TEMPERATURES,
    Quantity.AMBIENT_TEMPERATURE: _TEMPERATURES,
    Quantity.HEAT_PUMP_FLOW_TEMPERATURE: _TEMPERATURES,
    Quantity.DRAW_FLOW: frozenset({Kind.FLOW, Kind.VOLUME}),
    Quantity.HEAT_PUMP_ELECTRICITY: _METERED,
    Quantity.HEAT_PUMP_HEAT: _METERED,
    Quantity.IMMERSION_ELECTRICITY: _METERED,
    Quantity.IMPORT_POWER: frozenset({Kind.POWER}),
    Quantity.EXPORT_POWER: frozenset({Kind.POWER}),
    Quantity.SECONDARY_RETURN: frozenset({Kind.CONTACT}),
    Quantity.SPACE_HEATING: frozenset({Kind.CONTACT}),
}


class Signal(Part):
    """One value that arrives on a topic.

    ``unit`` is what the payload carries and is converted explicitly; for a flow meter it decides
    whether it is a rate (L/min, L/h, m3/h), a running total (L, m3) or pulses (pulse, with
    litres_per_pulse); for electricity whether it is power (W, kW) or a running total (Wh, kWh).
    Signals of the grid's meter add up, one for each phase say; power in and out is one balance.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9_]{1,40}$")]
    measures: Quantity
    topic: Annotated[str, Field(min_length=1)]
    format: Literal["number", "json", "senml"] = "number"
    value: str = "@"  # JMESPath to the value, or the record's SenML name
    stamp: str | None = None  # JMESPath to the moment of measuring
    stamp_unit: Literal["s", "ms", "iso8601"] = "s"
    unit: Unit
    litres_per_pulse: Annotated[float, Field(gt=0, le=1000)] | None = None
    height_m: Annotated[float, Field(ge=0)] | None = None  # probes: above the cylinder's floor
    place: Literal["cold_feed", "hot_outlet", "mixed_line"] | None = None  # draw_flow only
    offset: float = 0.0  # added after conversion, in the base unit
    stale_after_s: Annotated[float, Field(ge=1)] = 300.0
    on_values: tuple[str, ...] = ("1", "on", "true")  # contacts: what counts as closed
    off_values: tuple[str, ...] = ("0", "off", "false")  # and as open; anything else is refused

    @property
    def kind(self) -> Kind:
        """What the converted value is: a temperature, a rate, a running total, ..."""
        return KIND_OF_UNIT[self.unit]

    @field_validator("topic")
    @classmethod
    def _topic_is_one_topic(cls, value: str) -> str:
        return _one_topic(value)

    @model_validator(mode="after")
    def _fits_together(self) -> Signal:
        allowed = KINDS_OF_QUANTITY[self.measures]
        if self.kind not in allowed:
            units = ", ".join(u for u, kind in KIND_OF_UNIT.items() if kind in allowed)
            raise ValueError(f"{self.measures} cannot be in {self.unit}; use one of {units}")
        if self.measures is Quantity.PROBE and self.height_m is None:
            raise ValueError("a probe needs height_m, its height above the cylinder's floor")
        if self.measures is Quantity.DRAW_FLOW and self.place is None:
            raise ValueError("draw_flow needs place: cold_feed, hot_outlet or mixed_line")
        if (self.unit == "pulse") != (self.litres_per_pulse is not None):
            raise ValueError("unit pulse and litres_per_pulse belong together")
        if self.format == "json":
            _compiles(self.value)
            if self.stamp is not None:
                _compiles(self.stamp)
        elif self.stamp is not None:
            raise ValueError("stamp is for format json; SenML carries its own, a bare number none")
        return self


class Form(StrEnum):
    """The forms a command to an actuator can take."""

    ON_OFF = "on_off"
    SET_TEMPERATURE = "set_temperature"
    DIVERTER = "diverter"
    TERMINALS = "terminals"  # two contacts with the four published smart-grid states


class Actuator(Part):
    """One thing Ladle commands, and who releases it when Ladle is gone.

    ``run``/``release`` are payloads; ``{set_c}``, ``{power_w}`` and ``{lease_s}`` are filled in.
    released_by: own_timer (the actuator drops the command after lease_s without a repeat),
    heartbeat (a watchdog elsewhere watches <prefix>/<home>/heartbeat), hard_wired (a contact
    or thermostat in series), nobody (refused unless latching_accepted_by names an installer).
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9_]{1,40}$")]
    source: Literal["heat_pump", "immersion"]
    form: Form
    topic: Annotated[str, Field(min_length=1)]
    second_topic: str | None = None  # terminals: the second contact; diverter: the target
    run: str = "1"
    release: str = "0"
    lease_s: Annotated[float, Field(ge=30, le=7200)] = 600.0
    released_by: Literal["own_timer", "heartbeat", "hard_wired", "nobody"]
    released_state: str  # in words: what the plant does when released
    latching_accepted_by: str | None = None
    min_power_w: Annotated[float, Field(ge=0)] = 0.0  # diverter
    surplus_only: bool = False  # terminals: states act on the whole heat pump, see control
    hot_water_alone_confirmed_by: str | None = None  # terminals: who commissioned it so
    rest_c: Annotated[float, Field(ge=5, le=40)] | None = None  # set_temperature: see knows_block
    run_state: Literal[3, 4] = 3  # terminals: run recommends (3) or is a definite start (4)
    block_limit_s_per_day: Annotated[float, Field(ge=0)] = 7200.0
    backup_heater_in_state_4: bool = False

    @property
    def knows_block(self) -> bool:
        """Whether it can ask its plant not to run: terminals, or a low set temperature to write."""
        return self.form is Form.TERMINALS or self.rest_c is not None

    @field_validator("topic", "second_topic")
    @classmethod
    def _topic_is_one_topic(cls, value: str | None) -> str | None:
        return None if value is None else _one_topic(value)

    @field_validator("rest_c")
    @classmethod
    def _rest_is_written(cls, value: float | None, info: ValidationInfo) -> float | None:
        form = info.data.get("form")  # absent when it was refused itself
        if value is not None and form not in (None, Form.SET_TEMPERATURE):
            raise ValueError(
                f"it is a set temperature, and form {form} takes none: leave it out, or use form "
                "set_temperature"
            )
        return value

    @model_validator(mode="after")
    def _form_has_what_it_needs(self) -> Actuator:
        if self.form is Form.SET_TEMPERATURE and "{set_c}" not in self.run:
            raise ValueError(
                "form set_temperature needs {set_c} in 'run', for example run = \"{set_c}\""
            )
        if self.form in (Form.TERMINALS, Form.DIVERTER) and not self.second_topic:
            second = "second contact" if self.form is Form.TERMINALS else "target in W"
            raise ValueError(f"form {self.form} needs second_topic, the topic of its {second}")
        if self.form is Form.DIVERTER and self.source != "immersion":
            raise ValueError('a diverter feeds an immersion heater: source = "immersion"')
        return self


class PriceFeed(Part):
    """Where a series of prices or carbon intensities comes from: one of http, mqtt or csv."""

    kind: Literal["http", "mqtt", "csv"]
    address: str  # URL, topic or file
    rows: str = "@"  # JMESPath to the list of intervals
    start: str = "start"
    end: str | None = "end"
    time_unit: Literal["iso8601", "s", "ms"] = "iso8601"
    zone: str | None = None  # of times without an offset; None refuses them
    price: str = "price"
    slot_minutes: Annotated[int, Field(ge=5, le=120)] | None = None  # when rows carry no end
    # 0.001 for prices per MWh, 0.01 for hundredths; carbon in g
    per_kwh_factor: Annotated[float, Field(gt=0)] = 1.0
    every_minutes: Annotated[int, Field(ge=5, le=10_080)] = 60
    of: SeriesOf = "import"

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        return None if value is None else _zone(value)

    @model_validator(mode="after")
    def _expressions_compile(self) -> PriceFeed:
        if self.kind == "mqtt":
            _one_topic(self.address)
        if self.kind != "csv":
            for expression in filter(None, (self.rows, self.start, self.end, self.price)):
                _compiles(expression)
        return self


class WeatherFeed(Part):
    """Where forecasts of outdoor temperature or PV surplus come from (HTTP, JMESPath)."""

    address: str
    rows: str = "@"
    start: str = "start"
    time_unit: Literal["iso8601", "s", "ms"] = "iso8601"
    zone: str | None = None  # of times without an offset; None refuses them
    outdoor_c: str | None = None
    surplus_w: str | None = None
    every_minutes: Annotated[int, Field(ge=10, le=10_080)] = 180

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        return None if value is None else _zone(value)

    @model_validator(mode="after")
    def _expressions_compile(self) -> WeatherFeed:
        if self.outdoor_c is None and self.surplus_w is None:
            raise ValueError("a weather feed needs outdoor_c or surplus_w, or both")
        for expression in filter(None, (self.rows, self.start, self.outdoor_c, self.surplus_w)):
            _compiles(expression)
        return self


class CalendarFeed(Part):
    """An iCalendar file or URL whose events mean guests or an absence."""

    address: str
    guests_word: str = "guests"  # an event whose summary holds it; a number in it counts people
    away_word: str = "away"
    every_minutes: Annotated[int, Field(ge=10, le=10_080)] = 60


class Notify(Part):
    """Who hears of faults, besides the page and the retained MQTT topic."""

    webhook: str | None = None
    mail_to: tuple[str, ...] = ()
    mail_from: str | None = None
    smtp_host: str | None = None
    smtp_port: Annotated[int, Field(ge=1, le=65535)] = 587
    smtp_user: str | None = None
    smtp_password: SecretStr | None = None
    remind_after_h: Annotated[float, Field(ge=1, le=8760)] = 24.0

    @model_validator(mode="after")
    def _mail_can_be_sent(self) -> Notify:
        if self.mail_to and not (self.mail_from and self.smtp_host):
            raise ValueError("mail_to needs mail_from and smtp_host")
        return self
