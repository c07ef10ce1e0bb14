"""``ladle check``: what a configuration would do, what is wrong with it, and the real plant."""

import threading
import time
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import httpx

from service.records.records import Records
from service.settings import Hygiene, Tunables
from tests import config_text, mosquitto
from tests.commands import call, process
from tests.plain_publisher import PROBES_M, Plant
from tests.records_samples import NOW
from tests.serving import Serving


def _check(config: Path, *more: str, answers: str = "") -> CompletedProcess[str]:
    return call("check", "--config", str(config), *more, answers=answers)


def test_it_says_what_it_would_subscribe_to_and_command(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    done = process("check", "--config", str(config))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "plant/probe/1  probe_1: probe, Cel" in done.stdout
    assert "plant/pump/set  pump: heat pump, on off; lease 30 s, released by own timer" in (
        done.stdout
    )


def test_it_names_every_topic_that_the_service_publishes(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        plant = Plant(broker.port)
        try:
            with Serving(config):
                for _ in range(8):
                    for n in range(1, len(PROBES_M) + 1):
                        plant.say(f"probe/{n}", {"c": 50.0, "t": round(time.time(), 2)})
                    plant.client.publish("ladle/home/wish", "no wish")
                    time.sleep(0.5)
        finally:
            plant.close()
    topics = plant.heard.keys() - {"ladle/home/wish"}
    assert {"ladle/home/state", "ladle/home/wish/result"} <= topics
    assert any(topic.startswith("ladle/_link/") for topic in topics)
    said = _check(config).stdout.partition("Publishes:")[2].replace(",", " ").split()
    assert topics <= set(said)


def test_a_wrong_key_is_refused_with_value_expectation_and_suggestion(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace("volume_l = 300", "volumn_l = 300"), encoding="utf-8")
    done = _check(config)
    assert done.returncode == 2
    assert "volumn_l = 300" in done.stdout
    assert "volume_l" in done.stdout.replace("volumn_l", "")
    assert "Traceback" not in done.stdout + done.stderr


def _with(config: Path, was: str, now: str) -> Path:
    text = config.read_text(encoding="utf-8")
    assert was in text
    config.write_text(text.replace(was, now), encoding="utf-8")
    return config


def test_a_power_in_kilowatts_is_refused_with_how_to_write_it(tmp_path: Path) -> None:
    done = _check(_with(config_text.write(tmp_path, 1883), "capacity_w = 6000", "capacity_w = 6"))
    assert done.returncode == 2
    assert (
        "refused: home home: heat_pump.capacity_w = 6: expected 200 to 100000 W; write it in W: "
        "6 kW are 6000" in done.stdout
    )


def test_a_power_limit_that_stops_everything_is_said(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    done = _check(_with(config, "occupants = 4", "occupants = 4\npower_limit_w = 1"))
    assert done.returncode == 0
    (line,) = (line for line in done.stdout.splitlines() if "power_limit_w = 1" in line)
    assert line.startswith("note: home home: ")
    assert "no source can ever be planned under it" in line


def test_a_limit_set_from_afar_is_said_in_the_answer_and_on_the_page(tmp_path: Path) -> None:
    said = "no source can ever be planned under it"
    with mosquitto.start() as broker, Serving(config_text.write(tmp_path, broker.port)) as serving:
        settings = f"{serving.address}/api/v1/homes/home/settings"
        page = f"{serving.address}/homes/home/settings"
        assert httpx.get(settings).json()["warnings"] == []
        assert said not in httpx.get(page).text
        change = {"changes": {"power_limit_w": 1}, "reason": "a tariff's limit"}
        changed = httpx.patch(settings, json=change, headers={"If-Match": '"settings-1"'})
        assert changed.status_code == 200
        (line,) = changed.json()["warnings"]
        assert line.startswith("power_limit_w = 1: ")
        assert said in line
        assert said in httpx.get(page).text


def test_what_was_changed_since_is_checked_and_not_the_files_first_values(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    assert "Settings: first values in the file" in _check(config).stdout
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    records.add_settings("home", Tunables(power_limit_w=1.0), "an installer", NOW)
    records.close()
    done = _check(config)
    assert done.returncode == 0
    assert "Settings: version 1 on record; first values in the file count no more" in done.stdout
    assert "note: home home: power_limit_w = 1: " in done.stdout
    wrong = _with(config, "occupants = 4", "occupants = 4\nreserve_tenths = 9\nhighest_tenths = 5")
    done = _check(wrong)
    assert done.returncode == 0, done.stdout  # they fill an empty database, and this is none


def test_what_is_on_record_and_does_not_fit_a_changed_file_is_said_and_refuses_no_start(
    tmp_path: Path,
) -> None:
    """A service that did not start could not be told of another value."""
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    renamed = Tunables(hygiene=Hygiene(probes=("cylinder_foot",)))
    records.add_settings("home", renamed, "an installer", NOW)
    records.close()
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        done = _check(config)
        assert done.returncode == 0, done.stdout
        (said,) = (line for line in done.stdout.splitlines() if "cylinder_foot" in line)
        assert said.startswith("note: home home: hygiene.probes = cylinder_foot: is not a probe")
        assert said.endswith("; change it on the page of settings or over the API")
        with Serving(config) as serving:
            assert said in serving.text()


def test_records_that_cannot_be_looked_at_are_said_and_first_values_checked(tmp_path: Path) -> None:
    (tmp_path / "ladle.sqlite").write_text("dear installer, " * 100)
    done = _check(config_text.write(tmp_path, 1883))
    assert done.returncode == 0
    assert "note: the database file is damaged" in done.stdout
    assert "Settings: first values in the file" in done.stdout


def test_an_actuator_that_latches_is_refused(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    text = config.read_text(encoding="utf-8").replace(
        'released_by = "own_timer"\nreleased_state = "off"',
        'released_by = "nobody"\nreleased_state = "on"',
    )
    config.write_text(text, encoding="utf-8")
    done = _check(config)
    assert done.returncode == 2
    assert "element" in done.stdout
    assert "latching_accepted_by" in done.stdout
    accepted = text.replace(
        'released_by = "nobody"', 'released_by = "nobody"\nlatching_accepted_by = "an installer"'
    )
    config.write_text(accepted, encoding="utf-8")
    assert _check(config).returncode == 0


def _two_homes(config: Path) -> Path:
    """A second home whose block was copied from the first, with nothing but its id changed."""
    text = config.read_text(encoding="utf-8")
    block = text[text.index("[[homes]]") :]
    config.write_text(text + block.replace('id = "home"', 'id = "annexe"'), encoding="utf-8")
    return config


def test_two_homes_that_would_command_the_same_plant_are_refused(tmp_path: Path) -> None:
    config = _two_homes(config_text.write(tmp_path, 1883))
    done = _check(config)
    assert done.returncode == 2
    assert "refused: home annexe: topic plant/pump/set: home home commands it too" in done.stdout
    assert "note: home home: signals.probe_1.topic = plant/probe/1: home annexe has the same" in (
        done.stdout
    )
    started = process("serve", "--config", str(config))
    assert started.returncode == 2
    assert "Not started" in started.stdout
    text = config.read_text(encoding="utf-8")
    home, annexe = text.split('id = "annexe"')
    apart = annexe.replace('topic = "plant/', 'topic = "annexe/').replace(
        'topic = "annexe/outdoor"', 'topic = "plant/outdoor"'
    )
    config.write_text(f'{home}id = "annexe"{apart}', encoding="utf-8")
    done = _check(config)  # an outdoor sensor may serve both
    assert done.returncode == 0, done.stdout
    assert "commands it too" not in done.stdout
    assert "has the same probe" not in done.stdout


def test_a_command_that_another_home_reads_is_refused(tmp_path: Path) -> None:
    config = _two_homes(config_text.write(tmp_path, 1883))
    text = config.read_text(encoding="utf-8")
    home, annexe = text.split('id = "annexe"')
    apart = annexe.replace('topic = "plant/', 'topic = "annexe/').replace(
        'topic = "annexe/pump_power"', 'topic = "plant/pump/set"'
    )
    config.write_text(f'{home}id = "annexe"{apart}', encoding="utf-8")
    done = _check(config)
    assert done.returncode == 2
    assert "topic plant/pump/set: is commanded here and read by home annexe" in done.stdout


def test_live_shows_each_signal_and_pulses_on_consent_only(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        plant = Plant(broker.port)
        stop = threading.Event()

        def publish() -> None:
            while not stop.wait(0.5):
                for n in range(1, len(PROBES_M)):  # the last probe is silent
                    plant.say(f"probe/{n}", {"c": 50.0 + n, "t": round(time.time(), 2)})

        thread = threading.Thread(target=publish)
        thread.start()
        try:
            live = ("check", "--config", str(config), "--live", "--seconds", "3")
            done = process(*live, answers="n\nn\n")
            assert done.returncode == 0, done.stdout + done.stderr
            assert "51 degC" in done.stdout
            assert "nothing on plant/probe/8" in done.stdout
            assert "hotter than" not in done.stdout
            assert not plant.commands, "without consent nothing is sent"
            done = _check(
                config, "--live", "--seconds", "1", "--pulse-seconds", "1", answers="y\nn\n"
            )
            assert done.returncode == 0, done.stdout + done.stderr
            sent = [(topic, payload) for _, topic, payload, _ in plant.commands]
            assert sent == [("plant/pump/set", "1"), ("plant/pump/set", "0")]
            assert not any(retained for *_, retained in plant.commands)
        finally:
            stop.set()
            thread.join()
            plant.close()


def _live_among(retained: dict[str, Any], tmp_path: Path, *, stamped: bool) -> str:
    """What ``check --live`` says, in one line, to a plant whose probes left these values."""
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port, stamped=stamped)
        plant = Plant(broker.port)
        try:
            for topic, value in retained.items():
                plant.say(topic, value, retain=True)
            done = _check(config, "--live", "--seconds", "1", answers="n\nn\n")
        finally:
            plant.close()
    assert done.returncode == 0, done.stdout + done.stderr
    return " ".join(done.stdout.replace("│", " ").split())


def test_live_says_when_probes_stand_upside_down(tmp_path: Path) -> None:
    numbers = range(1, len(PROBES_M) + 1)  # from the top down instead of from the foot up
    values = {f"probe/{n}": {"c": 60.0 - 5.0 * n, "t": time.time()} for n in numbers}
    said = _live_among(values, tmp_path, stamped=True)
    assert "probe probe_1 is much hotter than probe_5 above it" in said


def test_live_tells_values_that_cannot_be_used_from_silence(tmp_path: Path) -> None:
    said = _live_among({"probe/1": "47,5"}, tmp_path, stamped=False)
    assert "probe_1 - - what came on plant/probe/1 cannot be used, see below" in said
    assert "probe_2 - - nothing on plant/probe/2" in said
    assert "refused: signal probe_1 on topic plant/probe/1: expected a number" in said


def test_live_says_when_a_probe_is_hotter_than_the_cut_out_allows(tmp_path: Path) -> None:
    """48 degC are 118.4 degF, by the definition of the scale."""
    said = _live_among({"probe/1": "48.0", "probe/2": "118.4"}, tmp_path, stamped=False)
    assert "probe probe_2 shows 118.4 degC, above the cut-out, 80 degC; check the sensor" in said
    assert "if its sender counts in Fahrenheit" in said
    assert 'write unit = "degF"' in said
    assert "probe probe_1 shows" not in said


def test_tls_with_a_port_that_speaks_none_is_told(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port, broker="tls = true")
        done = _check(config, "--live", "--seconds", "1")
    assert done.returncode == 2
    assert "whether that port speaks TLS" in done.stdout
    assert "Errno" not in done.stdout


def test_live_without_a_broker_says_so_and_fails(tmp_path: Path) -> None:
    port = mosquitto.free_port()
    done = _check(config_text.write(tmp_path, port), "--live", "--seconds", "1")
    assert done.returncode == 2
    assert f"Cannot reach the broker at 127.0.0.1:{port}" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_a_diverter_is_pulsed_with_a_figure_to_follow(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        text = config.read_text(encoding="utf-8").replace(
            'form = "on_off"\ntopic = "plant/element/set"',
            'form = "diverter"\ntopic = "plant/element/set"\nrun = "{power_w}"\n'
            'second_topic = "plant/element/target"',
        )
        config.write_text(text, encoding="utf-8")
        plant = Plant(broker.port)
        try:
            more = ("--live", "--seconds", "1", "--pulse-seconds", "1")
            done = _check(config, *more, answers="n\ny\n")
        finally:
            plant.close()
    assert done.returncode == 0, done.stdout + done.stderr
    assert "released instead of run" not in done.stderr
    sent = [(topic, payload) for _, topic, payload, _ in plant.commands]
    assert sent == [("plant/element/set", "3000"), ("plant/element/set", "0")]
