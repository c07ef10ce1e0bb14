"""Every page, on a phone and a desk, in light and dark, with JavaScript and without it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from service.pages import profile
from tests.browser.conftest import Site

PAGES = {
    "homes": "/",
    "household": "/homes/mill-lane",
    "troubled": "/homes/forge-cottage",
    "one probe": "/homes/the-lock",
    "first minute": "/homes/new-build",
    "watched only": "/homes/the-barn",
    "habits": "/homes/mill-lane/habits",
    "habits, first minute": "/homes/new-build/habits",
    "plant": "/homes/mill-lane/plant",
    "plant, first minute": "/homes/new-build/plant",
    "cold": "/homes/mill-lane/cold?day=2026-11-24",
    "care": "/homes/forge-cottage/care",
    "settings": "/homes/mill-lane/settings",
    "keys": "/homes/mill-lane/keys",
    "sign in": "/sign-in",
}
SHEET = Path(profile.__file__).parent / "static" / "ladle.css"
WITHOUT_SCRIPTS = ("household", "troubled", "plant", "settings")
SCREENS: dict[str, dict[str, Any]] = {
    "phone, light, scripts": {
        "viewport": {"width": 360, "height": 740},
        "color_scheme": "light",
    },
    "phone, dark, no scripts": {
        "viewport": {"width": 360, "height": 740},
        "color_scheme": "dark",
        "java_script_enabled": False,
    },
    "desk, dark, scripts": {"viewport": {"width": 1280, "height": 900}, "color_scheme": "dark"},
    "desk, light, no scripts": {
        "viewport": {"width": 1280, "height": 900},
        "color_scheme": "light",
        "java_script_enabled": False,
    },
}


@contextmanager
def opened(browser: Browser, screen: dict[str, Any]) -> Iterator[tuple[Page, list[str]]]:
    """A fresh page and the list of everything the browser complains about."""
    context = browser.new_context(**screen)
    page = context.new_page()
    complaints: list[str] = []
    page.on(
        "console",
        lambda m: (
            complaints.append(f"{m.type}: {m.text}") if m.type in ("error", "warning") else None
        ),
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "requestfailed",
        lambda r: (
            complaints.append(f"failed: {r.url} {r.failure}")
            if r.failure != "net::ERR_ABORTED"  # the next page was opened while an icon was loading
            else None
        ),
    )
    elsewhere = lambda r: not r.url.startswith("http://127.0.0.1:")  # noqa: E731
    page.on("request", lambda r: complaints.append(f"elsewhere: {r.url}") if elsewhere(r) else None)
    yield page, complaints
    context.close()


# What can be read off a page by looking at its elements; run in the browser by the test itself.
FAULTS = """() => {
  const found = [];
  const shown = e => e.checkVisibility();
  const all = (what, within = document) => [...within.querySelectorAll(what)];
  const root = document.scrollingElement;
  if (root.scrollWidth > innerWidth) found.push(`scrolls sideways: ${root.scrollWidth}`);
  const levels = all("h1,h2,h3,h4").filter(shown).map(h => +h.tagName[1]);
  if (levels.filter(l => l === 1).length !== 1) found.push("not exactly one h1");
  if (levels[0] !== 1) found.push("the first heading is not the h1");
  levels.forEach((l, i) => {
    if (i && l > levels[i - 1] + 1) found.push(`h${levels[i - 1]} then h${l}`);
  });
  for (const tag of ["header", "main", "footer"])
    if (all(`body > ${tag}`).length !== 1) found.push(`no single ${tag}`);
  if (!document.documentElement.lang) found.push("no language");
  const ids = all("[id]").map(e => e.id);
  ids.filter((id, i) => ids.indexOf(id) !== i).forEach(id => found.push(`twice: #${id}`));
  for (const name of ["aria-labelledby", "aria-describedby"])
    for (const e of all(`[${name}]`))
      for (const id of e.getAttribute(name).split(" "))
        if (!document.getElementById(id)) found.push(`${name} points nowhere: ${id}`);
  for (const e of all("input:not([type=hidden]),select,textarea"))
    if (!e.labels.length || !e.labels[0].textContent.trim()) found.push(`no label: ${e.name}`);
  for (const e of all("button,a,summary"))
    if (!e.textContent.trim()) found.push(`no name: ${e.outerHTML}`);
  const names = all("main button").map(b => b.textContent.trim());
  names.filter((n, i) => names.indexOf(n) !== i).forEach(n => found.push(`two buttons "${n}"`));
  const pressed = "button,nav a,.go,main a:only-child,summary,select,.days label," +
    "input:not([type=hidden],[type=checkbox])";
  for (const e of all(pressed)) {
    const { width, height } = e.getBoundingClientRect();
    if (shown(e) && !/\\S/.test(e.previousSibling?.data ?? "") && Math.min(width, height) < 44)
      found.push(`small target ${width}x${height}: ${e.outerHTML.slice(0, 80)}`);
  }
  for (const e of all("svg"))
    if (!e.querySelector("title") || e.getAttribute("role") !== "img")
      found.push("unnamed picture");
  const landmarks = all("section[aria-labelledby],nav,[role=region]").map(e =>
    e.getAttribute("aria-label") ||
    document.getElementById(e.getAttribute("aria-labelledby")).textContent.trim());
  landmarks.filter((n, i) => landmarks.indexOf(n) !== i)
    .forEach(n => found.push(`two landmarks "${n}"`));
  if (document.querySelector("[style],style,[onclick]")) found.push("inline style or script");
  for (const e of all("main *").filter(shown)) {
    const own = [...e.childNodes].filter(n => n.nodeType === 3).map(n => n.textContent.trim());
    if (own.some(text => /\\b(nan|NaN|undefined|None(?! (of|has|is) ))\\b|\\d\\.\\d{6}/.test(text)))
      found.push(`what is not there is printed: ${own.join("").slice(-40)}`);
    if (!own.join("") || ["title", "desc", "OPTION"].includes(e.tagName)) continue;
    const svg = e.closest("svg");
    const scale = svg ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
    const size = parseFloat(getComputedStyle(e).fontSize) * scale;
    if (size < 11.9) found.push(`${size.toFixed(1)} px: ${own.join("").slice(0, 40)}`);
  }
  return found;
}"""


@pytest.mark.parametrize("screen", SCREENS)
def test_every_page_reads_well(browser: Browser, site: Site, screen: str):
    """Fits, is named and labelled, is legible where it stands (12 px, pictures as scaled).

    What is pressed with a finger is 44 CSS px each way, but for links within a sentence (WCAG 2.2,
    2.5.5).
    """
    scripts = SCREENS[screen].get("java_script_enabled", True)
    with opened(browser, SCREENS[screen]) as (page, complaints):
        for name in PAGES if scripts else WITHOUT_SCRIPTS:
            answer = page.goto(site.url + PAGES[name])
            assert answer is not None
            assert answer.status == 200, name
            page.evaluate("document.querySelectorAll('details').forEach(e => e.open = true)")
            assert page.evaluate(FAULTS) == [], name
            assert complaints == [], name


def test_only_one_size_of_each_picture_is_shown(browser: Browser, site: Site):
    for screen, kind in (("phone, light, scripts", "narrow"), ("desk, dark, scripts", "wide")):
        with opened(browser, SCREENS[screen]) as (page, _):
            page.goto(site.url + PAGES["household"])
            shown = [p for p in page.locator("svg.picture").all() if p.is_visible()]
            assert [kind in (p.get_attribute("class") or "") for p in shown] == [True]


def test_pictures_are_told_apart_without_colour(browser: Browser, site: Site):
    """With all colour taken away, areas still differ by hatch and lines by dash or label."""
    with opened(browser, SCREENS["desk, dark, scripts"]) as (page, _):
        page.goto(site.url + PAGES["household"])
        picture = page.locator("svg.wide")
        fills = {
            e.get_attribute("fill") for e in picture.locator("rect.charging, polygon.band").all()
        }
        assert len(fills) == 3  # heat pump, immersion heater, low band
        text = picture.text_content()
        assert text is not None
        for label in ("striped", "dotted", "hatched", "dashed", "reserve"):
            assert label in text


def test_a_page_is_printed_dark_on_light_whatever_the_screen_shows(browser: Browser, site: Site):
    with opened(browser, SCREENS["desk, dark, scripts"]) as (page, _):
        page.goto(site.url + PAGES["household"])
        looks = """() => {
          const body = getComputedStyle(document.body);
          const light = c => c.match(/[\\d.]+/g).slice(0, 3).reduce((a, b) => a + +b, 0) / 765;
          return [light(body.color), light(body.backgroundColor)];
        }"""
        ink, paper = page.evaluate(looks)
        assert (ink > 0.8, paper < 0.2) == (True, True)
        page.emulate_media(media="print")
        ink, paper = page.evaluate(looks)
        assert (ink < 0.2, paper > 0.8) == (True, True)


def test_with_forced_colours_a_picture_is_drawn_in_the_systems_own(browser: Browser, site: Site):
    """CSS Color Adjustment 1, 3.1: such a reader chose a few colours that can be told apart."""
    forced = {"viewport": {"width": 1280, "height": 900}, "forced_colors": "active"}
    with opened(browser, forced) as (page, _):
        page.goto(site.url + PAGES["household"])
        drawn = page.evaluate(
            """() => {
              const of = (name, what) => [...document.querySelectorAll("svg.wide " + name)]
                .map(e => getComputedStyle(e)[what]);
              const probe = document.body.appendChild(document.createElement("i"));
              const system = name => {
                probe.style.color = name;
                return getComputedStyle(probe).color;
              };
              const lines = [".expected", ".low", ".reserve", ".price", ".charging", ".base"];
              return {
                ink: system("CanvasText"),
                paper: system("Canvas"),
                lines: lines.map(name => of(name, "stroke")),
                hatches: of(".hatch-line,.hatch-dot", "color"),
                halos: of(".halo", "stroke"),
              };
            }"""
        )
        assert all(set(line) == {drawn["ink"]} for line in drawn["lines"]), drawn
        assert set(drawn["hatches"]) == {drawn["ink"]}
        assert set(drawn["halos"]) == {drawn["paper"]}


def test_keys_alone_reach_everything_in_reading_order(browser: Browser, site: Site):
    with opened(browser, SCREENS["phone, light, scripts"]) as (page, _):
        page.goto(site.url + PAGES["household"])
        page.keyboard.press("Tab")
        first = page.evaluate("document.activeElement.textContent")
        assert first == "Skip to the main part"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
        page.reload()
        seen: list[str] = []
        tops: list[float] = []
        for _ in range(60):
            page.keyboard.press("Tab")
            name, top, ring = page.evaluate(
                """() => {
                  const e = document.activeElement;
                  const name = e.getAttribute("aria-label") || e.name || e.textContent.trim();
                  return [
                    e === document.body ? "" : name,
                    e.getBoundingClientRect().top + scrollY,
                    getComputedStyle(e).outlineStyle,
                  ];
                }"""
            )
            if not name:
                break
            assert ring != "none", name
            seen.append(name)
            tops.append(top)
        assert "A tenth more" in seen
        assert "how_much" in seen
        assert "Maintenance hold" in seen
        order = [seen.index(n) for n in ("A tenth more", "A tenth less", "Back to the plan")]
        assert order == sorted(order)
        assert all(b >= a - 60 for a, b in pairwise(tops))


def test_pages_keep_scripts_and_frames_out(browser: Browser, site: Site):
    with opened(browser, SCREENS["desk, dark, scripts"]) as (page, _):
        answer = page.goto(site.url + PAGES["household"])
        assert answer is not None
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        sheet = page.evaluate("document.styleSheets[0].href")
        served = page.request.get(sheet)
        assert "immutable" in served.headers["cache-control"]
        assert page.request.get(sheet.replace("ladle.", "ladle.0")).status == 404


@pytest.mark.parametrize("width", [360, 480, 640, 800, 1280])
def test_showers_and_baths_that_take_two_lines_stay_together(
    browser: Browser, site: Site, width: int
):
    """640 px is a desk of 1280 at 200 % (WCAG 2.2, 1.4.4)."""
    screen = {"viewport": {"width": width, "height": 740}}
    with opened(browser, screen) as (page, _):
        page.goto(site.url + PAGES["household"])
        high, font = page.evaluate(
            """() => {
              const b = document.querySelector(".figure.words b");
              const range = document.createRange();
              range.selectNodeContents(b);
              const tops = [...new Set([...range.getClientRects()].map(r => r.top))].sort();
              const apart = tops.slice(1).map((t, i) => t - tops[i]);
              return [Math.max(0, ...apart), parseFloat(getComputedStyle(b).fontSize)];
            }"""
        )
        assert high <= 1.4 * font


OVERLAPS = """() => {
  const found = [];
  const labels = [...document.querySelectorAll("svg text")].map(t => [t.textContent, t.getBBox()]);
  labels.forEach(([a, p], i) => labels.slice(i + 1).forEach(([b, q]) => {
    const wide = Math.min(p.x + p.width, q.x + q.width) - Math.max(p.x, q.x);
    const high = Math.min(p.y + p.height, q.y + q.height) - Math.max(p.y, q.y);
    if (wide > 1 && high > 3) found.push(`${a} over ${b}`);
  }));
  for (const [text, { x, width }] of labels)
    if (x < 0 || x + width > 328) found.push(`${text} runs out of the picture`);
  const curve = document.querySelector("svg .expected");
  const length = curve.getTotalLength();
  for (let at = 0; at <= length; at += 1) {
    const { x, y } = curve.getPointAtLength(at);
    for (const [text, box] of labels)
      if (x > box.x && x < box.x + box.width && y > box.y + 3 && y < box.y + box.height - 3)
        found.push(`the curve runs through ${text}`);
  }
  return [...new Set(found)];
}"""


@pytest.mark.parametrize(
    ("layers", "probes"),
    [
        ([12.0] * 14 + [30.0] * 4 + [47.0] * 22, [(0.15, 12.0), (0.45, 12.0), (0.8, 47.0)]),
        ([48.0] * 2 + [61.0] * 38, [(0.45, 61.0), (1.1, 61.3), (1.45, 61.7)]),
        ([20.0] * 20 + [45.0] * 20, [(0.05, 20.0), (1.2, 45.0)]),
        (
            [14.0] * 12 + [20.0, 28.0, 36.0, 44.0] + [52.0] * 24,
            [(0.05 + 0.12 * n, (14.0, 26.0, 45.0, 52.0)[n // 3]) for n in range(12)],
        ),
        ([14.0] * 20 + [52.0] * 20, [(0.9 + 0.03 * n, 52.0) for n in range(12)]),
        ([14.0] * 20 + [52.0] * 20, [(0.3 + 0.1 * n, None) for n in range(12)]),
    ],
)
@pytest.mark.parametrize("named", ["probe_{}", "probe_in_the_upper_airing_cupboard_no_{}"])
def test_no_label_of_the_profile_lies_over_another_or_the_curve(
    browser: Browser, layers: list[float], probes: list[tuple[float, float | None]], named: str
):
    """Nor beyond the picture's edges; names have up to 40 letters, probes are up to twelve."""
    known = {named.format(n): probe for n, probe in enumerate(probes, 1)}
    picture = profile.profile(layers, (), known, 1.5, 40.0, 52.0)
    with opened(browser, SCREENS["phone, light, scripts"]) as (page, _):
        page.set_content(f"<style>{SHEET.read_text(encoding='utf-8')}</style>{picture}")
        assert page.evaluate(OVERLAPS) == []


def test_how_far_the_forecast_knows_the_household_is_told_as_a_share(browser: Browser, site: Site):
    with opened(browser, SCREENS["phone, light, scripts"]) as (page, _):
        for home, share in (("mill-lane", r"[1-9]\d?"), ("new-build", "0")):
            page.goto(f"{site.url}/homes/{home}/habits")
            words = page.locator("main").inner_text().replace("\N{NO-BREAK SPACE}", " ")
            told = "rests on this household's own draws, the rest on published use"
            assert re.search(rf"[.] Of the forecast, {share} % {told}", words)  # no "6. 94 %"
