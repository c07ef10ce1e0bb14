"""The inside of the cylinder as a picture: temperature over height, with band and probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import svg
from markupsafe import Markup

from service.pages import canvas
from service.pages.canvas import Anchor, Size
from service.pages.local import figure

BAND_SD = 1.645  # standard deviations on each side of a 90 % band (normal distribution)


SIZE = Size("both", 328, 26, 8)
LABEL_PX = 56.0  # labels of lines that stand closer would run into each other
LETTER_PX = 8.0  # the widest that a letter of a label is on average, and how high it stands
RISE_PX = 9.0
LEAST_LETTERS = 6  # of a name that is cut; fewer say nothing
START: Anchor = "start"
END: Anchor = "end"
Place = tuple[float, float, Anchor]
Box = tuple[float, float, float, float]  # left, top, right, bottom


def profile(
    profile_c: Sequence[float],
    profile_sd_c: Sequence[float],
    probes: Mapping[str, tuple[float, float | None]],
    height_m: float,
    use_c: float,
    set_c: float,
) -> Markup:
    """The picture; layers run from the bottom up, probes are (height, degC)."""
    left, right = SIZE.left + 12, SIZE.width - SIZE.right
    top, bottom = 42.0, 42.0 + 270.0
    layers = np.asarray(profile_c, float)
    spread = np.asarray(profile_sd_c, float) if len(profile_sd_c) else np.zeros_like(layers)
    measured = [t for _, t in probes.values() if t is not None]
    every = [*layers.tolist(), *measured, use_c, set_c]
    coldest = float(np.floor(min(every) / 10) * 10)
    hottest = float(np.ceil((max(every) + 2) / 10) * 10)

    def x(temperature: float) -> float:
        share = (temperature - coldest) / (hottest - coldest)
        return left + min(max(share, 0.0), 1.0) * (right - left)

    def y(height: float) -> float:
        return bottom - height / height_m * (bottom - top)

    name = "inside-band"
    parts: list[svg.Element] = [svg.Defs(elements=[canvas.hatch(name, "falling", "ink-expected")])]
    for mark in np.arange(coldest, hottest + 1, 10):
        parts.append(canvas.line(x(mark), top, x(mark), bottom, "grid"))
        parts.append(canvas.words(x(mark), bottom + 16, figure(float(mark)), "axis", "middle"))
    rungs = np.arange(0, height_m + 1e-6, 0.25 if height_m < 1.3 else 0.5)
    for mark in rungs:
        parts.append(canvas.line(left, y(mark), right, y(mark), "grid"))
        parts.append(canvas.words(left - 6, y(mark) + 4, figure(float(mark), 2), "axis", "end"))
    parts.append(canvas.line(left, top, left, bottom, "base"))
    parts.append(canvas.line(left, bottom, right, bottom, "base"))
    apart = abs(x(set_c) - x(use_c)) > LABEL_PX
    for temperature, label, anchor in ((use_c, "use", END), (set_c, "set", START)):
        parts.append(canvas.line(x(temperature), top, x(temperature), bottom, "reserve"))
        where: Anchor = "middle" if apart else anchor
        if x(temperature) < left + LABEL_PX / 2:
            where = START  # beside it stand the heights
        said = f"{label} {figure(temperature)}"
        parts.append(canvas.words(x(temperature), top - 6, said, "note", where))
    curve: list[canvas.Point] = []
    if layers.size:
        middle = (np.arange(layers.size) + 0.5) / layers.size * height_m
        heights = np.concatenate(([0.0], middle, [height_m]))
        centre = np.concatenate((layers[:1], layers, layers[-1:]))
        around = np.concatenate((spread[:1], spread, spread[-1:])) * BAND_SD
        if spread.any():
            edge = [(x(t), y(h)) for t, h in zip(centre - around, heights, strict=True)]
            edge += [
                (x(t), y(h)) for t, h in reversed(list(zip(centre + around, heights, strict=True)))
            ]
            parts.append(canvas.area(edge, "band", f"url(#{name})"))
        curve = [(x(t), y(h)) for t, h in zip(centre, heights, strict=True)]
        parts.append(canvas.path(curve, "expected"))
    labels = _Labels(left, right, curve, [(x(use_c), top - 6), (x(set_c), top - 6)])
    for probe, (height, measured_c) in probes.items():
        up = y(height)
        if measured_c is None:
            level = min(up + 4, bottom - 5)
            sides: list[Place] = [(left + 6, level, START), (right - 2, level, END)]
            parts += labels.put(probe, ": no value", "note", sides)
            continue
        at, under = x(measured_c), min(up + 14, bottom - 5)
        parts.append(canvas.area([(at, up - 6), (at + 6, up), (at, up + 6), (at - 6, up)], "probe"))
        # Hotter lies higher, so the curve runs from lower left to upper right: beside it is room.
        beside: list[Place] = [(at - 11, up - 5, END), (at - 11, under, END)]
        below: list[Place] = [(at + 11, under, START), (at + 11, up - 5, START)]
        places = beside + below if at > (left + right) / 2 else below + beside
        parts += labels.put(probe, f" {figure(measured_c, 1)}", "value halo", places)
    parts.append(canvas.words(SIZE.left - 20, 14, "Height in m; temperature in °C", "lane"))
    return canvas.whole(
        "inside",
        SIZE,
        bottom + 24,
        "Temperature over the cylinder's height",
        describe(profile_c, probes, height_m),
        parts,
    )


class _Labels:
    """Puts the names of probes where nothing else is, and leaves out what has no room.

    The table of signals on the same page tells them all.
    """

    def __init__(
        self,
        left: float,
        right: float,
        curve: Sequence[canvas.Point],
        marks: Sequence[canvas.Point],
    ) -> None:
        """``marks``: where the names of lines stand above the picture."""
        self._left, self._right = left + 3, right
        self._taken = [(x - LABEL_PX / 2, y - RISE_PX, x + LABEL_PX / 2, y + 3) for x, y in marks]
        steps = np.linspace(0.0, 1.0, 9)
        self._curve = [
            (a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t)
            for a, b in pairwise(curve)
            for t in steps
        ]

    def put(self, name: str, value: str, kind: str, places: Sequence[Place]) -> list[svg.Element]:
        """The label at the first of the places that is free, its name cut to the room there."""
        for x, y, anchor in places:
            room = x - self._left if anchor == END else self._right - x
            letters = int(room / LETTER_PX) - len(value)
            if letters < min(len(name), LEAST_LETTERS):
                continue
            said = (name if len(name) <= letters else f"…{name[1 - letters :]}") + value
            start = x - LETTER_PX * len(said) if anchor == END else x
            box = (start, y - RISE_PX, start + LETTER_PX * len(said), y + 3)
            if any(_meet(box, other) for other in self._taken):
                continue
            if any(box[0] < u < box[2] and box[1] < v < box[3] for u, v in self._curve):
                continue
            self._taken.append(box)
            return [canvas.words(x, y, said, kind, anchor)]
        return []


def _meet(one: Box, other: Box) -> bool:
    across = min(one[2], other[2]) - max(one[0], other[0])
    down = min(one[3], other[3]) - max(one[1], other[1])
    return across > 0 and down > 0


def describe(
    profile_c: Sequence[float], probes: Mapping[str, tuple[float, float | None]], height_m: float
) -> str:
    """The picture in words."""
    sentences: list[str] = []
    if len(profile_c):
        layers = np.asarray(profile_c, float)
        sentences.append(
            f"From {figure(layers[0], 1)}\u00a0°C at the bottom "
            f"to {figure(layers[-1], 1)}\u00a0°C at the top."
        )
        steps = np.diff(layers)
        if steps.size and float(steps.max()) > 1.0:
            at = (int(np.argmax(steps)) + 1) / layers.size * height_m
            sentences.append(f"The steepest rise lies at {figure(at, 2)}\u00a0m.")
    measured = [
        f"{name} at {figure(height, 2)}\u00a0m "
        + ("no value" if temperature is None else f"{figure(temperature, 1)}\u00a0°C")
        for name, (height, temperature) in probes.items()
    ]
    if measured:
        sentences.append(f"Measured: {', '.join(measured)}.")
    return " ".join(sentences) or "Nothing is known of the temperatures yet."
