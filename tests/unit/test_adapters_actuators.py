"""Commands become messages; an actuator that nobody would release is refused."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest
from pydantic import ValidationError

from adapters import actuators
from adapters.types import Command, Outgoing
from adapters.wiring import Actuator, PriceFeed, Signal

ROOT = Path(__file__).parents[2]


def actuator(**fields: object) -> Actuator:
    given: dict[str, object] = {
        "name": "heater",
        "source": "immersion",
        "form": "on_off",
        "topic": "relay/set",
        "released_by": "own_timer",
        "released_state": "off",
    }
    return Actuator(**(given | fields))  # type: ignore[arg-type]


def command(
    action: Literal["run", "release", "block"] = "run",
    set_c: float | None = None,
    power_w: float | None = None,
    lease_s: float = 300.0,
) -> Command:
    return Command("home", "heater", action, set_c, power_w, lease_s)


def sent(one: Actuator, what: Command) -> list[tuple[str, str]]:
    messages = actuators.messages(one, what)
    assert all(not m.retain and m.qos == 1 and m.expires_s == 300 for m in messages)
    return [(m.topic, m.payload.decode()) for m in messages]


def test_on_off() -> None:
    assert sent(actuator(), command()) == [("relay/set", "1")]
    assert sent(actuator(), command("release")) == [("relay/set", "0")]
    assert sent(actuator(), command("block")) == [("relay/set", "0")]


def test_json_payloads_keep_their_braces_and_carry_the_lease() -> None:
    timed = actuator(run='{"on": {"for": {lease_s}}}', release='{"on": false}')
    assert sent(timed, command()) == [("relay/set", '{"on": {"for": 300}}')]
    assert sent(timed, command("release")) == [("relay/set", '{"on": false}')]


def test_set_temperature() -> None:
    pump = actuator(form="set_temperature", source="heat_pump", run="{set_c}", release="45")
    assert sent(pump, command(set_c=52.0)) == [("relay/set", "52")]
    assert sent(pump, command("block")) == [("relay/set", "45")]
    rests = actuator(form="set_temperature", source="heat_pump", run="{set_c}", rest_c=30)
    assert sent(rests, command("block", set_c=30.0)) == [("relay/set", "30")]
    assert sent(pump, command(set_c=52.449)) == [("relay/set", "52.4")]
    assert sent(pump, command("release", set_c=52.0)) == [("relay/set", "45")]


@pytest.mark.parametrize("set_c", [None, float("nan"), float("inf"), 4.0, 95.5, -1.0])
def test_a_set_temperature_that_cannot_be_releases_and_is_told(
    set_c: float | None, caplog: pytest.LogCaptureFixture
) -> None:
    pump = actuator(form="set_temperature", source="heat_pump", run="{set_c}", release="45")
    assert sent(pump, command(set_c=set_c)) == [("relay/set", "45")]
    assert "set temperature" in caplog.text


def test_a_payload_that_names_power_needs_one() -> None:
    one = actuator(run="{power_w}", release="0")
    assert sent(one, command(power_w=1500)) == [("relay/set", "1500")]
    for wrong in (None, float("nan"), -1.0):
        assert sent(one, command(power_w=wrong)) == [("relay/set", "0")]


def test_diverter_has_permission_and_target_in_a_safe_order() -> None:
    one = actuator(form="diverter", second_topic="diverter/watts", min_power_w=200)
    assert sent(one, command(power_w=1500.4)) == [("diverter/watts", "1500"), ("relay/set", "1")]
    assert sent(one, command(power_w=150)) == [("diverter/watts", "0"), ("relay/set", "1")]
    assert sent(one, command(power_w=float("nan")))[0] == ("diverter/watts", "0")
    assert sent(one, command()) == [("relay/set", "1")]
    assert sent(one, command("release", power_w=1500)) == [
        ("relay/set", "0"),
        ("diverter/watts", "0"),
    ]


def test_release_uses_the_actuators_own_lease_for_its_expiry() -> None:
    (message,) = actuators.release("home", actuator(lease_s=120))
    assert message == Outgoing("relay/set", b"0", 1, False, 120)


@dataclass
class Home:
    actuators: tuple[Actuator, ...]
    signals: tuple[Signal, ...] = ()
    price_feeds: tuple[PriceFeed, ...] = ()
    id: str = "home"


def codes(*some: Actuator, signals: tuple[Signal, ...] = ()) -> list[str]:
    return [p.code for p in actuators.problems(Home(some, signals), "ladle")]


def test_an_actuator_that_latches_needs_an_installer_who_accepts_it() -> None:
    assert codes(actuator()) == []
    (problem,) = actuators.problems(Home((actuator(released_by="nobody"),)), "ladle")
    assert problem.code == "latches"
    assert "heater" in problem.where
    assert "latching_accepted_by" in problem.message
    assert codes(actuator(released_by="nobody", latching_accepted_by=" ")) == ["latches"]
    assert codes(actuator(released_by="nobody", latching_accepted_by="the installer")) == []


def test_terminals_act_on_the_whole_heat_pump_until_commissioning_says_otherwise() -> None:
    fields: dict[str, object] = {
        "form": "terminals",
        "source": "heat_pump",
        "second_topic": "relay/second",
    }
    assert codes(actuator(**fields)) == ["acts_on_whole_heat_pump"]
    assert codes(actuator(**fields, surplus_only=True)) == []
    assert codes(actuator(**fields, hot_water_alone_confirmed_by="the installer")) == []


def test_topics_are_not_shared() -> None:
    assert codes(actuator(), actuator(name="other")) == ["topic_shared"]
    echo = Signal(
        name="top", measures="probe", topic="relay/set", unit="Cel", height_m=1,
    )  # fmt: skip
    assert codes(actuator(), signals=(echo,)) == ["topic_shared"]
    assert codes(actuator(topic="ladle/home/heartbeat")) == ["own_topic"]


def test_what_a_home_subscribes_to_and_commands() -> None:
    probe = Signal(name="top", measures="probe", topic="b", unit="Cel", height_m=1)
    home = Home(
        (actuator(form="diverter", second_topic="watts"),),
        (probe, probe.model_copy(update={"name": "low"})),
        (PriceFeed(kind="mqtt", address="a"), PriceFeed(kind="http", address="http://x")),
    )
    assert actuators.subscriptions(home) == ("a", "b")
    assert actuators.topics_commanded(home) == ("relay/set", "watts")


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"form": "set_temperature"}, "{set_c}"),
        ({"form": "terminals", "source": "heat_pump"}, "second_topic"),
        ({"form": "diverter", "source": "heat_pump", "second_topic": "x"}, "immersion"),
        ({"topic": "relay/#"}, "wildcards"),
    ],
)
def test_an_actuator_that_lacks_what_its_form_needs_is_refused(
    wrong: dict[str, object], word: str
) -> None:
    with pytest.raises(ValidationError, match=word):
        actuator(**wrong)


def test_a_rest_is_a_set_temperature() -> None:
    with pytest.raises(ValueError, match="it is a set temperature, and form on_off takes none"):
        actuator(rest_c=30)
