"""The week at a glance: what is learned for each weekday above the line, what happened below it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import svg
from markupsafe import Markup

from forecasting.types import Floats
from service.control.types import Draw
from service.pages import canvas
from service.pages.canvas import SIZES, Size
from service.pages.local import DAYS, Local, figure

HALF_HOURS = 48


@dataclass(frozen=True)
class DayRow:
    """One weekday in words, for the table beside the picture."""

    weekday: str
    learned: str
    busiest: str
    happened: str


def by_day(draws: Sequence[Draw], local: Local) -> dict[date, Floats]:
    """Litres at 40 degC drawn in each local half hour, shape (48,), for each local day with draws.

    A draw counts where it starts; the hour that comes twice in autumn counts twice.
    """
    days: dict[date, Floats] = {}
    for draw in draws:
        start = local.at(draw.start)
        slots = days.setdefault(start.date(), np.zeros(HALF_HOURS))
        slots[start.hour * 2 + start.minute // 30] += draw.litres_40c
    return days


def week(
    learned_l40: Sequence[Sequence[float]],
    happened: Mapping[int, tuple[str, Floats]],
) -> list[Markup]:
    """The picture, narrow and wide.

    learned_l40 has shape (7, 48), Monday first; ``happened`` holds for a weekday the name of its
    last day and what was drawn on it, shape (48,).
    """
    return [_draw(np.asarray(learned_l40, float), happened, size) for size in SIZES]


def tallest(
    learned_l40: Sequence[Sequence[float]] | Floats, happened: Mapping[int, tuple[str, Floats]]
) -> float:
    """What the tallest bar stands for, litres at 40 degC; 0 without any."""
    bars = [np.ravel(learned_l40), *(slots for _, slots in happened.values())]
    return float(np.concatenate(bars).max(initial=0.0))


def _draw(learned: Floats, happened: Mapping[int, tuple[str, Floats]], size: Size) -> Markup:
    wide = size.name == "wide"
    left, right = (92.0 if wide else 44.0), size.width - (74.0 if wide else 40.0)
    up, down = (36.0, 42.0) if wide else (26.0, 32.0)  # one day has taller bars than their mean
    # one scale for both
    most = max(tallest(learned, {}), tallest((), happened) * up / down, 1.0)
    width = (right - left) / HALF_HOURS
    top = 30.0
    parts: list[svg.Element] = [
        svg.Defs(elements=[canvas.hatch(f"week-{size.name}-rising", "rising", "ink-happened")]),
        canvas.words(right + 6, 14, "litres" if wide else "L", "axis"),
    ]
    foot = top + 7 * (up + down + 8)
    for hour in range(0, 24, 3 if wide else 6):
        x = left + hour * 2 * width
        parts.append(canvas.line(x, top, x, foot, "grid"))
        parts.append(canvas.words(x, 14, f"{hour:02d}", "axis", "middle"))
    for weekday, name in enumerate(DAYS):
        base = top + weekday * (up + down + 8) + up
        parts.append(canvas.words(0, base - 2, name if wide else name[:3], "day"))
        parts.append(canvas.line(left, base, right, base, "base"))
        for slot, litres in enumerate(learned[weekday]):
            tall = float(litres) / most * up
            if tall > 0.5:
                x = left + slot * width
                parts.append(canvas.box(x + 0.3, base - tall, width - 0.6, tall, "draw"))
        parts.append(
            canvas.words(right + 6, base - 3, figure(float(learned[weekday].sum())), "value")
        )
        if weekday not in happened:
            continue
        when, slots = happened[weekday]
        parts.append(
            canvas.words(0, base + 13, when if wide else when.split(maxsplit=1)[-1], "axis")
        )
        for slot, litres in enumerate(slots):
            tall = float(litres) / most * up
            if tall > 0.8:
                x = left + slot * width
                parts.append(
                    canvas.box(
                        x + 0.3,
                        base,
                        width - 0.6,
                        tall,
                        "happened",
                        f"url(#week-{size.name}-rising)",
                    )
                )
        parts.append(canvas.words(right + 6, base + 13, figure(float(slots.sum())), "axis"))
    return canvas.whole(
        "week",
        size,
        foot + 4,
        "The week at a glance",
        " ".join(
            f"{row.weekday}: {row.learned} litres, busiest {row.busiest}; {row.happened}."
            for row in rows(learned, happened)
        ),
        parts,
    )


def rows(
    learned_l40: Sequence[Sequence[float]] | Floats, happened: Mapping[int, tuple[str, Floats]]
) -> list[DayRow]:
    """The picture as a table."""
    learned = np.asarray(learned_l40, float)
    table = []
    for weekday, name in enumerate(DAYS):
        slots = learned[weekday]
        busiest = int(np.argmax(slots))
        last = "nothing recorded"
        if weekday in happened:
            when, drawn = happened[weekday]
            last = f"{when}: {figure(float(drawn.sum()))} litres"
        table.append(
            DayRow(
                weekday=name,
                learned=figure(float(slots.sum())),
                busiest=f"{busiest // 2:02d}:{busiest % 2 * 30:02d}"
                f" ({figure(float(slots[busiest]))} litres)",
                happened=last,
            )
        )
    return table
