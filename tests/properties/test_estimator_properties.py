"""Whatever arrives, in whatever order, the estimate stays physical, ordered and repeatable."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from service.cylinder import estimator
from service.cylinder.estimator import Heat, Observation
from service.cylinder.geometry import Cylinder

CYLINDER = Cylinder(180.0, 1.2, inlet_mixing_l=20.0, plate_mixing_l=20.0)
PROBES = {"a": 0.1, "b": 0.45, "c": 0.9}

readings = st.dictionaries(
    st.sampled_from(sorted(PROBES)),
    st.one_of(st.floats(-9.0, 109.0), st.just(-127.0), st.just(float("nan"))),
)
heats = st.lists(
    st.builds(
        Heat,
        kwh=st.floats(0.0, 2.0),
        place=st.sampled_from(["direct", "plate"]),
        bottom_level=st.floats(0.0, 1.0),
        top_level=st.floats(0.0, 1.0),
        outlet_c=st.one_of(st.none(), st.floats(30.0, 65.0)),
        moved_l=st.one_of(st.none(), st.floats(0.0, 300.0)),
        metered=st.booleans(),
        outlet_measured=st.booleans(),
    ),
    max_size=2,
)
moments = st.lists(
    st.tuples(
        st.builds(
            Observation,
            probes_c=readings,
            drawn_l=st.one_of(st.none(), st.just(0.0), st.floats(0.0, 150.0)),
            cold_c=st.floats(-2.0, 39.0),
            ambient_c=st.floats(-20.0, 45.0),
            heat=heats,
            cold_measured=st.booleans(),
            perhaps=heats,
            heat_known=st.booleans(),
        ),
        st.sampled_from([0.0, 1.0, 10.0, 60.0, 600.0, 7200.0, 86400.0]),
    ),
    min_size=1,
    max_size=8,
)


def lived(sequence: list[tuple[Observation, float]]) -> estimator.EstimatorState:
    state = estimator.start(CYLINDER, PROBES, sequence[0][0])
    for seen, elapsed_s in sequence:
        state = estimator.advance(state, seen, elapsed_s)
    return state


@settings(max_examples=40, deadline=None)
@given(moments)
def test_the_estimate_stays_physical_and_repeats(sequence) -> None:
    state = lived(sequence)
    found = estimator.estimate(state, 10.0)
    assert np.isfinite(found.profile_c).all()
    assert (np.diff(found.profile_c) >= -1e-6).all()
    assert (found.profile_c >= 0).all()
    assert (found.profile_c <= 100).all()
    assert np.isfinite(found.profile_sd_c).all()
    assert 0 <= found.v40_low_l <= found.v40_l <= found.v40_high_l
    assert found.lukewarm_kwh >= 0
    assert np.linalg.eigvalsh(np.asarray(state.covariance, float)).min() > -1e-2
    again = lived(sequence)
    assert np.array_equal(state.cells_c, again.cells_c)
    assert np.array_equal(state.covariance, again.covariance)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 250.0), st.integers(1, 7))
def test_a_draw_in_parts_is_the_draw_at_once(litres: float, parts: int) -> None:
    first = Observation({"a": 20.0, "b": 50.0, "c": 55.0})
    sharp = Cylinder(180.0, 1.2)
    once = estimator.advance(estimator.start(sharp, PROBES, first), Observation({}, litres), 60.0)
    state = estimator.start(sharp, PROBES, first)
    for _ in range(parts):
        state = estimator.advance(state, Observation({}, litres / parts), 60.0 / parts)
    whole, split = (estimator.estimate(s, 10.0) for s in (once, state))
    assert abs(whole.v40_l - split.v40_l) < 0.5
    assert np.abs(whole.profile_c - split.profile_c).max() < 0.3
