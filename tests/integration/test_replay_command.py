"""``ladle replay``: what a stretch came to with Ladle, and what it would have come to without."""

import re
import subprocess
from pathlib import Path

import pytest

from tests import config_text
from tests.serving import LADLE

L_KWH_PER_DAY = 11.655  # EN 16147, load profile L: tapping energy of a day
LOSS_KWH_PER_DAY = 1.9  # of the configuration, at 45 K above the room


def _replay(config: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [LADLE, "replay", "--config", str(config), *more],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


def _columns(said: str, name: str) -> tuple[float, float]:
    """The first figure in each of the two columns of a row."""
    (line,) = (line for line in said.splitlines() if line.strip().startswith(name))
    with_ladle, alone = re.split(r"\s{2,}", line.strip())[1:3]
    return float(with_ladle.split()[0]), float(alone.split()[0])


def test_left_alone_an_immersion_heater_gives_what_is_drawn_and_lost(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    text = config.read_text(encoding="utf-8")
    text = re.sub(r"\[homes.heat_pump\].*?\n\n", "", text, flags=re.DOTALL)
    text = re.sub(r'\[\[homes.actuators\]\]\nname = "pump".*?\n\n', "", text, flags=re.DOTALL)
    text = re.sub(r'\[\[homes.signals\]\]\nname = "pump_power".*?\n\n', "", text, flags=re.DOTALL)
    config.write_text(text, encoding="utf-8")
    done = _replay(config, "--draws", "L", "--days", "2")
    assert done.returncode == 0, done.stdout + done.stderr
    kwh = _columns(done.stdout, "immersion heater")
    gained = _columns(done.stdout, "heat gained")
    cost = _columns(done.stdout, "hot water cost")
    for n in (0, 1):
        given = kwh[n] - gained[n] - 2 * L_KWH_PER_DAY
        assert 0 < given < 2 * 1.3 * LOSS_KWH_PER_DAY, (n, kwh, gained)
    # every kWh is paid at one of the two prices of the file
    assert 0.12 * kwh[1] <= cost[1] <= 0.32 * kwh[1]
    assert "invented weather" in done.stdout


def test_a_file_of_draws_is_lived_from_its_first_day_to_its_last(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    file = tmp_path / "draws.csv"
    file.write_text("start,litres_40c,seconds\n2026-03-01T07:00,40,300\n2026-03-02T07:00,40,300\n")
    done = _replay(config, "--draws", str(file))
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"days +2\.0 ", done.stdout)
    assert re.search(r"wanted +80 L at 40 °C in 2 draws", done.stdout)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--since", "2026-04-01"), "no draw lies within 365 days from 2026-04-01"),
        (("--since", "2026-13-01"), "--since 2026-13-01 is no day"),
    ],
)
def test_a_stretch_without_draws_is_refused(
    tmp_path: Path, more: tuple[str, ...], said: str
) -> None:
    config = config_text.write(tmp_path, 1883)
    file = tmp_path / "draws.csv"
    file.write_text("start,litres_40c\n2026-03-01T07:00,40\n")
    done = _replay(config, "--draws", str(file), *more)
    assert done.returncode == 2
    assert said in " ".join(done.stderr.replace("│", " ").split())
