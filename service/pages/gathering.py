"""A day's forecast as a band with what was really drawn: litres gathered from its first slot on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import svg
from markupsafe import Markup

from forecasting.sums import accumulated, quantiles
from forecasting.types import DemandForecast, Floats, Ints
from service.control.types import Draw
from service.pages import canvas
from service.pages.canvas import Size
from service.pages.local import Local, figure

LEVELS = (0.05, 0.5, 0.95)
SIZE = Size("both", 328, 34, 8)


@dataclass(frozen=True)
class Gathering:
    """What was to be drawn by each moment, and what was.

    at_s, shape (n + 1,), begins with the forecast's first slot and ends with the day; ``low``,
    ``middle`` and ``high`` are litres at 40 degC drawn by then in 5, 50 and 95 cases of a
    hundred, same shape. ``drawn`` holds (moment, litres so far), ``until_s`` how far is known.
    """

    at_s: Ints
    low: Floats
    middle: Floats
    high: Floats
    drawn: tuple[tuple[float, float], ...]
    until_s: float


def gather(
    forecast: DemandForecast, draws: Sequence[Draw], end_s: float, until_s: float
) -> Gathering | None:
    """The part of a forecast before ``end_s`` beside the draws in it; None when there is none."""
    count = int(np.searchsorted(forecast.grid.end_s, end_s, side="right"))
    if not count:
        return None
    sums = accumulated(forecast, tuple(range(1, count + 1)))
    bands = np.array([quantiles(pmf, LEVELS) for pmf in sums])
    low, middle, high = np.vstack((np.zeros((1, 3)), bands)).T
    begin = int(forecast.grid.start_s[0])
    so_far, total = [(float(begin), 0.0)], 0.0
    for draw in sorted(draws, key=lambda d: d.start):
        at = draw.start.timestamp()
        if begin <= at < min(end_s, until_s):
            so_far += [(at, total), (draw.end.timestamp(), total + draw.litres_40c)]
            total += draw.litres_40c
    known = min(until_s, float(forecast.grid.end_s[count - 1]))
    so_far.append((max(known, so_far[-1][0]), total))
    return Gathering(
        np.concatenate((forecast.grid.start_s[:1], forecast.grid.end_s[:count])),
        low,
        middle,
        high,
        tuple(so_far),
        known,
    )


def picture(name: str, title: str, day: Gathering, local: Local) -> Markup:
    """The picture; ``name`` tells it from others on the page."""
    left, right = SIZE.left, SIZE.width - SIZE.right
    top, bottom = 26.0, 186.0
    most = max(10.0, float(day.high.max()), day.drawn[-1][1])
    step = next((s for s in (10, 20, 50, 100, 200, 500) if most / s <= 6), 1000)
    begin, end = float(day.at_s[0]), float(day.at_s[-1])

    def x(at_s: float) -> float:
        return left + (min(at_s, end) - begin) / (end - begin) * (right - left)

    def y(litres: float) -> float:
        return bottom - litres / most * (bottom - top)

    hatch = f"{name}-band"
    parts: list[svg.Element] = [
        svg.Defs(elements=[canvas.hatch(hatch, "falling", "ink-expected")]),
        canvas.words(0, 14, f"{title}: litres at 40 °C", "lane"),
    ]
    for litres in np.arange(0, most + 1e-6, step):
        parts.append(canvas.line(left, y(litres), right, y(litres), "grid"))
        parts.append(canvas.words(left - 5, y(litres) + 4, figure(litres), "axis", "end"))
    for there in canvas.local_hours(local, begin, end, 6):
        at = x(there.timestamp())
        parts.append(canvas.line(at, top, at, bottom, "grid"))
        parts.append(canvas.words(at, bottom + 15, f"{there:%H}", "axis", "middle"))
    edges = [float(s) for s in day.at_s]
    upper = [(x(s), y(float(v))) for s, v in zip(edges, day.high, strict=True)]
    lower = [(x(s), y(float(v))) for s, v in zip(edges, day.low, strict=True)]
    middle = [(x(s), y(float(v))) for s, v in zip(edges, day.middle, strict=True)]
    parts += [
        canvas.area([*upper, *reversed(lower)], "band", f"url(#{hatch})"),
        canvas.path(middle, "low"),
        canvas.line(left, bottom, right, bottom, "base"),
        canvas.path([(x(s), y(v)) for s, v in day.drawn], "really"),
    ]
    last_s, last = day.drawn[-1]
    leftwards = x(last_s) > (left + right) / 2
    parts.append(
        canvas.words(
            x(last_s) + (-6 if leftwards else 6),
            max(y(last) - 7, top + 10),
            f"drawn {figure(last)}",
            "value halo",
            "end" if leftwards else "start",
        )
    )
    return canvas.whole(name, SIZE, bottom + 20, title, describe(day, local), parts)


def describe(day: Gathering, local: Local) -> str:
    """The picture in words."""
    slot = int(np.searchsorted(day.at_s, day.until_s, side="right")) - 1
    over = day.until_s >= float(day.at_s[-1])
    when = "By the day's end" if over else f"By {local.clock(day.until_s)}"
    return (
        f"{when}, {figure(day.drawn[-1][1])} litres at 40 °C were drawn; "
        f"{figure(float(day.middle[slot]))} were expected, and nine times in ten between "
        f"{figure(float(day.low[slot]))} and {figure(float(day.high[slot]))}."
    )
