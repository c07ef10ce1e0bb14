"""Times go in aware and come out in UTC; facts keep to what JSON can say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy.dialects import sqlite

from service.records.columns import Facts, UtcTime, from_us, plain, to_us

DIALECT = sqlite.dialect()


def test_a_moment_of_any_zone_is_stored_as_microseconds_of_utc() -> None:
    summer = datetime(2026, 7, 1, 14, 0, 0, 250, tzinfo=ZoneInfo("Europe/Paris"))
    stored = UtcTime().process_bind_param(summer, DIALECT)
    assert stored == 1782907200_000250
    back = UtcTime().process_result_value(stored, DIALECT)
    assert back == summer
    assert back is not None
    assert back.utcoffset() == timedelta(0)


def test_both_two_o_clocks_of_the_autumn_night_stay_apart() -> None:
    zone = ZoneInfo("Europe/Paris")
    first = datetime(2026, 10, 25, 2, 30, tzinfo=zone, fold=0)
    second = datetime(2026, 10, 25, 2, 30, tzinfo=zone, fold=1)
    assert to_us(second) - to_us(first) == 3600_000_000


def test_a_naive_datetime_is_refused() -> None:
    with pytest.raises(ValueError, match="naive datetime 2026-01-01"):
        UtcTime().process_bind_param(datetime(2026, 1, 1), DIALECT)  # noqa: DTZ001


def test_moments_before_1970_and_far_ahead_round_trip() -> None:
    for moment in (datetime(1969, 12, 31, tzinfo=UTC), datetime(2999, 1, 1, tzinfo=UTC)):
        assert from_us(to_us(moment)) == moment


def test_facts_drop_what_json_cannot_say() -> None:
    facts = {"n": np.int64(3), "x": np.float64("nan"), "y": float("inf"), "z": (1, 2), "ok": True}
    assert plain(facts) == {"n": 3, "x": None, "y": None, "z": [1, 2], "ok": True}
    text = Facts().process_bind_param(facts, DIALECT)
    assert text == '{"n":3,"x":null,"y":null,"z":[1,2],"ok":true}'
