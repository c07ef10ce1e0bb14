"""``ladle replay``: what a stretch came to with Ladle, and what it would have come to without."""

import io
import re
from datetime import timedelta
from pathlib import Path
from subprocess import CompletedProcess
from unittest.mock import patch
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from adapters.types import PriceSeries
from forecasting.types import DrawHistory
from service.control.types import Work, WorkDone
from service.control.work import perform
from service.records.records import Records
from service.settings_check import load
from service.simulation import replay as replays
from service.simulation import replaying, sources
from service.simulation.replay import HotWater
from tests import config_text
from tests.commands import call, process
from tests.records_samples import NOW, NOW_S, draw, fresh, outputs, reading

L_KWH_PER_DAY = 11.655  # EN 16147, load profile L: tapping energy of a day
DAY = timedelta(days=1)
LOSS_KWH_PER_DAY = 1.9  # of the configuration, at 45 K above the room


def _replay(config: Path, *more: str) -> CompletedProcess[str]:
    return call("replay", "--config", str(config), *more)


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
    assert "knew nothing of this household" in " ".join(done.stdout.split())
    # the closing sentence: what was used and lost, all of it paid for
    used = [c * (1 - g / k) for c, g, k in zip(cost, gained, kwh, strict=True)]
    (saved,) = re.findall(r"hot water cost (\d+\.\d+) EUR less", " ".join(done.stdout.split()))
    assert float(saved) == pytest.approx(used[1] - used[0], abs=0.1)


def test_the_sun_on_a_homes_panels_heats_its_water(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    meter = '\n[[homes.signals]]\nname = "x"\nmeasures = "export_power"\nunit = "W"\ntopic = "x"\n'
    config.write_text(config.read_text(encoding="utf-8") + meter, encoding="utf-8")
    days = ("--draws", "M", "--days", "2", "--since", "2026-06-08")
    dark, sunny = (_replay(config, *days, *sun) for sun in ((), ("--pv-peak-w", "5000")))
    assert "say with --pv-peak-w" in " ".join(dark.stdout.split())
    assert "--pv-peak-w" not in sunny.stdout
    assert _columns(dark.stdout, "surplus used by both") == (0.0, 0.0)
    (taken, alone), (cost, _) = (
        _columns(sunny.stdout, row) for row in ("surplus used by both", "hot water cost")
    )
    bought = sum(_columns(sunny.stdout, row)[0] for row in ("heat pump", "immersion")) - taken
    # left alone the heat pump takes some: the row is not part of the immersion heater's above it
    assert alone > 0.0
    assert _columns(sunny.stdout, "immersion heater")[1] == 0.0
    assert taken > alone
    # of the same draws less is bought, though the first disinfection falls where it may
    assert bought < sum(_columns(dark.stdout, row)[0] for row in ("heat pump", "immersion"))
    assert cost < _columns(dark.stdout, "hot water cost")[0]
    # the grid pays nothing for surplus here, and all else is paid at one of the file's prices
    assert 0.12 * bought <= cost + 0.02
    assert cost <= 0.32 * bought + 0.02


def test_a_file_of_draws_is_lived_from_its_first_day_to_its_last(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    file = tmp_path / "draws.csv"
    file.write_text("start,litres_40c,seconds\n2026-03-01T07:00,40,300\n2026-03-02T07:00,50,300\n")
    done = process("replay", "--config", str(config), "--draws", str(file))
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"days +2\.0 ", done.stdout)
    assert re.search(r"wanted +90 L at 40 °C in 2 draws", done.stdout)
    latest = _replay(config, "--draws", str(file), "--days", "1")
    assert re.search(r"wanted +50 L at 40 °C in 1 draw", latest.stdout), latest.stdout


def test_a_replay_hastens_unless_asked_for_the_services_own_pace(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    steps, costs = [], []
    for pace in ((), ("--own-pace",)):
        done = _replay(config, "--draws", "S", "--days", "1", "--since", "2026-03-02", *pace)
        assert done.returncode == 0, done.stdout + done.stderr
        (took,) = re.findall(r"for (\d+) steps", done.stdout)
        steps.append(int(took))
        costs.append(_columns(done.stdout, "hot water cost")[0])
    assert steps[0] < 0.7 * steps[1]
    assert costs[0] == pytest.approx(costs[1], rel=0.2)


def test_recorded_draws_are_priced_by_what_the_feed_told(tmp_path: Path) -> None:
    """At one price at all hours every kWh costs just that, whatever the bands say."""
    config = config_text.write(tmp_path, 1883)
    feed = '[[homes.price_feeds]]\nkind = "mqtt"\naddress = "plant/prices"\n\n[homes.first]'
    text = config.read_text(encoding="utf-8").replace("[homes.first]", feed)
    config.write_text(text, encoding="utf-8")
    records = Records.open(fresh(tmp_path / "ladle.sqlite"))
    try:
        records.store("home", outputs(draws=(draw(NOW - DAY, 60.0), draw(NOW, 60.0))))
        hours = [NOW_S // 3600 * 3600 + 3600 * n for n in range(-48, 36)]
        ends = tuple(h + 3600 for h in hours)
        prices = PriceSeries(tuple(hours), ends, (0.5,) * len(hours), float(NOW_S))
        records.add_prices("home", prices)
    finally:
        records.close()
    done = _replay(config, "--draws", "records")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "the prices its feeds told" in " ".join(done.stdout.split())
    pump, element = _columns(done.stdout, "heat pump"), _columns(done.stdout, "immersion heater")
    cost = _columns(done.stdout, "hot water cost")
    for n in (0, 1):
        assert pump[n] + element[n] > 1.0
        assert cost[n] == pytest.approx(0.5 * (pump[n] + element[n]), abs=0.06)  # as rounded


def test_a_replay_begins_with_what_the_records_before_it_taught(tmp_path: Path) -> None:
    """Three weeks of a draw each evening, and one of a silence in which nobody watched."""
    config = config_text.write(tmp_path, 1883)
    records = Records.open(fresh(tmp_path / "ladle.sqlite"))
    try:
        old = [draw(NOW - n * DAY, 90.0) for n in range(35, 14, -1)]
        records.import_draws("home", old, NOW - 36 * DAY, NOW - 14 * DAY)
        new = [draw(NOW - n * DAY, 90.0) for n in (6, 5, 4)]
        records.import_draws("home", new, NOW - 7 * DAY, NOW)
    finally:
        records.close()
    wiring = load(config)
    learned: list[DrawHistory] = []

    def watched(work: Work, history: DrawHistory, *, brief: bool) -> WorkDone:
        if work.kind == "learn":
            learned.append(history)
        return perform(work, history, brief=brief)

    out = io.StringIO()
    with patch.object(replays, "perform", watched):
        replaying.replay(
            wiring, wiring.homes[0], "records", 1, "2026-02-24", None, 1, Console(file=out)
        )
    assert "knew the household by the 28 days of draws" in " ".join(out.getvalue().split())
    assert len(learned[0].start_s) == len(old)
    assert learned[0].start_s[0] == old[0].start.timestamp()
    ((begin_s, end_s),) = learned[0].gaps_s.tolist()
    assert end_s - begin_s == 7 * 86_400


def test_recorded_draws_are_lived_in_the_outdoor_air_that_was_recorded(tmp_path: Path) -> None:
    """A heat pump takes more electricity for the same water in frost (rating points, EN 14511)."""
    config = config_text.write(tmp_path, 1883)
    kwh = []
    for outdoor_c in (-7.0, 12.0):
        records = Records.open(fresh(tmp_path / "ladle.sqlite"))
        try:
            records.store("home", outputs(draws=(draw(NOW - DAY / 4, 90.0), draw(NOW, 90.0))))
            told_s = range(NOW_S - 2 * 86_400, NOW_S + 86_400, 900)
            records.add_readings("home", [reading("outdoor", s, outdoor_c) for s in told_s])
        finally:
            records.close()
        done = _replay(config, "--draws", "records")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "in the outdoor air that its sensor told, in" in " ".join(done.stdout.split())
        kwh.append(_columns(done.stdout, "heat pump")[1])
    assert kwh[0] > 1.3 * kwh[1]


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


def test_draws_that_are_nowhere_are_refused_with_everything_that_may_be_named(
    tmp_path: Path,
) -> None:
    done = _replay(config_text.write(tmp_path, 1), "--draws", "ours")
    assert done.returncode == 2
    said = re.sub(r"[\s│]+", " ", done.stdout + done.stderr)
    assert "'ours' is no file, no profile and no household; there are: records, S, M" in said


@pytest.mark.parametrize(
    "text", ["", "2026-11-26T07:00,100,600\n", "start;litres_40c;seconds\n2026-11-26;100;60\n"]
)
def test_a_file_of_draws_without_its_heading_line_is_told_so(tmp_path: Path, text: str) -> None:
    file = tmp_path / "draws.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(sources.BadDraws, match="the first line must name the columns"):
        list(sources.from_csv(file, ZoneInfo("Europe/Paris")))


def test_a_file_of_draws_may_begin_with_a_byte_order_mark(tmp_path: Path) -> None:
    file = tmp_path / "draws.csv"
    file.write_text("start,litres_40c\n2026-11-26T07:00,100\n", encoding="utf-8-sig")
    assert len(list(sources.from_csv(file, ZoneInfo("Europe/Paris")))) == 1


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-03-01T07:00,4O,300", "line 2: '4O' is no number for litres_40c; write decimals"),
        ('2026-03-01T07:00,"40,5",300', "line 2: '40,5' is no number for litres_40c"),
        ("2026-03-01T07:00,40,soon", "line 2: 'soon' is no number for seconds"),
        ("01.03.2026 07:00,40,300", "line 2: '01.03.2026 07:00' is no time; write it like"),
        ("2026-03-01T07:00", "line 2: litres_40c is missing; it needs the columns"),
        (",40,300", "line 2: start is missing; it needs the columns"),
        ("x" * 90_000 + ",40,300", f"line 2: '{'x' * 40}' is no time; write it like"),
        ("x" * 200_000 + ",40,300", "line 2: field larger than field limit"),
    ],
)
def test_a_line_that_cannot_be_read_is_told_in_words(tmp_path: Path, row: str, said: str) -> None:
    file = tmp_path / "draws.csv"
    file.write_text(f"start,litres_40c,seconds\n{row}\n")
    with pytest.raises(sources.BadDraws, match=re.escape(said)):
        list(sources.from_csv(file, ZoneInfo("Europe/Paris")))


def test_a_file_that_cannot_be_read_is_told_with_its_mend(tmp_path: Path) -> None:
    file = tmp_path / "draws.csv"
    for said in ("(No such file or directory); check the path", "is not UTF-8 text; save it as"):
        with pytest.raises(sources.BadDraws, match=re.escape(said)):
            list(sources.from_csv(file, ZoneInfo("Europe/Paris")))
        file.write_bytes(b"\xff\xfe\x00")


def test_a_file_of_draws_may_have_any_name(tmp_path: Path) -> None:
    file = tmp_path / "draws.txt"
    file.write_text("start,litres_40c\n2026-03-01T07:00,40\n")
    done = _replay(config_text.write(tmp_path, 1883), "--draws", str(file))
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"wanted +40 L at 40 °C in 1 draw", done.stdout)


def test_a_strangers_model_that_cannot_be_started_is_told_so(tmp_path: Path) -> None:
    done = _replay(config_text.write(tmp_path, 1883), "--draws", "S", "--tank", "no-such-model")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    said = re.sub(r"[\s│]+", " ", done.stdout + done.stderr)
    assert "the cylinder model no-such-model cannot be started: No such file" in said


@pytest.mark.parametrize(
    ("theirs", "said"),
    [
        (3.004, "hot water cost the same. Heat"),
        (4.0, "hot water cost 1.00 EUR less (25 in 100). Heat"),
        (2.0, "hot water cost 1.00 EUR more (50 in 100). Heat"),
    ],
)
def test_a_difference_that_rounds_to_nothing_is_none(theirs: float, said: str) -> None:
    with_ladle, alone = HotWater(hot_water_cost=3.0), HotWater(hot_water_cost=theirs)
    assert said in replaying._saved(with_ladle, alone, "EUR")
