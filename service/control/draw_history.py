"""Draws as the forecaster learns from them: what is known of them, and of which time nothing is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from forecasting.types import DrawHistory
from service.control.types import Draw

METER_SILENT_S = 86_400.0  # people at home draw each day: a flow meter silent for longer has failed


def failed_after_s(stale_after_s: Iterable[float]) -> float:
    """For how long flow meters may be silent until they have failed, s; by each one's wiring."""
    return max(METER_SILENT_S, *stale_after_s)


def between(
    drawn: Iterable[Draw], from_s: int, to_s: int, unwatched_s: Iterable[Sequence[int]] = ()
) -> DrawHistory:
    """The history of a time that was watched but for those spans, from all draws remembered."""
    within = (d for d in drawn if from_s <= d.start.timestamp() < to_s)
    return of(sorted(within, key=lambda d: d.start), from_s, to_s, unwatched_s)


def of(
    drawn: Sequence[Draw], from_s: int, to_s: int, unwatched_s: Iterable[Sequence[int]] = ()
) -> DrawHistory:
    """The history of draws in order of their start.

    The time of a doubtful draw was not watched: that nothing is known of it is all that it says.
    A draw that came cold counts what was wanted: who got little hot water does not need little.

    Args:
        drawn: in order of their start.
        from_s: seconds since 1970 from which on the home was watched.
        to_s: until when.
        unwatched_s: beginning and end of each stretch between in which it was not.
    """
    known = [d for d in drawn if d.measured_by != "doubtful"]
    doubtful = [d for d in drawn if d.measured_by == "doubtful"]
    gaps = [list(gap) for gap in unwatched_s]
    gaps += [[int(d.start.timestamp()), int(d.end.timestamp())] for d in doubtful]
    return DrawHistory(
        start_s=np.array([int(d.start.timestamp()) for d in known], np.int64),
        duration_s=np.array([(d.end - d.start).total_seconds() for d in known], np.float64),
        litres_40c=np.array([d.wanted_l40 for d in known], np.float64),
        energy_kwh=np.array([d.kwh for d in known], np.float64),
        watched_from_s=from_s,
        watched_to_s=to_s,
        gaps_s=np.array(sorted(gaps), np.int64).reshape(-1, 2),
    )
