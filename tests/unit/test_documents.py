"""What the documents say is what the code does."""

import re
import tomllib
from pathlib import Path

import pytest
import typer.main
from fastapi.routing import APIRoute
from pydantic import BaseModel

from service.api.routes import at_home
from service.checking import findings
from service.cli import app
from service.control.precedence import TABLE
from service.control.types import Wish
from service.settings import HomeSettings, Wiring
from service.settings_check import load

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLE = ROOT / "config" / "ladle.toml"


def test_readme_shows_the_precedence_table_of_the_code() -> None:
    rows = [
        f"| {i} | {row.rule.value.replace('_', ' ')} | {row.speaks_when} | {row.then} |"
        for i, row in enumerate(TABLE, 1)
    ]
    assert "\n".join(rows) in README


def test_readme_names_every_wish() -> None:
    for wish in Wish:
        assert f"`{wish.value}`" in README


def test_readme_names_every_resource_of_the_api() -> None:
    listed = README[README.index("### API and MQTT") : README.index("Over MQTT each home has")]
    named = {route.path.split("/")[3] for route in at_home.routes if isinstance(route, APIRoute)}
    assert "state" in named
    assert [name for name in sorted(named) if f"`{name}`" not in listed] == []


def test_every_command_the_readme_names_exists() -> None:
    known = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    named = set(re.findall(r"(?:`|bin/|service )ladle ([a-z]+)", README))
    named |= set(re.findall(r"python3 -m service ([a-z]+)", README))
    assert named
    assert named <= known


def test_the_example_loads() -> None:
    wiring = load(EXAMPLE)
    assert wiring.homes[0].id == "home"


def test_the_example_is_a_home_that_is_served_as_it_stands() -> None:
    wiring = load(EXAMPLE)
    settings = HomeSettings(wiring=wiring.homes[0], tunables=wiring.homes[0].first)
    assert [str(f) for f in findings(wiring, settings)] == []


def _keys(model: type[BaseModel], seen: set[type[BaseModel]]) -> set[str]:
    if model in seen:
        return set()
    seen.add(model)
    found: set[str] = set()
    for name, field in model.model_fields.items():
        found.add(name)
        for part in re.findall(r"[A-Z]\w+", repr(field.annotation)):
            inner = _by_name(model, part)
            if inner is not None:
                found |= _keys(inner, seen)
    return found


def _by_name(model: type[BaseModel], name: str) -> type[BaseModel] | None:
    import adapters.wiring
    import service.settings

    for module in (service.settings, adapters.wiring):
        kind = getattr(module, name, None)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


@pytest.mark.parametrize("key", sorted(_keys(Wiring, set())))
def test_every_key_is_documented_in_the_example(key: str) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert re.search(rf"(^|\n)(# )?\[*(homes\.)*([a-z_]+\.)*{key}\]*( =|\n|\s+#)", text), (
        f"config/ladle.toml says nothing of {key}"
    )


def test_all_comments_in_the_example_that_look_like_keys_are_keys() -> None:
    known = _keys(Wiring, set())
    text = EXAMPLE.read_text(encoding="utf-8")
    tomllib.loads(text)
    for name in re.findall(r"^# ([a-z0-9_]+) = ", text, re.MULTILINE):
        assert name in known, f"config/ladle.toml documents {name}, which no setting has"
