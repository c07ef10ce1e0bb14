"""The one picture of the household page: what the plan expects of the coming two days.

From the top: the charge ahead with its low band, planned charging, expected draws, the import
price and, where there is any, PV surplus. All lanes share one time axis in the home's zone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import svg
from markupsafe import Markup
from numpy.typing import NDArray

from forecasting.types import Floats
from service.pages import canvas
from service.pages.canvas import SIZES, Size
from service.pages.local import Local, figure, price_figure
from service.scheduling.types import Plan, Window

Bools = NDArray[np.bool_]
SOURCES = {"heat_pump": "Heat pump", "immersion": "Immersion heater"}
DISINFECTION, HOT = "disinfection", "hot"  # a window's purpose, and what stands over it
LOOKS = {"heat_pump": "striped", "immersion": "dotted"}
LABELLED = 60.0  # px; a shorter stretch of the reserve has no room for its label
PRICE_DIGITS = 6


@dataclass(frozen=True)
class Row:
    """One line of the table that says the same as the picture."""

    when: str
    charge: str
    low: str
    draws: str
    charging: str
    price: str
    surplus: str


@dataclass(frozen=True)
class _Axis:
    """Seconds to pixels, and the lanes' common left and right."""

    size: Size
    start_s: float
    end_s: float

    @property
    def left(self) -> float:
        return self.size.left

    @property
    def right(self) -> float:
        return self.size.width - self.size.right

    def x(self, at_s: float) -> float:
        share = (at_s - self.start_s) / (self.end_s - self.start_s)
        return self.left + share * (self.right - self.left)


def hours(plan: Plan) -> int:
    """How far ahead a plan looks, whole hours."""
    return round(float(plan.grid.end_s[-1] - plan.grid.start_s[0]) / 3600)


def timeline(
    plan: Plan,
    reference_l40: float,
    local: Local,
    now_l40: float | None = None,
) -> list[Markup]:
    """The picture, narrow and wide; ``now_l40`` is the charge at present, where it is known."""
    begin, end = float(plan.grid.start_s[0]), float(plan.grid.end_s[-1])
    inside = begin <= local.now.timestamp() <= end
    now = None if now_l40 is None or not inside else now_l40 / reference_l40 * 10
    return [_draw(plan, reference_l40, local, size, now) for size in SIZES]


def _draw(
    plan: Plan,
    reference_l40: float,
    local: Local,
    size: Size,
    now: float | None,
) -> Markup:
    grid = plan.grid
    axis = _Axis(size, float(grid.start_s[0]), float(grid.end_s[-1]))
    wide = size.name == "wide"
    prefix = f"ahead-{size.name}"
    parts: list[svg.Element] = [
        svg.Defs(
            elements=[
                canvas.hatch(f"{prefix}-low", "falling", "ink-expected"),
                canvas.hatch(f"{prefix}-heat_pump", "rising", "ink-charging"),
                canvas.hatch(f"{prefix}-immersion", "dots", "ink-charging"),
                canvas.hatch(f"{prefix}-surplus", "upright", "ink-surplus"),
            ]
        )
    ]
    top = 20.0
    lanes: list[svg.Element] = []
    point = None if now is None else (local.now.timestamp(), now)
    bottom, lane = _charge(plan, reference_l40, axis, top, prefix, wide, point)
    charge_span = (top, bottom)
    lanes += lane
    for draw_lane in (_charging, _draws, _price, _surplus):
        result = draw_lane(plan, local, axis, bottom + 10, prefix)
        if result is not None:
            bottom, lane = result
            lanes += lane
    parts += _time_marks(local, axis, charge_span[0], bottom, wide)
    parts += lanes
    return canvas.whole(
        "ahead",
        size,
        bottom + 22,
        f"The coming {hours(plan)} hours",
        describe(plan, reference_l40, local)
        + ("" if now is None else f" Now there are {figure(now, 1)} tenths."),
        parts,
    )


def _time_marks(
    local: Local, axis: _Axis, top: float, bottom: float, wide: bool
) -> list[svg.Element]:
    marks: list[svg.Element] = []
    every = 3 if wide else 6
    midnights = [axis.start_s]
    for there in canvas.local_hours(local, axis.start_s, axis.end_s, every):
        x = axis.x(there.timestamp())
        midnight = there.hour == 0
        marks.append(canvas.line(x, top, x, bottom, "midnight" if midnight else "grid"))
        if axis.left + 10 < x < axis.right - 8:
            marks.append(canvas.words(x, bottom + 15, f"{there:%H}", "axis", "middle"))
        if midnight and there.timestamp() > axis.start_s:
            midnights.append(there.timestamp())
    for start, end in zip(midnights, [*midnights[1:], axis.end_s], strict=True):
        name = local.day(start)
        if axis.x(end) - axis.x(start) > 9 * len(name):
            marks.append(
                canvas.words(axis.x(start) + 4, top - 8, name[0].upper() + name[1:], "day")
            )
    return marks


def _title(axis: _Axis, top: float, text: str) -> svg.Text:
    """A lane's name over its top left corner."""
    x = axis.left if axis.size.name == "wide" else 0.0
    return canvas.words(x, top - 6, text, "lane halo")


def _charge(
    plan: Plan,
    reference_l40: float,
    axis: _Axis,
    top: float,
    prefix: str,
    wide: bool,
    now: tuple[float, float] | None,
) -> tuple[float, list[svg.Element]]:
    height = 170.0 if wide else 130.0
    top += 18
    bottom = top + height
    tenths = plan.expected_l40 / reference_l40 * 10
    low = plan.low_l40 / reference_l40 * 10
    most = max(10.0, float(tenths.max(initial=0.0)), now[1] if now else 0.0)

    def y(value: float) -> float:
        return bottom - value / most * height

    edges = [axis.x(float(s)) for s in (*plan.grid.start_s, plan.grid.end_s[-1])]
    upper = [(x, y(float(v))) for x, v in zip(edges, tenths, strict=True)]
    lower = [(x, y(float(v))) for x, v in zip(edges, low, strict=True)]
    parts: list[svg.Element] = [
        _title(
            axis,
            top,
            "Charge ahead, tenths: expected, and hatched down to the low case"
            if wide
            else "Charge ahead, tenths (hatched: low case)",
        )
    ]
    for window in plan.windows:
        x1, x2 = axis.x(window.start_s), axis.x(window.end_s)
        parts.append(canvas.box(x1, top, x2 - x1, height, "shade"))
    for mark in range(0, 11, 2):
        parts.append(canvas.line(axis.left, y(mark), axis.right, y(mark), "grid"))
        below = 9 if mark == 10 else 4  # clear of the lane's name
        parts.append(canvas.words(axis.left - 5, y(mark) + below, str(mark), "axis", "end"))
    parts.append(canvas.area([*upper, *reversed(lower)], "band", f"url(#{prefix}-low)"))
    parts.append(canvas.path(lower, "low"))
    parts.append(canvas.path(upper, "expected"))
    for begin, end, level in _stretches(plan.reserve_l40 / reference_l40 * 10):
        left, right, height_at = edges[begin], edges[end], y(level)
        parts.append(canvas.line(left, height_at, right, height_at, "reserve"))
        if right - left >= LABELLED:
            label = f"reserve {level:.2g}"
            parts.append(canvas.words(right - 2, height_at + 13, label, "note", "end"))
    if now is not None:  # the plan is older, and somebody may have drawn since
        at, up = axis.x(now[0]), y(now[1])
        parts.append(canvas.dot(at, up, "probe"))
        under = up + 18 if up < (top + bottom) / 2 else up - 9
        parts.append(canvas.words(at + 3, under, "now", "value halo"))
    return bottom, parts


def _stretches(levels: Floats) -> Iterator[tuple[int, int, float]]:
    """First slot, the one after the last, and level, of each run of slots with one above 0."""
    turns = np.flatnonzero(np.diff(levels)) + 1
    for begin, end in pairwise([0, *turns.tolist(), len(levels)]):
        if begin < end and levels[begin] > 0:
            yield begin, end, float(levels[begin])


def _charging(
    plan: Plan, local: Local, axis: _Axis, top: float, prefix: str
) -> tuple[float, list[svg.Element]]:
    used = [s for s in SOURCES if any(w.source == s for w in plan.windows)]
    names = " and ".join(f"{SOURCES[s].lower()} ({LOOKS[s]})" for s in used)
    title = f"Planned charging, to tenths: {names}" if used else "No charging planned"
    if any(w.purpose == DISINFECTION for w in plan.windows):
        title += "; hot: disinfection"
    if axis.size.name == "narrow" and used:
        dotted = " (dotted: immersion heater)" if "immersion" in used else ""
        title = f"Charging to tenths{dotted}"
    top += 12
    parts: list[svg.Element] = [_title(axis, top + 6, title)]
    labels = list(_labels(plan.windows))
    places = _label_places([_middle(axis, window, label) for window, label in labels])
    bar_top = top + (34 if any(row for _, row in places) else 22)
    for window in plan.windows:
        x1, x2 = axis.x(window.start_s), axis.x(window.end_s)
        fill = f"url(#{prefix}-{window.source})"
        kind = f"charging {window.source.replace('_', '-')}"
        parts.append(canvas.box(x1, bar_top, max(x2 - x1, 3), 20, kind, fill))
    for (_, label), (middle, row) in zip(labels, places, strict=True):
        if row < 2:
            parts.append(canvas.words(middle, bar_top - 5 - 12 * row, label, "value", "middle"))
    parts.append(canvas.line(axis.left, bar_top + 20, axis.right, bar_top + 20, "base"))
    return bar_top + 20, parts


def _labels(windows: Sequence[Window]) -> Iterator[tuple[Window, str]]:
    """The blocks to label, in order; sources that disinfect in turn do it once."""
    hot_until_s = float("-inf")
    for window in sorted(windows, key=lambda w: w.start_s):
        label = window_label(window)
        if label != HOT or window.start_s > hot_until_s:
            yield window, label
        if label == HOT:
            hot_until_s = window.end_s


def _middle(axis: _Axis, window: Window, label: str) -> tuple[float, float]:
    """Where a block's label stands, and half its width, in pixels."""
    half = 4.0 * len(label) + 2
    middle = (axis.x(window.start_s) + axis.x(window.end_s)) / 2
    return min(max(middle, axis.left + half), axis.right - half), half


def _label_places(wanted: Sequence[tuple[float, float]]) -> list[tuple[float, int]]:
    """Each label's middle and row: 0, above it 1 where it would touch, 2 where none is free."""
    ends = [-1e9, -1e9]
    places = []
    for middle, half in wanted:
        row = next((r for r in (0, 1) if middle - half > ends[r]), 2)
        if row < 2:
            ends[row] = middle + half
        places.append((middle, row))
    return places


def window_label(window: Window) -> str:
    """What stands over a block of charging: the tenths it charges to, or that it disinfects."""
    return HOT if window.purpose == DISINFECTION else f"{window.target_tenths}"


def _draws(
    plan: Plan, local: Local, axis: _Axis, top: float, prefix: str
) -> tuple[float, list[svg.Element]]:
    height = 54.0
    use = plan.expected_use_l40
    most = _round_up(float(use.max(initial=0.0)))
    top += 18
    bottom = top + height
    parts: list[svg.Element] = [
        _title(axis, top, "Expected draws, litres at 40 °C"),
        canvas.line(axis.left, top, axis.right, top, "grid"),
        canvas.words(axis.left - 5, top + 8, figure(most), "axis", "end"),
        canvas.words(axis.left - 5, bottom, "0", "axis", "end"),
    ]
    for start, end, litres in zip(plan.grid.start_s, plan.grid.end_s, use, strict=True):
        x1, x2 = axis.x(float(start)), axis.x(float(end))
        tall = float(litres) / most * height
        if tall > 0.3:
            parts.append(canvas.box(x1 + 0.4, bottom - tall, x2 - x1 - 0.8, tall, "draw"))
    parts.append(canvas.line(axis.left, bottom, axis.right, bottom, "base"))
    return bottom, parts


def _price(
    plan: Plan, local: Local, axis: _Axis, top: float, prefix: str
) -> tuple[float, list[svg.Element]]:
    height = 54.0
    price = _prices(plan)
    least = min(0.0, float(price.min(initial=0.0)))
    most = max(float(price.max(initial=0.0)), least + 0.01)
    top += 18
    bottom = top + height

    def y(value: float) -> float:
        return bottom - (value - least) / (most - least) * height

    edges = [axis.x(float(s)) for s in (*plan.grid.start_s, plan.grid.end_s[-1])]
    corners = canvas.steps(edges, [y(float(p)) for p in price])
    guessed = bool(plan.price_estimated.any())
    title = f"Import price, {local.currency} per kWh"
    parts: list[svg.Element] = [
        _title(axis, top, title + (" (dashed: a guess)" if guessed else "")),
        canvas.area([(edges[0], y(0.0)), *corners, (edges[-1], y(0.0))], "shade"),
        canvas.line(axis.left, y(0.0), axis.right, y(0.0), "base"),
    ]
    for guess, kind in ((False, "price"), (True, "price guessed")):
        for first, last in _runs(plan.price_estimated == guess):
            parts.append(canvas.path(corners[2 * first : 2 * last], kind))
    high, lowest = int(np.argmax(price)), int(np.argmin(price))
    marks = [high] if price[high] == price[lowest] else [high, lowest]
    for slot in marks:
        value = float(price[slot])
        middle = _run_middle(price == value, slot, edges)
        middle = min(max(middle, axis.left + 16), axis.right - 16)
        at = y(value) + (14 if slot == high else -5)
        parts.append(canvas.words(middle, at, price_figure(value), "value halo", "middle"))
    return bottom, parts


def _prices(plan: Plan) -> Floats:
    """Import prices; two slots of one price differ by what a mean over their length is off."""
    rounded: Floats = np.round(plan.import_per_kwh, PRICE_DIGITS)
    return rounded


def _surplus(
    plan: Plan, local: Local, axis: _Axis, top: float, prefix: str
) -> tuple[float, list[svg.Element]] | None:
    if float(plan.surplus_w.max(initial=0.0)) < 50:
        return None
    height = 36.0
    most_kw = max(1.0, float(np.ceil(plan.surplus_w.max() / 1000)))
    top += 18
    bottom = top + height
    edges = [axis.x(float(s)) for s in (*plan.grid.start_s, plan.grid.end_s[-1])]
    heights = [bottom - float(w) / 1000 / most_kw * height for w in plan.surplus_w]
    corners = canvas.steps(edges, heights)
    return bottom, [
        _title(axis, top, "Sun to spare (PV surplus), kW"),
        canvas.line(axis.left, top, axis.right, top, "grid"),
        canvas.words(axis.left - 5, top + 8, figure(most_kw), "axis", "end"),
        canvas.area(
            [(edges[0], bottom), *corners, (edges[-1], bottom)],
            "surplus",
            f"url(#{prefix}-surplus)",
        ),
        canvas.line(axis.left, bottom, axis.right, bottom, "base"),
    ]


def _runs(mask: Bools) -> list[tuple[int, int]]:
    """Half-open index ranges in which ``mask`` holds; slots to draw as one stroke."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(int)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _run_middle(mask: Bools, slot: int, edges: Sequence[float]) -> float:
    """The middle of the run of True around ``slot``, in pixels."""
    first = last = slot
    while first > 0 and mask[first - 1]:
        first -= 1
    while last + 1 < len(mask) and mask[last + 1]:
        last += 1
    return (edges[first] + edges[last + 1]) / 2


def _round_up(value: float) -> float:
    for step in (5, 10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 500):
        if value <= step:
            return float(step)
    return value


def describe(plan: Plan, reference_l40: float, local: Local) -> str:
    """The picture in words, from the same figures."""
    expected = plan.expected_l40 / reference_l40 * 10
    low = plan.low_l40 / reference_l40 * 10
    starts = (*plan.grid.start_s, plan.grid.end_s[-1])
    lowest = int(np.argmin(expected))
    price = _prices(plan)
    cheapest, dearest = int(np.argmin(price)), int(np.argmax(price))
    sentences = [
        f"The charge starts at {figure(float(expected[0]), 1)} tenths and is expected to be lowest "
        f"{local.moment(float(starts[lowest]))} at {figure(float(expected[lowest]), 1)} tenths, "
        f"{figure(float(low[lowest]), 1)} in the low case.",
        f"About {figure(float(plan.expected_use_l40.sum()))} litres at 40 °C will be drawn.",
    ]
    if plan.windows:
        sentences.append(
            "Charging is planned: "
            + "; ".join(
                f"{SOURCES[w.source].lower()} {local.span(w.start_s, w.end_s)} "
                f"to {w.target_tenths} tenths"
                for w in plan.windows
            )
            + "."
        )
    else:
        sentences.append("No charging is planned.")
    sentences.append(
        f"The price is {local.price(float(price[cheapest]))} throughout."
        if price[cheapest] == price[dearest]
        else f"The price is lowest {local.moment(float(plan.grid.start_s[cheapest]))} at "
        f"{local.price(float(price[cheapest]))} and highest "
        f"{local.moment(float(plan.grid.start_s[dearest]))} at "
        f"{local.price(float(price[dearest]))}."
    )
    return " ".join(sentences)


def rows(plan: Plan, reference_l40: float, local: Local) -> list[Row]:
    """The picture as a table, slots gathered into whole local hours."""
    grid = plan.grid
    hours = [local.at(float(s)).strftime("%Y%m%d%H%z") for s in grid.start_s]
    table: list[Row] = []
    first = 0
    while first < len(grid):
        last = first
        while last < len(grid) and hours[last] == hours[first]:
            last += 1
        here = slice(first, last)
        start, end = int(grid.start_s[first]), int(grid.end_s[last - 1])
        seconds = (grid.end_s[here] - grid.start_s[here]).astype(float)
        price = float(np.average(plan.import_per_kwh[here], weights=seconds))
        running = [
            f"{SOURCES[w.source].lower()} to {w.target_tenths}"
            for w in plan.windows
            if w.start_s < end and w.end_s > start
        ]
        surplus = float(np.average(plan.surplus_w[here], weights=seconds)) / 1000
        table.append(
            Row(
                when=local.moment(start),
                charge=figure(float(plan.expected_l40[first]) / reference_l40 * 10, 1),
                low=figure(float(plan.low_l40[first]) / reference_l40 * 10, 1),
                draws=figure(float(plan.expected_use_l40[here].sum())),
                charging=", ".join(running) or "none",
                price=figure(price, 3)
                + (" (a guess)" if bool(plan.price_estimated[here].any()) else ""),
                surplus=figure(surplus, 1),
            )
        )
        first = last
    return table
