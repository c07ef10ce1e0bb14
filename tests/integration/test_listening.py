"""Where pages and API answer: taken ports, loopback without a token, a token made meanwhile."""

from __future__ import annotations

import html
import re
import shlex
import socket
import subprocess
import time
from pathlib import Path

import httpx
import pytest

from adapters import embedded
from tests import config_text, mosquitto
from tests.commands import call, process
from tests.serving import LADLE, Serving


@pytest.fixture
def taken() -> int:
    """A port on which somebody else listens."""
    with socket.socket() as somebody:
        somebody.bind(("127.0.0.1", 0))
        somebody.listen()
        yield somebody.getsockname()[1]


def make_token(config: Path, role: str) -> str:
    """What ``ladle token make`` says."""
    done = call("token", "make", "--config", str(config), "--name", "Ines", "--role", role)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def secret_in(said: str) -> str:
    """The token itself, which stands on a line of its own."""
    (secret,) = (line for line in said.splitlines() if line.startswith("ladle_"))
    return secret


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--role", "owner", "--role: 'owner' is none of: reader, household, installer"),
        ("--name", " ", "--name: a token needs the name of whoever will hold it"),
    ],
)
def test_a_token_that_cannot_be_made_says_what_is_wrong_where(
    tmp_path: Path, option: str, value: str, said: str
) -> None:
    config = config_text.write(tmp_path, 1883)
    wanted = {"--name": "Ines", "--role": "reader", option: value}
    done = call(
        "token", "make", "--config", str(config), *(x for pair in wanted.items() for x in pair)
    )
    assert done.returncode == 2
    assert said in re.sub(r"[\s│]+", " ", done.stdout + done.stderr)
    assert "Value error" not in done.stdout + done.stderr


def test_a_demo_on_a_taken_port_is_one_line_and_begins_nothing(taken: int, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    done = call("demo", "--port", str(taken), "--folder", str(folder))
    assert done.returncode == 2
    assert (done.stdout + done.stderr).splitlines() == [
        f"Cannot serve pages and API on 127.0.0.1:{taken}: another program listens there, perhaps "
        "another Ladle. Name another with --port, or 0 for a free one."
    ]
    assert not folder.exists()


def test_a_port_that_cannot_be_is_refused_by_name() -> None:
    done = call("demo", "--port", "70000")
    said = done.stdout + done.stderr
    assert done.returncode == 2
    assert "--port" in said
    assert "65535" in said
    assert "Traceback" not in said


def test_a_demo_whose_broker_finds_no_port_is_one_line(
    taken: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(embedded, "_free_port", lambda host: taken)
    done = call("demo", "--port", "0")
    assert done.returncode == 2
    (line,) = (done.stdout + done.stderr).splitlines()
    assert line.startswith(f"The embedded broker cannot listen on 127.0.0.1:{taken}: ")
    assert line.endswith("Start it again, and it takes another free port.")


def test_a_service_on_a_taken_port_names_its_file(taken: int, tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883, http_port=taken)
    done = process("serve", "--config", str(config))
    assert done.returncode == 2
    assert f"127.0.0.1:{taken}" in done.stdout
    assert f"under [http] in {config}" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_the_foot_of_a_page_names_the_command_that_makes_a_token_here(tmp_path: Path) -> None:
    with mosquitto.start() as broker, Serving(config_text.write(tmp_path, broker.port)) as serving:
        page = httpx.get(f"{serving.address}/homes/home").text
        found = re.search(r"Make one with <code>ladle (.*)</code>", page)
        assert found, "no command"
        command = html.unescape(found.group(1)).replace("NAME", "Ines")
        assert secret_in(call(*shlex.split(command)).stdout)


def test_a_demo_names_no_command_that_it_cannot_carry_out(tmp_path: Path) -> None:
    demo = subprocess.Popen(
        [LADLE, "demo", "--port", "0", "--folder", str(tmp_path / "demo")],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert demo.stdout is not None
        said = ""
        while "Pages and API: " not in said:
            line = demo.stdout.readline()
            assert line, said
            said += line
        address = said.rpartition("Pages and API: ")[2].strip()
        page = httpx.get(address).text
    finally:
        demo.terminate()
        rest, _ = demo.communicate(timeout=30)
    assert "No access token has been made yet" in page
    assert "token make" not in page
    assert "token make" not in said + rest


def test_what_is_said_of_loopback_follows_the_tokens(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        text = config.read_text(encoding="utf-8")
        config.write_text(text.replace("[http]", '[http]\nhost = "0.0.0.0"'), encoding="utf-8")
        with Serving(config) as serving:
            assert serving.address.startswith("http://127.0.0.1:")
            health = f"{serving.address}/api/v1/homes/home/health"
            until_restart = "loopback_until_restart"
            notes = httpx.get(health).json()["notes"]
            assert notes == [until_restart, "no_token_loopback_only"]
            made = make_token(config, "reader")
            assert "0.0.0.0 only when it is started again" in made
            secret = secret_in(made)
            bearer = {"Authorization": f"Bearer {secret}"}
            assert httpx.get(health, headers=bearer).json()["notes"] == [until_restart]
            serving.stop()
            serving.run()
            health = f"{serving.address}/api/v1/homes/home/health"
            assert serving.address.startswith("http://0.0.0.0:")
            assert "(every address of this machine)" in serving.text()
            assert httpx.get(health, headers=bearer).json()["notes"] == []


def test_an_installer_afar_sees_why_the_broker_does_not_answer(tmp_path: Path) -> None:
    passwords = mosquitto.password_file(tmp_path, {"ladle": "right"})
    with mosquitto.start(("allow_anonymous false", f"password_file {passwords}")) as broker:
        config = config_text.write(tmp_path, broker.port, broker='user = "ladle"')
        with Serving(config, {"LADLE_BROKER__PASSWORD": "wrong"}) as serving:
            said = "The broker refused the connection"
            home = f"{serving.address}/api/v1/homes/home/health"
            for _ in range(100):
                health = httpx.get(home).json()
                if health["broker_trouble"]:
                    break
                time.sleep(0.1)
            assert health["broker_connected"] is False
            assert said in health["broker_trouble"]
            assert said in httpx.get(f"{serving.address}/homes/home/plant").text
