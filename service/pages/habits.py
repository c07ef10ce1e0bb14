"""The habits page: the learned week beside what happened, and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np

from forecasting.types import Floats
from service.control.types import Draw
from service.house import House
from service.pages import gathering, week, words
from service.pages.local import DAYS, Local, duration, figure
from service.records.records import Records
from service.records.values import Score

MOST_FORECASTS = 400  # of one day
VERDICT_DAYS = 28  # scores that tell whether learning is worth trusting
MOST_DRAWS = 2000  # of the last seven days; a busy home has a tenth of it


@dataclass(frozen=True)
class Listed:
    """One draw-off in the list of the last days."""

    when: str
    lasted: str
    litres_40c: str
    litres: str
    kwh: str


def content(home: str, house: House, records: Records, local: Local) -> dict[str, Any]:
    """What the template shows."""
    view = house.view
    today = local.at(local.now).date()
    since = datetime.combine(today - timedelta(days=7), time(), local.zone)
    draws = records.draws(home, since, local.now, limit=MOST_DRAWS).items
    days = week.by_day(draws, local)
    happened: dict[int, tuple[str, Floats]] = {}
    for back in range(7, 0, -1):
        day = today - timedelta(days=back)
        if day in days:
            happened[day.weekday()] = (local.calendar(day), days[day])
    learned = view.typical_week_l40 if view else ()
    weight = view.learned_weight if view else 0.0
    return {
        "lead": _lead(weight, house.settings.tunables.occupants),
        "weight": round(100 * weight),
        "verdict": words.verdict(_scores(home, house, records), local),
        "notes": words.notes(house.health().notes),
        "pictures": week.week(learned, happened) if learned else [],
        "rows": week.rows(learned, happened) if learned else [],
        "tallest": figure(week.tallest(learned, happened)) if learned else None,
        "contrast": _contrast(np.asarray(learned, float)) if learned else None,
        "coming": [
            words.demand_note(code) for code in (view.demand.notes if view and view.demand else ())
        ],
        "days": _days(home, records, draws, local),
        "draws": [_listed(d, local) for d in draws],
        "today": figure(view.drawn_today_l40) if view else "0",
    }


def _scores(home: str, house: House, records: Records) -> list[Score]:
    """How good the last forecasts of these people's days were."""
    since = house.settings.tunables.learning.since or date.min
    scores = records.scores(home, limit=VERDICT_DAYS).items
    return [s for s in scores if date.fromisoformat(s.day) >= since]


def _days(home: str, records: Records, draws: Sequence[Draw], local: Local) -> list[dict[str, Any]]:
    """Yesterday's and today's first forecast of the day beside what was drawn."""
    told = []
    for back, name in ((1, "Yesterday"), (0, "Today so far")):
        day = local.at(local.now).date() - timedelta(days=back)
        start = datetime.combine(day, time(), local.zone)
        end = datetime.combine(day + timedelta(days=1), time(), local.zone)
        made = records.forecasts(home, start, min(end, local.now), limit=MOST_FORECASTS).items
        first = next((f.whole for f in reversed(made) if f.whole is not None), None)
        found = first and gathering.gather(
            first, draws, end.timestamp(), min(end.timestamp(), local.now.timestamp())
        )
        if found:
            told.append(
                {
                    "picture": gathering.picture(f"day-{back}", name, found, local),
                    "words": gathering.describe(found, local),
                }
            )
    return told


def _lead(weight: float, occupants: float) -> str:
    people = figure(occupants, 0 if occupants == int(occupants) else 1)
    if weight < 0.05:
        return (
            f"Ladle does not know this household yet. It goes by the published daily use of "
            f"{people} people."
        )
    if weight < 0.4:
        return "Ladle is getting to know this household; most of its forecast is still general."
    if weight < 0.8:
        return "Ladle goes mostly by what this household draws, and a little by general figures."
    return "Ladle goes by what this household draws."


def _contrast(learned: Floats) -> str:
    """The weekday that differs most from the rest, in words."""
    totals = learned.sum(axis=1)
    most, least = int(np.argmax(totals)), int(np.argmin(totals))
    if totals[most] - totals[least] < 0.05 * max(totals[most], 1.0):
        return "All weekdays are much alike."
    return (
        f"{DAYS[most]} takes the most, about {figure(float(totals[most]))} litres; "
        f"{DAYS[least]} the least, about {figure(float(totals[least]))}."
    )


def _listed(draw: Draw, local: Local) -> Listed:
    return Listed(
        local.moment(draw.start),
        duration((draw.end - draw.start).total_seconds()),
        figure(draw.litres_40c),
        figure(draw.litres),
        figure(draw.kwh, 1),
    )
