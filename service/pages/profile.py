"""The inside of the cylinder as a picture: temperature over height, with band and probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import svg
from markupsafe import Markup

from service.pages import canvas
from service.pages.canvas import Anchor, Size
from service.pages.local import figure

BAND_SD = 1.645  # standard deviations on each side of a 90 % band (normal distribution)


SIZE = Size("both", 328, 26, 8)
LABEL_PX = 56.0  # labels of lines that stand closer would run into each other
START: Anchor = "start"
END: Anchor = "end"


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
        parts.append(
            canvas.path([(x(t), y(h)) for t, h in zip(centre, heights, strict=True)], "expected")
        )
    for probe, (height, measured_c) in probes.items():
        if measured_c is None:
            parts.append(canvas.words(left + 6, y(height) + 4, f"{probe}: no value", "note"))
            continue
        at, up = x(measured_c), y(height)
        parts.append(canvas.area([(at, up - 6), (at + 6, up), (at, up + 6), (at - 6, up)], "probe"))
        said = f"{probe} {figure(measured_c, 1)}"
        # Where the curve is not: hotter lies higher, so it runs from lower left to upper right.
        if at > (left + right) / 2:
            above = up + (14 if up < top + 20 else -5)
            parts.append(canvas.words(at - 11, above, said, "value halo", END))
        else:
            below = min(up + 14, bottom - 5)
            parts.append(canvas.words(at + 11, below, said, "value halo", START))
    parts.append(canvas.words(SIZE.left - 20, 14, "Height in m; temperature in °C", "lane"))
    return canvas.whole(
        "inside",
        SIZE,
        bottom + 24,
        "Temperature over the cylinder's height",
        describe(profile_c, probes, height_m),
        parts,
    )


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
