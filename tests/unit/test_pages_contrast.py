"""Text and marks stand out from their ground as WCAG 2.2 asks, in light and in dark.

Relative luminance and contrast ratio: W3C, Web Content Accessibility Guidelines 2.2 (2023),
"relative luminance" and "contrast ratio"; success criteria 1.4.3 (text 4.5 : 1) and 1.4.11
(marks and edges of controls 3 : 1).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

SHEET = (Path(__file__).parents[2] / "service/pages/static/ladle.css").read_text()
TEXT = [
    (ink, ground)
    for ink in ("ink", "soft", "deep", "caution", "warning")
    for ground in ("paper", "card")
] + [
    ("ink", "caution-card"),
    ("ink", "warning-card"),
    ("ink", "good-card"),
    ("soft", "caution-card"),
    ("soft", "warning-card"),
    ("soft", "good-card"),
    ("caution", "caution-card"),
    ("deep", "caution-card"),
    ("deep", "warning-card"),
    ("deep-ink", "deep"),
    ("ink", "shade"),
]
MARKS = [
    (mark, ground)
    for mark in ("expected", "draw", "charging", "price", "surplus", "happened", "edge", "focus")
    for ground in ("paper",)
] + [("edge", "card"), ("price", "shade"), ("expected", "shade"), ("caution", "caution-card")]


def palettes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r":root\s*\{(.*?)\}", SHEET, re.DOTALL)
    light, dark = (dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block)) for block in blocks)
    assert light.keys() == dark.keys()
    return {"light": light, "dark": dark}


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_measure_itself():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the known near miss


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), TEXT)
def test_text_can_be_read(scheme: str, ink: str, ground: str):
    palette = palettes()[scheme]
    assert contrast(palette[ink], palette[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("mark", "ground"), MARKS)
def test_marks_can_be_seen(scheme: str, mark: str, ground: str):
    palette = palettes()[scheme]
    assert contrast(palette[mark], palette[ground]) >= 3.0


def test_no_colour_stands_outside_the_palettes():
    outside = re.sub(r":root\s*\{.*?\}", "", SHEET, flags=re.DOTALL)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b", outside) == []


def test_nothing_is_fetched_from_elsewhere():
    assert "url(" not in SHEET
    assert "@import" not in SHEET
