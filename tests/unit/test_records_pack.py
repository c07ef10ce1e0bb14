"""Plans and forecasts survive being packed, to four figures, and stay small."""

from __future__ import annotations

import dataclasses
import json
import zlib

import numpy as np
import pytest

from service.records.pack import pack, unpack
from tests.records_samples import forecast, plan


def test_a_forecast_comes_back_to_four_figures() -> None:
    made = forecast()
    back = unpack(pack(made))
    assert type(back) is type(made)
    for field in dataclasses.fields(made):
        ours, theirs = getattr(made, field.name), getattr(back, field.name)
        if isinstance(ours, np.ndarray):
            assert theirs.dtype == np.float64
            np.testing.assert_allclose(theirs, ours, rtol=1.3e-4, atol=0)
    assert np.array_equal(back.grid.start_s, made.grid.start_s)
    assert back.grid.start_s.dtype == np.int64
    assert (back.notes, back.made_at_s) == (made.notes, made.made_at_s)


def test_a_plan_comes_back_with_windows_reasons_and_truth_values() -> None:
    made = plan()
    back = unpack(pack(made))
    assert back.windows == made.windows
    assert back.reason == made.reason
    assert back.price_estimated.dtype == np.bool_
    assert np.array_equal(back.price_estimated, made.price_estimated)
    assert back.base_stock_l40.shape == made.base_stock_l40.shape


def test_zero_infinity_and_nan_are_kept_as_they_are() -> None:
    made = dataclasses.replace(plan(), surplus_w=np.array([0.0, -0.0, np.inf, -np.inf, np.nan]))
    back = unpack(pack(made)).surplus_w
    np.testing.assert_array_equal(back, made.surplus_w)


def test_packed_forecasts_take_a_third_of_plain_doubles() -> None:
    made = forecast()
    assert len(pack(made)) < made.pmf.nbytes / 3


def test_a_field_that_a_later_version_dropped_is_passed_over() -> None:
    whole = zlib.decompress(pack(plan()))
    size = int.from_bytes(whole[:4], "big")
    head = json.loads(whole[4 : 4 + size])
    head["of"]["dropped_since"] = 3
    altered = json.dumps(head).encode()
    blob = zlib.compress(len(altered).to_bytes(4, "big") + altered + whole[4 + size :])
    assert unpack(blob).windows == plan().windows


def test_bytes_that_were_never_packed_are_refused() -> None:
    with pytest.raises(ValueError, match="not a packed record"):
        unpack(b"something else")
