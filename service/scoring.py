"""When a day is over: the forecast that was made at its beginning, against what happened."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime, timedelta
from datetime import time as clock

from forecasting import scoring
from service.house import House
from service.records.records import Records
from service.records.values import Score

MADE_WITHIN = timedelta(hours=6)  # of the day's beginning, for a forecast to count as that day's
DAYS_BACK = 3  # a service that was down for a while catches up
WHOLE = "whole"  # the figure that holds the score itself, as JSON


def score_days(home: str, house: House, records: Records) -> int:
    """Score each of the last days that has not been scored; how many were."""
    zone = house.settings.wiring.zone_info
    today = house.now().astimezone(zone).date()
    known = {score.day for score in records.scores(home, limit=10).items}
    done = 0
    for back in range(DAYS_BACK, 0, -1):
        day = today - timedelta(days=back)
        if day.isoformat() in known:
            continue
        begin = datetime.combine(day, clock(), zone)
        made = records.forecasts(home, begin, begin + MADE_WITHIN).items
        whole = [f for f in made if f.whole is not None]
        if not whole:
            continue
        first = min(whole, key=lambda f: f.made_at)
        history = records.draw_history(home, begin - timedelta(days=8))
        assert first.whole is not None
        try:
            scored = scoring.score(first.whole, history, history)
        except ValueError:
            continue  # not watched to its end
        records.add_score(home, Score(day.isoformat(), first.made_at, figures(scored)))
        done += 1
    return done


def figures(scored: scoring.Score) -> dict[str, float | int | str | None]:
    """The longest window's figures by name, and the whole score as JSON."""
    found: dict[str, float | int | str | None] = {
        "hours": scored.hours[-1],
        "expected_l40": scored.expected_l40[-1],
        "happened_l40": scored.happened_l40[-1],
        "bias_l40": scored.bias_l40,
        "crps_l40": scored.crps_l40[-1],
        "last_week_l40": scored.last_week_l40[-1] if scored.last_week_l40 else None,
        WHOLE: json.dumps(scored.to_plain()),
    }
    levels = zip(scoring.LEVELS, scored.pinball_l40[-1], scored.covered[-1], strict=True)
    for level, loss, covered in levels:
        found[f"pinball_{round(level * 100)}_l40"] = loss
        found[f"covered_{round(level * 100)}"] = int(covered)
    return found


def verdict(scores: Iterable[Score]) -> scoring.Verdict:
    """Whether learning is yet worth trusting, from stored scores."""
    return scoring.verdict(
        tuple(
            scoring.Score.from_plain(json.loads(str(score.figures[WHOLE])))
            for score in scores
            if score.figures.get(WHOLE)
        )
    )
