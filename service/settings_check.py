"""What is wrong with a setting, in one line each: where, what it was, what was expected.

The same lines are made for the TOML file and for changes over API and pages.
"""

from __future__ import annotations

import difflib
import json
import math
import os
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, SecretStr, ValidationError
from pydantic_core import ErrorDetails
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
    TomlConfigSettingsSource,
)

from service.control import config_checks
from service.control.misfit import Misfit
from service.settings import HomeSettings, Tunables, Wiring

HIDDEN = "(hidden)"
MAIL_PASSWORD = "LADLE_SMTP_PASSWORD"  # for every home whose mail server has none in the file
_SECRET_KEY = re.compile(r"pass|secret|token|webhook|credential", re.IGNORECASE)
_PASSWORD_IN_URL = re.compile(r"(//[^/@\s:]*:)[^@\s/]+@")
_LONGEST_VALUE = 80
UNQUOTED = "Write it without quotation marks."
# What pydantic says of a value of the wrong kind, in words that name no programming language.
_PLAIN = {
    "int_parsing": "expected a whole number",
    "int_parsing_size": "expected a whole number of fewer digits",
    "int_type": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_parsing": "expected a number",
    "float_type": "expected a number",
    "bool_parsing": "expected true or false",
    "bool_type": "expected true or false",
    "string_type": "expected text",
    "tuple_type": "expected a list",
    "list_type": "expected a list",
    "model_type": "expected a table",
    "model_attributes_type": "expected a table",
    "dict_type": "expected a table",
}
# What a key may look like, where a pattern says it to nobody who does not read patterns.
_SHAPES = {
    "id": "up to 40 of a-z, 0-9 and -, such as mill-house",
    "name": "up to 40 of a-z, 0-9 and _, such as probe_1",
    "currency": "three capital letters, such as EUR",
}


@dataclass(frozen=True)
class Wrong:
    """One key that is wrong. ``value`` is its text, "(hidden)" for a secret, None when absent."""

    where: str
    value: str | None
    expected: str
    suggestion: str = ""

    def __str__(self) -> str:
        value = "" if self.value is None else f" = {self.value}"
        hint = f" {self.suggestion}" if self.suggestion else ""
        return f"{self.where}{value}: {self.expected}.{hint}"


class SettingsRefused(ValueError):  # noqa: N818 - named after what happened to the settings
    """Settings that cannot be used; ``lines`` holds one entry for each key that is wrong."""

    def __init__(self, lines: Iterable[Wrong], source: str = "") -> None:
        self.lines = tuple(lines)
        self.source = source
        head = f"{source}: " if source else ""
        super().__init__("\n".join(f"{head}{line}" for line in self.lines))


def load(path: Path) -> Wiring:
    """The wiring in a TOML file.

    An environment variable overrides a key of the file, so that a password need not stand in it:
    ``LADLE_BROKER__PASSWORD`` for ``password`` under ``[broker]``; ``LADLE_SMTP_PASSWORD`` is
    taken for every home whose mail server has no password in the file.

    Raises:
        SettingsRefused: with one line for each key that is wrong.
    """
    name = str(path)

    class _File(BaseSettings, Wiring):
        model_config = SettingsConfigDict(
            env_prefix="LADLE_", env_nested_delimiter="__", toml_file=path, extra="forbid"
        )

        @classmethod
        def settings_customise_sources(
            cls,
            settings_cls: type[BaseSettings],
            init_settings: PydanticBaseSettingsSource,
            env_settings: PydanticBaseSettingsSource,
            dotenv_settings: PydanticBaseSettingsSource,
            file_secret_settings: PydanticBaseSettingsSource,
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return env_settings, TomlConfigSettingsSource(settings_cls)

    if not path.is_file():
        expected = "there is no such file; name an existing TOML file (config/ holds examples)"
        raise SettingsRefused([Wrong(name, None, expected)])
    try:
        found = _File()
    except tomllib.TOMLDecodeError as error:
        raise SettingsRefused([_not_toml(path, error)]) from error
    except UnicodeDecodeError as error:
        raise SettingsRefused([Wrong(name, None, "not UTF-8 text; save it as UTF-8")]) from error
    except OSError as error:
        raise SettingsRefused([Wrong(name, None, f"cannot be read: {error.strerror}")]) from error
    except SettingsError as error:
        variable = re.search(r'field "(\w+)"', str(error))
        where = f"LADLE_{variable.group(1).upper()}" if variable else "environment"
        expected = "name one key, for example LADLE_BROKER__PASSWORD, not a whole table"
        raise SettingsRefused([Wrong(where, HIDDEN, expected)], "environment") from error
    except ValidationError as error:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
        lines = wrong_lines(error, Wiring, given)
        raise SettingsRefused((_from_environment(line) for line in lines), name) from error
    wiring = Wiring.model_validate({key: getattr(found, key) for key in Wiring.model_fields})
    return _with_mail_password(wiring, os.environ.get(MAIL_PASSWORD))


def _from_environment(line: Wrong) -> Wrong:
    """The same line with the environment variable that it is about, where one overrides the key."""
    variable = f"LADLE_{line.where.replace('.', '__').upper()}"
    if variable not in {name.upper() for name in os.environ}:
        return line
    unquoted = "Write true or false." if line.suggestion == UNQUOTED else line.suggestion
    where = f"{line.where} ({variable} in the environment)"
    return replace(line, where=where, suggestion=unquoted)


def _not_toml(path: Path, error: tomllib.TOMLDecodeError) -> Wrong:
    """What is wrong with a file that is no TOML, with the line that it is about."""
    text = path.read_text(encoding="utf-8")
    at = re.search(r"at line (\d+)", str(error))
    line = text.splitlines()[int(at.group(1)) - 1].strip() if at else ""
    hint = ""
    if text.startswith("\ufeff"):
        hint = "It begins with a byte order mark; save it as UTF-8 without one."
    elif re.search(r"=\s*-?\d+,\d", line):
        hint = "Write decimals with a point: 0.25."
    elif re.search(r"[\u201c-\u201e]", line):
        hint = 'Write text in plain quotation marks: "text".'
    elif "\\" in line:
        hint = "Write a backslash as two, or paths with /."
    elif "overwrite" in str(error) and not line.startswith("["):
        hint = "The key stands in its table twice; leave one of them out."
    elif re.match(r"\[\w", line) or "overwrite" in str(error):
        hint = "A table that may come several times is written in double brackets: [[homes]]."
    said = "" if not line or _SECRET_KEY.search(line) else f"; the line is: {_text(line)}"
    return Wrong(str(path), None, f"not TOML: {error}{said}", hint)


def _with_mail_password(wiring: Wiring, password: str | None) -> Wiring:
    if not password:
        return wiring
    homes = tuple(
        home
        if home.notify.smtp_host is None or home.notify.smtp_password is not None
        else home.model_copy(
            update={"notify": home.notify.model_copy(update={"smtp_password": SecretStr(password)})}
        )
        for home in wiring.homes
    )
    return wiring.model_copy(update={"homes": homes})


def changed_tunables(settings: HomeSettings, changes: Mapping[str, Any]) -> Tunables:
    """The tunables after ``changes``, a JSON merge patch (RFC 7396): null means the default.

    Raises:
        SettingsRefused: with one line for each key that is wrong.
    """
    merged = _merge(settings.tunables.model_dump(mode="json"), changes)
    try:
        return Tunables.model_validate(merged)
    except ValidationError as error:
        raise SettingsRefused(wrong_lines(error, Tunables)) from error


def refuse_misfits(settings: HomeSettings, tunables: Tunables) -> None:
    """Refuse a change that makes settings misfit; what did not fit before stands in no one's way.

    Raises:
        SettingsRefused: with one line for each new misfit.
    """
    before = {(m.code, m.key) for m in config_checks.refused(settings)}
    changed = settings.model_copy(update={"tunables": tunables})
    new = [m for m in config_checks.refused(changed) if (m.code, m.key) not in before]
    if new:
        raise SettingsRefused(
            Wrong(m.key, m.value or None, m.expected, f"{m.mend[:1].upper()}{m.mend[1:]}.")
            for m in new
        )


def hardly_meant(settings: HomeSettings) -> tuple[str, ...]:
    """A line for each thing among what people change that is taken, yet hardly meant."""
    found = (m for m in config_checks.check(settings) if m.severity == "warn")
    return tuple(f"{m}." for m in found if of_tunables(m))


def of_tunables(misfit: Misfit) -> bool:
    """Whether it is about what people change while the service runs, not about the wiring."""
    return re.split(r"[ .[]", misfit.key)[0] in Tunables.model_fields


def _merge(base: Any, patch: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base) if isinstance(base, Mapping) else {}
    for key, value in patch.items():
        if value is None:
            merged.pop(key, None)
        elif isinstance(value, Mapping):
            merged[key] = _merge(merged.get(key), value)
        else:
            merged[key] = value
    return merged


def wrong_lines(
    error: ValidationError, model: type[BaseModel], given: Mapping[str, Any] | None = None
) -> list[Wrong]:
    """One line for each thing that pydantic found wrong with ``model``'s input.

    ``given``: that input, to call one of several tables by its name, not only by its number.
    """
    lines: dict[str, Wrong] = {}
    errors = error.errors(include_url=False)
    for found in errors:
        loc = found["loc"]
        if any(e["loc"][: len(loc)] == loc and len(e["loc"]) > len(loc) for e in errors):
            continue  # a list is too short only because what stands in it was refused
        line = _line(found, model)
        name = _name_in(given, loc)
        line = replace(line, where=f"{line.where} ({name})") if name else line
        lines.setdefault(str(line), line)
    return list(lines.values())


def _name_in(given: Any, loc: Sequence[int | str]) -> str:
    """The name of the innermost table of several that ``loc`` leads through; "" for none."""
    name = ""
    for part in loc:
        try:
            given = given[part]
        except (LookupError, TypeError):
            break
        if isinstance(part, int) and isinstance(given, Mapping):
            name = given.get("name", "")
    return name if isinstance(name, str) else ""


def _line(found: ErrorDetails, model: type[BaseModel]) -> Wrong:
    loc = found["loc"]
    where, owner, annotation = _walk(model, loc)
    key = next((str(part) for part in reversed(loc) if isinstance(part, str)), "")
    kind = found["type"]
    if kind == "extra_forbidden":
        known = sorted(owner.model_fields) if owner else []
        near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.6)
        hint = f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(known)}."
        secret = _SECRET_KEY.search(key) or (near and _SECRET_KEY.search(near[0]))
        return Wrong(where, HIDDEN if secret else _text(found["input"]), "no such key", hint)
    if kind == "missing":
        return Wrong(where, None, "is missing", _describe(where, annotation))
    value = HIDDEN if _is_secret(key, annotation) else _text(found["input"])
    message = found["msg"].removeprefix("Value error, ").rstrip(".")
    hint = ""
    choices = _choices(annotation)
    if choices and isinstance(found["input"], str) and kind in ("literal_error", "enum"):
        message = f"expected one of {', '.join(choices)}"
        near = difflib.get_close_matches(found["input"], choices, n=1, cutoff=0.4)
        hint = f"Did you mean {near[0]}?" if near else ""
    elif kind in _PLAIN:
        message = _PLAIN[kind]
        hint = _instead(message, found["input"], where, annotation)
    elif kind == "string_pattern_mismatch" and key in _SHAPES:
        message = f"expected {_SHAPES[key]}"
    elif kind == "too_short":
        message = f"expected at least {found['ctx']['min_length']} in the list"
    elif key in ("from_day", "until_day"):
        message = "expected a month and a day, such as 11-01"
    else:
        message = plainly(message).replace("String should", "should")
        message = message[:1].lower() + message[1:]
    return Wrong(where, value, message, hint)


def _walk(
    model: type[BaseModel], loc: Sequence[int | str]
) -> tuple[str, type[BaseModel] | None, Any]:
    """The key path in words, the table that the last key stands in, and what it should hold."""
    where = ""
    owner: type[BaseModel] | None = None
    annotation: Any = model
    for part in loc:
        inner = _model_in(annotation)
        if isinstance(part, int):
            where += f"[{part}]"
            annotation = _element(annotation)
        elif inner is not None:
            where += f".{part}" if where else part
            owner = inner
            field = inner.model_fields.get(part)
            annotation = field.annotation if field else None
        # anything else is the tag of a branch of a union, which is no key
    return where or "the settings as a whole", owner, annotation


def _parts(annotation: Any) -> list[Any]:
    """The branches of a union, or the annotation itself; without Annotated around it."""
    origin = get_origin(annotation)
    if origin is None or origin is Literal or origin in (tuple, list, dict):
        return [annotation]
    if hasattr(annotation, "__metadata__"):
        return _parts(get_args(annotation)[0])
    return [part for arg in get_args(annotation) for part in _parts(arg)]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    for part in _parts(annotation):
        if isinstance(part, type) and issubclass(part, BaseModel):
            return part
    return None


def _element(annotation: Any) -> Any:
    for part in _parts(annotation):
        if get_origin(part) in (tuple, list):
            return get_args(part)[0]
    return None


def _choices(annotation: Any) -> list[str]:
    for part in _parts(annotation):
        if get_origin(part) is Literal:
            return [str(value) for value in get_args(part)]
        if isinstance(part, type) and issubclass(part, Enum):
            return [str(member.value) for member in part]
    return []


def _describe(where: str, annotation: Any) -> str:
    choices = _choices(annotation)
    if choices:
        return f"Write one of {', '.join(choices)}."
    if _model_in(annotation) is not None:
        return "Write it as a table of its own."
    if _model_in(_element(annotation)) is not None:
        return f"Write a table {_tables(where)} for each."
    names = {str: "text", int: "a whole number", float: "a number", bool: "true or false"}
    for part in _parts(annotation):
        if part in names:
            return f"Write {names[part]}."
    return ""


def plainly(message: str) -> str:
    """What pydantic says of a number out of range, as a person says it."""
    message = message.replace("Input should be", "expected").replace("greater than", "more than")
    return re.sub(r"(more|less) than or equal to (\S+)", r"\2 or \1", message)


def _instead(expected: str, given: Any, where: str, annotation: Any) -> str:
    """What to write instead of a value of the wrong kind; "" where that cannot be told."""
    tables = expected == "expected a list" and _model_in(_element(annotation)) is not None
    if tables or (expected == "expected a table" and where.endswith("]")):
        return f"Write {_tables(where)}, in double brackets, for each."
    if "number" in expected:
        return _number_instead(given, whole="whole" in expected)
    if expected == "expected true or false":
        return UNQUOTED if isinstance(given, str) else ""
    if expected == "expected text" and isinstance(given, int | float):
        return "Write it in quotation marks."  # without the value, which may be a secret
    if expected == "expected a list" and isinstance(given, str | int | float):
        return f"Write it in square brackets: [{json.dumps(given)}]."
    if expected == "expected a table" and isinstance(given, Sequence) and len(given) > 1:
        return f"Write {_table(where)} once: there can be one only."
    if expected == "expected a table":
        return "Give its keys, each with a value of its own."
    return ""


def _number_instead(given: Any, *, whole: bool) -> str:
    if isinstance(given, str):
        text = given.strip()
        try:
            given = float(text.replace(",", "."))
        except ValueError:
            if not re.match(r"[-+]?\d", text):
                return f"Write it in digits, such as {20 if whole else 20.5}."
            return "Write it alone: no unit, a point for decimals, nothing between thousands."
    if not isinstance(given, float) or not math.isfinite(given):
        return ""
    if whole and given != int(given):
        return f"Write {math.floor(given)} or {math.ceil(given)}."
    return f"Write {given:g}."


def _table(where: str) -> str:
    """The head of a table as the file has it, without numbers."""
    return "[" + re.sub(r"\[\d+]", "", where) + "]"


def _tables(where: str) -> str:
    """The head of one of several tables as the file has it."""
    return f"[{_table(where)}]"


def _is_secret(key: str, annotation: Any) -> bool:
    return SecretStr in _parts(annotation) or bool(_SECRET_KEY.search(key))


def _text(value: Any) -> str | None:
    """A scalar as it would be written, without a password; None for a whole table."""
    if isinstance(value, Mapping | list | tuple | BaseModel) or value is None:
        return None
    text = repr(value) if isinstance(value, str) else str(value)
    text = _PASSWORD_IN_URL.sub(r"\1***@", text)
    return text if len(text) <= _LONGEST_VALUE else text[:_LONGEST_VALUE] + "…"
