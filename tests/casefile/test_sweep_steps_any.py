"""Any way that a terminal walks, and any table of a sweep: accepted or refused cleanly."""

import copy
import itertools
import math

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from test_sweep_steps import swept

from cases import GOOD, attempt, text_of

# --- anything at all ------------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 100), st.integers(0, 80)), min_size=2, max_size=6),
    st.integers(2, 9),
)
def test_a_way_is_walked_in_equal_distances(points, steps):
    along = [list(point) for point in points]
    case, mistakes = attempt(text_of(swept({"move": "U1.AGND", "along": along, "steps": steps})))
    if mistakes:
        return
    sweep = case.sweeps[0]
    length = sum(math.dist(a, b) for a, b in itertools.pairwise(along))
    assert sweep.axes[0].values == pytest.approx([length * k / (steps - 1) for k in range(steps)], abs=1e-8)
    built = [(step.at[0], step.case.board.terminal("U1.AGND").centre) for step in sweep.steps if step.case]
    for (i, a), (j, b) in itertools.pairwise(built):
        assert math.dist(a, b) * 1e3 <= length * (j - i) / (steps - 1) + 1e-6
    for k, place in built:
        if k in (0, steps - 1):
            assert place == pytest.approx([c / 1e3 for c in along[0 if k == 0 else -1]])


VALUES = st.recursive(
    st.one_of(
        st.integers(-3, 500), st.floats(), st.booleans(), st.text(max_size=5), st.sampled_from(["log", "U1.AGND"])
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(["set", "values", "move", "along", "steps", "from", "to"]), inner, max_size=3),
    ),
    max_leaves=8,
)
QUANTITIES = st.fixed_dictionaries(
    {},
    optional={
        "set": st.one_of(
            VALUES, st.sampled_from(["stepper phase.current_A", "gap.shape.slot.2.2", "hole.shape.circle.1"])
        ),
        "values": st.one_of(VALUES, st.lists(st.floats(), max_size=4)),
        "from": st.one_of(VALUES, st.floats(-2, 2)),
        "to": st.one_of(VALUES, st.floats(-2, 2)),
        "steps": st.one_of(VALUES, st.integers(0, 5)),
        "spacing": st.sampled_from(["log", "linear", 3]),
        "move": st.one_of(VALUES, st.sampled_from(["U1.AGND", "gap", "antipads"])),
        "along": st.one_of(VALUES, st.just([[1, 2], [30, 40]])),
    },
)


@settings(max_examples=75, suppress_health_check=[HealthCheck.too_slow])
@given(st.one_of(VALUES, st.lists(st.one_of(QUANTITIES, VALUES), max_size=3)))
@example([{"set": "solve.accuracy", "from": 1e308, "to": -1e308, "steps": 5}])
@example([{"set": "solve.accuracy", "from": 5e-324, "to": 1e308, "steps": 5, "spacing": "log"}])
@example([{"set": "gap.copper", "values": [1, 2]}])
def test_any_sweep_is_accepted_or_refused_cleanly(vary):
    case, mistakes = attempt(text_of(copy.deepcopy(GOOD) | {"sweep": [{"name": "s", "vary": vary}]}))
    assert case or mistakes
    assert all(line.isprintable() and len(line) < 2500 for line in mistakes or case.assumptions)
    if case:
        sweep = case.sweeps[0]
        assert len(sweep.steps) == math.prod(len(axis.values) for axis in sweep.axes)
        assert sum(step.case is not None for step in sweep.steps) >= 2
        for axis in sweep.axes:
            assert sorted(set(axis.values), reverse=axis.values[0] > axis.values[-1]) == list(axis.values)
