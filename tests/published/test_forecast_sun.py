"""The sun against reference libraries, whose figures are kept here as data.

Heights: pvlib 0.16.1, solarposition.get_solarposition (NREL's solar position algorithm, Reda and
Andreas 2004), elevation without refraction. Irradiance: pvlib 0.16.1, clearsky.haurwitz of the
same zenith angles (Haurwitz 1945).
"""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting.sun import Place, clear_sky_w_per_m2, place_of_zone, sun_height_deg

MOMENTS = ("2024-06-21 12:00", "2024-12-21 12:00", "2024-03-20 07:30", "2024-09-01 17:00")
HEIGHTS = {
    Place(51.48, 0.0): (61.953, 15.078, 12.748, 15.473),
    Place(-33.9, 151.2): (-62.385, -26.63, 6.707, -40.186),
    Place(48.1, 11.6): (63.801, 17.649, 20.938, 8.109),
}
IRRADIANCE = {
    Place(51.48, 0.0): (906.39, 227.67, 185.45, 234.81),
    Place(-33.9, 151.2): (0.0, 0.0, 77.38, 0.0),
    Place(48.1, 11.6): (922.5, 274.02, 332.66, 101.94),
}
AT_S = np.array(
    [int(dt.datetime.fromisoformat(m).replace(tzinfo=dt.UTC).timestamp()) for m in MOMENTS]
)


@pytest.mark.parametrize("place", HEIGHTS)
def test_height_of_the_sun(place):
    np.testing.assert_allclose(sun_height_deg(AT_S, place), HEIGHTS[place], atol=0.05)


@pytest.mark.parametrize("place", IRRADIANCE)
def test_clear_sky(place):
    found = clear_sky_w_per_m2(np.array(HEIGHTS[place]))
    np.testing.assert_allclose(found, IRRADIANCE[place], atol=0.05)


@pytest.mark.parametrize(
    ("zone", "north", "east"),
    [
        ("Europe/London", 51.51, -0.13),
        ("Asia/Kathmandu", 27.72, 85.32),
        ("Australia/Lord_Howe", -31.55, 159.08),
        ("Europe/Oslo", 59.92, 10.75),  # keeps another zone's time since 1970
        ("NZ", -36.87, 174.77),  # another name of Pacific/Auckland
        ("America/Buenos_Aires", -34.60, -58.45),
    ],
)
def test_a_zone_stands_at_its_principal_town(zone, north, east):
    """IANA time-zone database, zone.tab and its links, as shipped by the tzdata package."""
    place = place_of_zone(ZoneInfo(zone))
    assert place.latitude_deg == pytest.approx(north, abs=0.02)
    assert place.longitude_deg == pytest.approx(east, abs=0.02)
