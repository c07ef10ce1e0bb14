"""The slow work that a step asks for, as one pure function.

A replay performs it inline, the service in a worker process; its result goes back in as an input.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forecasting import calendar, draws, surroundings
from forecasting.types import DrawHistory
from service.control.planning import ForecastArguments, LearnArguments, PlanArguments
from service.control.problem import build
from service.control.types import Draw, Work, WorkDone
from service.scheduling import plan as scheduling
from service.scheduling.lattice import Fineness

# A plan that nobody reads, for replays: laid out more coarsely (a fifth of a tenth), no chances.
BRIEF = Fineness(lukewarm_steps=3, portions=2)
BRIEF_LEVELS = 51


def perform(work: Work, history: DrawHistory, *, brief: bool = False) -> WorkDone:
    """Do one piece of work.

    Args:
        work: from ``Outputs.work``.
        history: draw-off events since ``work.history_from``; used by learn alone.
        brief: plans are laid out more coarsely and say no chances and reasons.

    Returns:
        The result with the work's kind and number; ``failed`` holds the message when it raised.
    """
    try:
        return _perform(work, history, brief)
    except Exception as error:
        return WorkDone(work.kind, work.number, failed=f"{type(error).__name__}: {error}")


def _perform(work: Work, history: DrawHistory, brief: bool) -> WorkDone:
    arguments = work.arguments
    if isinstance(arguments, LearnArguments):
        model = draws.learn(history, arguments.household, arguments.zone, arguments.now_s)
        return WorkDone(work.kind, work.number, model=model)
    if isinstance(arguments, ForecastArguments):
        grid = calendar.grid(
            arguments.now_s, arguments.zone, arguments.slot_minutes, arguments.horizon_h
        )
        around = surroundings.forecast(
            arguments.around, grid, arguments.now_s, arguments.weather, arguments.recent
        )
        drawn = as_history(arguments.drawn, arguments.watched_from_s, arguments.now_s)
        demand = draws.forecast(
            arguments.model, grid, arguments.now_s, arguments.visits, drawn, around.cold_inlet_c
        )
        return WorkDone(work.kind, work.number, demand=demand, surroundings=around)
    if isinstance(arguments, PlanArguments):
        problem = build(arguments)
        if brief:
            problem = replace(problem, levels=BRIEF_LEVELS)
            made = scheduling.make(problem, fineness=BRIEF, foresee=False)
        else:
            made = scheduling.make(problem)
        made = replace(made, made_at_s=arguments.now_s)
        return WorkDone(work.kind, work.number, problem=problem, plan=made)
    raise TypeError(f"work of kind {work.kind!r} came without its arguments")


def as_history(drawn: tuple[Draw, ...], from_s: int, to_s: int) -> DrawHistory:
    """Draws as arrays, in order of their start; the time of doubtful ones was not watched."""
    within = sorted(
        (d for d in drawn if from_s <= d.start.timestamp() < to_s), key=lambda d: d.start
    )
    ordered = [d for d in within if d.measured_by != "doubtful"]
    gaps = [
        [int(d.start.timestamp()), int(d.end.timestamp())]
        for d in within
        if d.measured_by == "doubtful"
    ]
    return DrawHistory(
        start_s=np.array([int(d.start.timestamp()) for d in ordered], np.int64),
        duration_s=np.array([(d.end - d.start).total_seconds() for d in ordered], np.float64),
        litres_40c=np.array([d.litres_40c for d in ordered], np.float64),
        energy_kwh=np.array([d.kwh for d in ordered], np.float64),
        watched_from_s=from_s,
        watched_to_s=to_s,
        gaps_s=np.array(gaps, np.int64).reshape(-1, 2),
    )
