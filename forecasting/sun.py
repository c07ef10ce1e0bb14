"""Where the sun stands, and what a clear sky would give.

Position from the `astral` package (NOAA's equations, within a few hundredths of a degree of the
solar position algorithm); clear-sky irradiance by Haurwitz's formula, which needs the height of
the sun alone and is among the best of the simple ones.

References:
    [1] B. Haurwitz 1945, Insolation in relation to cloudiness and cloud density, J. Meteorology 2.
    [2] M. Reno, C. Hansen, J. Stein 2012, Global horizontal irradiance clear sky models,
        SAND2012-2389 (compares [1] with others).
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from zoneinfo import ZoneInfo

import numpy as np
from astral import Observer
from astral.sun import elevation

from forecasting.types import Floats, Ints


@dataclass(frozen=True)
class Place:
    """Where a home stands, degrees north and degrees east."""

    latitude_deg: float
    longitude_deg: float


@lru_cache(maxsize=1)
def _zone_places() -> dict[str, Place]:
    """Principal place of each zone, from the time-zone database's own table (ISO 6709)."""
    text = (resources.files("tzdata") / "zoneinfo" / "zone.tab").read_text("utf-8")
    found = {}
    for line in text.splitlines():
        if line.startswith("#") or not line.strip():
            continue
        _, position, name = line.split("\t")[:3]
        north, east = re.findall(r"[+-]\d+", position)
        found[name] = Place(_degrees(north, 2), _degrees(east, 3))
    return found


def _degrees(text: str, whole: int) -> float:
    """Degrees of +DDMM, +DDDMM, +DDMMSS or +DDDMMSS with so many whole digits."""
    digits = text[1:]
    value = int(digits[:whole]) + int(digits[whole : whole + 2]) / 60.0
    if len(digits) > whole + 2:
        value += int(digits[whole + 2 :]) / 3600.0
    return -value if text[0] == "-" else value


@lru_cache(maxsize=1)
def _zone_links() -> dict[str, str]:
    """The zone that each other name of one stands for, from the time-zone database itself."""
    text = (resources.files("tzdata") / "zoneinfo" / "tzdata.zi").read_text("utf-8")
    links = (line.split() for line in text.splitlines() if line.startswith("L "))
    return {name: target for _, target, name in links}


def has_town(zone: ZoneInfo) -> bool:
    """Whether a zone has a principal town of its own, and is no other name or bare offset."""
    return zone.key in _zone_places()


def place_of_zone(zone: ZoneInfo) -> Place:
    """A place to start from when nobody said where the home stands: its zone's principal town.

    Another name of a zone (NZ, Asia/Calcutta) stands where that zone does; one without any town
    (UTC, Etc/GMT+3) is put at 50 degrees north.
    """
    places, name = _zone_places(), zone.key
    if name not in places:
        name = _zone_links().get(name, name)
    return places.get(name, Place(50.0, 0.0))


def sun_height_deg(at_s: Ints, place: Place) -> Floats:
    """Height of the sun's centre above the horizon without refraction, degrees, shape (n,)."""
    return np.array([height_deg(s, place) for s in np.ravel(at_s).tolist()], np.float64)


@lru_cache(maxsize=4096)  # the slots of a horizon come again in every forecast until they are past
def height_deg(at_s: float, place: Place) -> float:
    """Height of the sun at one moment, degrees; see ``sun_height_deg``."""
    observer = Observer(place.latitude_deg, place.longitude_deg)
    moment = dt.datetime.fromtimestamp(int(at_s), dt.UTC)
    return float(elevation(observer, moment, with_refraction=False))


def clear_sky_w_per_m2(height_deg: Floats) -> Floats:
    """Global horizontal irradiance under a clear sky, W/m2, from the sun's height [1]."""
    up = np.sin(np.radians(np.asarray(height_deg, np.float64)))
    high = np.maximum(up, 1e-6)
    return np.asarray(np.where(up > 0, 1098.0 * high * np.exp(-0.059 / high), 0.0))
