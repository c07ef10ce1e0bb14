"""A configuration for tests: the 300 L cylinder of ``plain_publisher``, as a TOML file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from tests.plain_publisher import HEIGHT_M, PROBES_M


def zone_where_it_is(hour: int, now_utc: datetime) -> str:
    """A zone of whole hours in which the local hour is ``hour`` now."""
    ahead = (hour - now_utc.hour + 12) % 24 - 12
    return "Etc/UTC" if ahead == 0 else f"Etc/GMT{-ahead:+d}"  # its signs are the other way round


def write(
    folder: Path,
    port: int,
    zone: str = "Europe/Paris",
    broker: str = "",
    http_port: int = 0,
    keeping: str = "commit_every_s = 1",
    stamped: bool = True,
) -> Path:
    """Write ``ladle.toml`` into ``folder``; its database lies there too.

    Without ``stamped`` the probes send bare numbers that say nothing of their age.
    """
    form = 'format = "json"\nvalue = "c"\nstamp = "t"' if stamped else 'format = "number"'
    probes = "\n".join(
        f"""
[[homes.signals]]
name = "probe_{n}"
measures = "probe"
topic = "plant/probe/{n}"
{form}
unit = "Cel"
height_m = {height}
stale_after_s = 30
"""
        for n, height in enumerate(PROBES_M, 1)
    )
    text = f"""
[broker]
host = "127.0.0.1"
port = {port}
{broker}

[database]
url = "sqlite:///{folder}/ladle.sqlite"

[http]
port = {http_port}

[keeping]
{keeping}

[[homes]]
id = "home"
title = "Test house"
zone = "{zone}"
currency = "EUR"

[homes.cylinder]
volume_l = 300
height_m = {HEIGHT_M}
standing_loss_kwh_per_day = 1.9
thermostat_c = 65
cutout_c = 80
mixing_valve_c = 48
immersion_height_m = 0.1

[homes.heat_pump]
layout = "plate"
capacity_w = 6000
min_run_s = 0
min_rest_s = 0

[homes.immersion]
power_w = 3000
{probes}
[[homes.signals]]
name = "draw"
measures = "draw_flow"
topic = "plant/draw"
format = "json"
value = "total_l"
stamp = "t"
unit = "L"
place = "hot_outlet"
stale_after_s = 30

[[homes.signals]]
name = "cold"
measures = "cold_inlet_temperature"
topic = "plant/cold"
unit = "Cel"

[[homes.signals]]
name = "outdoor"
measures = "outdoor_temperature"
topic = "plant/outdoor"
unit = "Cel"

[[homes.signals]]
name = "pump_power"
measures = "heat_pump_electricity"
topic = "plant/pump_power"
unit = "W"

[[homes.actuators]]
name = "pump"
source = "heat_pump"
form = "on_off"
topic = "plant/pump/set"
lease_s = 30
released_by = "own_timer"
released_state = "its own hot-water control"

[[homes.actuators]]
name = "element"
source = "immersion"
form = "on_off"
topic = "plant/element/set"
lease_s = 30
released_by = "own_timer"
released_state = "off"

[homes.first]
occupants = 4
normal_set_c = 55

[[homes.first.tariff.bands]]
import_per_kwh = 0.12
from_time = "01:00"
until_time = "05:00"

[[homes.first.tariff.bands]]
import_per_kwh = 0.32
"""
    path = folder / "ladle.toml"
    path.write_text(text, encoding="utf-8")
    return path
