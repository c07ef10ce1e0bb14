"""Where a replay's draws come from: records, a CSV file, a published profile, an invented home."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from service.control.types import Draw
from service.simulation.household import HOUSEHOLDS, TapDraw, draws
from service.simulation.tapping import PROFILES
from service.simulation.tapping import draws as tapping_draws

USUAL_L_PER_MIN = 8.0


class BadDraws(ValueError):  # noqa: N818 - it names what happened
    """Draws that cannot be replayed: what, where, and how to mend it."""


def from_name(name: str, first: date, days: int, zone: ZoneInfo, seed: int) -> Iterator[TapDraw]:
    """Draws of a published profile (S, M, L, XL) or of an invented household.

    Raises:
        BadDraws: when it is neither.
    """
    if name.upper() in PROFILES:
        return tapping_draws(name.upper(), first, days, zone)
    if name in HOUSEHOLDS:
        return draws(HOUSEHOLDS[name], first, days, zone, seed)
    known = ", ".join(["records", *PROFILES, *HOUSEHOLDS])
    raise BadDraws(f"{name!r} is no file, no profile and no household; there are: {known}")


def from_csv(path: Path, zone: ZoneInfo) -> Iterator[TapDraw]:
    """Draws of a CSV file with the columns ``start`` (ISO 8601), ``litres_40c``, ``seconds``.

    A start without an offset is local; without ``seconds`` the tap runs at 8 L/min.

    Raises:
        BadDraws: with the line that cannot be read.
    """
    found = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = csv.DictReader(file)
            if not {"start", "litres_40c"} <= set(rows.fieldnames or ()):
                raise BadDraws(
                    f"{path}: the first line must name the columns, with commas between: "
                    "start,litres_40c and, if known, seconds"
                )
            for row in rows:
                found.append(_row(row, zone))
    except BadDraws:
        raise
    except OSError as error:
        mend = "check the path and its rights"
        raise BadDraws(f"{path} cannot be read ({error.strerror}); {mend}") from None
    except UnicodeDecodeError:
        raise BadDraws(f"{path} is not UTF-8 text; save it as CSV in UTF-8") from None
    except (csv.Error, ValueError) as error:
        raise BadDraws(
            f"{path}, line {len(found) + 2}: {error}; it needs the columns start (ISO 8601), "
            "litres_40c and, if known, seconds"
        ) from None
    return apart(iter(sorted(found, key=lambda d: d.start_s)))


def _row(row: dict[str, str | None], zone: ZoneInfo) -> TapDraw:
    text = _cell(row, "start")
    try:
        start = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text[:40]!r} is no time; write it like 2026-03-01T07:00") from None
    if start.tzinfo is None:
        start = start.replace(tzinfo=zone)
    litres = _figure(row, "litres_40c")
    if not 0 < litres < 2000:
        raise ValueError(f"{litres:g} litres is no draw")
    known = bool(row.get("seconds"))
    seconds = _figure(row, "seconds") if known else litres / USUAL_L_PER_MIN * 60.0
    if not 1 <= seconds <= 86_400:
        raise ValueError(f"{seconds:g} seconds is no length of a draw")
    return TapDraw(start.timestamp(), litres / seconds * 60.0, seconds)


def _figure(row: dict[str, str | None], column: str) -> float:
    text = _cell(row, column)
    try:
        return float(text)
    except ValueError:
        raise ValueError(
            f"{text[:40]!r} is no number for {column}; write decimals with a point"
        ) from None


def _cell(row: dict[str, str | None], column: str) -> str:
    text = row[column]
    if not text:
        raise ValueError(f"{column} is missing")
    return text


def from_records(kept: Iterable[Draw]) -> Iterator[TapDraw]:
    """Recorded draws, in order of their start; of those that came cold, what was wanted."""
    for draw in sorted(kept, key=lambda d: d.start):
        seconds = max((draw.end - draw.start).total_seconds(), 5.0)
        if draw.litres_40c > 0:
            yield TapDraw(draw.start.timestamp(), draw.wanted_l40 / seconds * 60.0, seconds)


def apart(given: Iterator[TapDraw]) -> Iterator[TapDraw]:
    """The same draws with none beginning before the one before it has ended."""
    free_s = float("-inf")
    for draw in given:
        start_s = max(draw.start_s, free_s)
        free_s = start_s + draw.duration_s
        yield TapDraw(start_s, draw.flow_l_per_min, draw.duration_s)
