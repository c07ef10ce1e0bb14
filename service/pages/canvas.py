"""What every picture shares: escaped text, hatches that work without colour, axes in home time.

Pictures are drawn twice, narrow for a phone and wide for a desk; the style sheet shows one.
All colour comes from the style sheet by class, so that pictures follow light and dark.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape
from typing import Literal

import svg
from markupsafe import Markup

from service.pages.local import Local

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


@dataclass(frozen=True)
class Size:
    """One of the ways a picture is drawn; lengths are CSS pixels at its usual width."""

    name: Literal["narrow", "wide", "both"]
    width: float
    left: float
    right: float


NARROW = Size("narrow", 328, 30, 8)
WIDE = Size("wide", 880, 40, 14)
SIZES = (NARROW, WIDE)


def words(x: float, y: float, text: str, kind: str = "", anchor: Anchor = "start") -> svg.Text:
    """Text at a place; everything is escaped, since names come from a home's own file."""
    return svg.Text(
        x=round(x, 1),
        y=round(y, 1),
        text=escape(text),
        text_anchor=anchor,
        class_=["t", *kind.split()],
    )


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> svg.Line:
    """A straight line of a kind the style sheet knows."""
    return svg.Line(
        x1=round(x1, 1), y1=round(y1, 1), x2=round(x2, 1), y2=round(y2, 1), class_=kind.split()
    )


def box(
    x: float, y: float, width: float, height: float, kind: str, fill: str | None = None
) -> svg.Rect:
    """A rectangle; ``fill`` names a hatch."""
    return svg.Rect(
        x=round(x, 2),
        y=round(y, 2),
        width=round(max(width, 0.0), 2),
        height=round(max(height, 0.0), 2),
        class_=kind.split(),
        fill=fill,
    )


def dot(x: float, y: float, kind: str) -> svg.Circle:
    """A small circle."""
    return svg.Circle(cx=round(x, 1), cy=round(y, 1), r=4.5, class_=kind.split())


def path(points: Sequence[Point], kind: str) -> svg.Polyline:
    """An open line through points."""
    corners = [svg.Point(round(x, 1), round(y, 1)) for x, y in points]
    return svg.Polyline(points=corners, class_=kind.split())


def area(points: Sequence[Point], kind: str, fill: str | None = None) -> svg.Polygon:
    """A closed shape; ``fill`` names a hatch."""
    corners = [svg.Point(round(x, 1), round(y, 1)) for x, y in points]
    return svg.Polygon(points=corners, class_=kind.split(), fill=fill)


def steps(edges: Sequence[float], heights: Sequence[float]) -> list[Point]:
    """The corners of a stepped line: one height between each two edges."""
    return [
        point
        for left, right, y in zip(edges[:-1], edges[1:], heights, strict=True)
        for point in ((left, y), (right, y))
    ]


def hatch(
    name: str, kind: Literal["rising", "falling", "dots", "upright"], ink: str
) -> svg.Pattern:
    """A pattern that tells areas apart without colour; ``ink`` is a class that colours it."""
    mark: svg.Element = svg.Line(x1=2.5, y1=0, x2=2.5, y2=5, class_=["hatch-line"])
    if kind == "dots":
        mark = svg.Circle(cx=2.5, cy=2.5, r=1.1, class_=["hatch-dot"])
    turn = {"rising": 45, "falling": -45}.get(kind)
    return svg.Pattern(
        id=name,
        width=5,
        height=5,
        patternUnits="userSpaceOnUse",
        patternTransform=[svg.Rotate(turn)] if turn else None,
        class_=[ink],
        elements=[mark],
    )


def whole(
    name: str, size: Size, height: float, title: str, desc: str, parts: Sequence[svg.Element]
) -> Markup:
    """The finished picture with its title and description for screen readers."""
    name = f"{name}-{size.name}"
    head: list[svg.Element] = [
        svg.Title(id=f"{name}-title", text=escape(title)),
        svg.Desc(id=f"{name}-desc", text=escape(desc)),
    ]
    picture = svg.SVG(
        viewBox=svg.ViewBoxSpec(0, 0, size.width, round(height, 1)),
        class_=["picture", size.name],
        extra={
            "role": "img",
            "aria-labelledby": f"{name}-title",
            "aria-describedby": f"{name}-desc",
        },
        elements=[*head, *parts],
    )
    return Markup(picture.as_str())  # every text above was escaped


def local_hours(local: Local, start_s: float, end_s: float, every: int) -> Iterator[datetime]:
    """The whole local hours divisible by ``every`` in a span; days of 23 or 25 hours are ordinary.

    Steps through real time, so an hour that is skipped does not appear and one that comes twice
    is marked once.
    """
    at = datetime.fromtimestamp(start_s, UTC)
    at = at.replace(minute=at.minute // 15 * 15, second=0, microsecond=0)
    seen: datetime | None = None
    while at.timestamp() <= end_s:
        there = local.at(at)
        wall = there.replace(tzinfo=None, fold=0)
        if there.minute == 0 and there.hour % every == 0 and wall != seen:
            if at.timestamp() >= start_s:
                yield there
            seen = wall
        at += timedelta(minutes=15)
