"""How a home is wired to the outside: broker, signals, actuators, feeds. Read from the TOML file.

Every key here is documented with an example in ``config/``. Unknown keys are refused.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator


class Part(BaseModel):
    """The base of all settings: frozen, and no key may be unknown."""

    model_config = ConfigDict(frozen=True, extra="forbid")


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
    IMPORT_POWER = "import_power"
    EXPORT_POWER = "export_power"
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


class Signal(Part):
    """One value that arrives on a topic.

    ``unit`` is what the payload carries and is converted explicitly; for a flow meter it decides
    whether it is a rate (L/min, L/h, m3/h), a running total (L, m3) or pulses (pulse, with
    litres_per_pulse); for electricity whether it is power (W, kW) or a running total (Wh, kWh).
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9_]{1,40}$")]
    measures: Quantity
    topic: Annotated[str, Field(min_length=1)]
    format: Literal["number", "json", "senml"] = "number"
    value: str = "@"  # JMESPath to the value, or the record's SenML name
    stamp: str | None = None  # JMESPath to the moment of measuring
    stamp_unit: Literal["s", "ms", "iso8601"] = "s"
    unit: Unit
    litres_per_pulse: Annotated[float, Field(gt=0)] | None = None
    height_m: Annotated[float, Field(ge=0)] | None = None  # probes: above the cylinder's floor
    place: Literal["cold_feed", "hot_outlet", "mixed_line"] | None = None  # draw_flow only
    offset: float = 0.0  # added after conversion, in the base unit
    stale_after_s: Annotated[float, Field(gt=0)] = 300.0
    on_values: tuple[str, ...] = ("1", "on", "true")  # contacts: what counts as closed


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
    block_limit_s_per_day: Annotated[float, Field(ge=0)] = 7200.0
    backup_heater_in_state_4: bool = False

    @model_validator(mode="after")
    def _form_has_what_it_needs(self) -> Actuator:
        if self.form is Form.SET_TEMPERATURE and "{set_c}" not in self.run:
            raise ValueError(
                "form set_temperature needs {set_c} in 'run', for example run = \"{set_c}\""
            )
        if self.form in (Form.TERMINALS, Form.DIVERTER) and not self.second_topic:
            raise ValueError(f"form {self.form} needs second_topic")
        return self


class PriceFeed(Part):
    """Where a price series comes from: one of http, mqtt or csv."""

    kind: Literal["http", "mqtt", "csv"]
    address: str  # URL, topic or file
    rows: str = "@"  # JMESPath to the list of intervals
    start: str = "start"
    end: str | None = "end"
    price: str = "price"
    slot_minutes: Annotated[int, Field(ge=5, le=120)] | None = None  # when rows carry no end
    per_kwh_factor: float = 1.0  # 0.001 for prices per MWh, 0.01 for hundredths
    every_minutes: Annotated[int, Field(ge=5)] = 60
    export: bool = False


class WeatherFeed(Part):
    """Where forecasts of outdoor temperature or PV surplus come from (HTTP, JMESPath)."""

    address: str
    rows: str = "@"
    start: str = "start"
    outdoor_c: str | None = None
    surplus_w: str | None = None
    every_minutes: Annotated[int, Field(ge=10)] = 180


class CalendarFeed(Part):
    """An iCalendar file or URL whose events mean guests or an absence."""

    address: str
    guests_word: str = "guests"  # an event whose summary holds it; a number in it counts people
    away_word: str = "away"
    every_minutes: Annotated[int, Field(ge=10)] = 60


class Notify(Part):
    """Who hears of faults, besides the page and the retained MQTT topic."""

    webhook: str | None = None
    mail_to: tuple[str, ...] = ()
    mail_from: str | None = None
    smtp_host: str | None = None
    smtp_port: Annotated[int, Field(ge=1, le=65535)] = 587
    smtp_user: str | None = None
    smtp_password: SecretStr | None = None
    remind_after_h: Annotated[float, Field(gt=0)] = 24.0
