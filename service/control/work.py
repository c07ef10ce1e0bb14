"""The slow work that a step asks for, as one pure function.

A replay performs it inline, the service in a worker process; its result goes back in as an input.
"""

from __future__ import annotations

from dataclasses import replace

from forecasting import calendar, draws, surroundings
from forecasting.types import DrawHistory
from service.control import draw_history
from service.control.planning import ForecastArguments, LearnArguments, PlanArguments
from service.control.problem import build
from service.control.types import Work, WorkDone
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
        drawn = draw_history.between(
            arguments.drawn, arguments.watched_from_s, arguments.watched_to_s
        )
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
