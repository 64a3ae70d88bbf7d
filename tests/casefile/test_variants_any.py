"""Any variant: what its draft says, there and back again, accepted or refused cleanly."""

import dataclasses

import pytest
import shapely
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from test_variants import MOVED, SET, base_case, flat, with_variants

from cases import GOOD, attempt, text_of
from returnflow_geometry.casefile.motion import moved

COORDINATE = st.floats(-5, 105, allow_nan=False).map(lambda x: round(x, 3))
PLACES = st.tuples(COORDINATE, COORDINATE).map(list)
CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "drop": st.lists(
            st.sampled_from(["gap", "antipads", "strap", "wire", "USB", "clock", "analog", "bridge", "J2.SHELL"]),
            unique=True,
            max_size=4,
        ),
        "move": st.dictionaries(st.sampled_from(["U1.AGND", "J4.GND", "J1.SHIELD", "hole", "gap", "strap"]), PLACES),
        "set": st.dictionaries(
            st.sampled_from(
                ["stepper phase.current_A", "gap.shape.width", "board.temperature_C", "J4.GND.diameter_mm"]
            ),
            st.floats(0.1, 3),
        ),
    },
)


@settings(max_examples=60)
@given(CHANGES)
def test_a_variant_is_what_its_draft_says_or_is_refused(changes):
    """A variant without mistakes is the case read from its own tables, without any variant."""
    case, mistakes = attempt(text_of(with_variants(changes)))
    if mistakes:
        assert all(line.startswith('variant "v0"') for line in mistakes)
        return
    variant = case.variants[0]
    assert variant.changes
    assert variant.case != dataclasses.replace(case, variants=())
    names = {terminal.name: terminal for terminal in variant.case.board.terminals}
    for name, to in changes.get("move", {}).items():
        if name in names:
            x, y = shapely.box(*names[name].shape.bounds).centroid.coords[0]
            assert (x, y) == pytest.approx((to[0] / 1e3, to[1] / 1e3), abs=1e-9)
    for loop in variant.case.loops:
        for end, place in ((loop.return_, 0), (loop.inject, -1)):
            if loop.route:
                assert names[end].shape.distance(shapely.Point(loop.route.path[place])) < 1e-6


@settings(max_examples=30)
@given(st.sampled_from([row[5] for row in [(*r, r[0]) for r in MOVED]]), PLACES, PLACES)
def test_moving_there_and_back_changes_nothing(name, there, back):
    case = base_case()
    tables = {table["name"]: table for kind in ("cutout", "bridge", "region", "terminal") for table in case[kind]}
    once = moved(moved(tables[name], there), back)
    twice = moved(tables[name], back)
    for key in set(once) | set(twice):
        assert flat(once[key]) == pytest.approx(flat(twice[key]), abs=1e-6), key


LEAVES = st.one_of(
    st.integers(-5, 105), st.floats(), st.booleans(), st.text(max_size=8), st.sampled_from(["gap", "U1.AGND", "ground"])
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(["name", "shape", "rect", "copper", "cutout", "at", "x.y"]), inner, max_size=3),
    ),
    max_leaves=6,
)
NAMES = [table["name"] for kind in GOOD if isinstance(GOOD[kind], list) for table in GOOD[kind]]
ADDRESSES = st.one_of(
    st.sampled_from([*NAMES, *(row[0] for row in SET), "gap.shape.slot.2.9", "board.outline.rect.1", "solve"]),
    st.text(max_size=8),
    st.builds(lambda name, key: f"{name}.{key}", st.sampled_from(NAMES), st.sampled_from(["shape", "at", "copper"])),
)


@settings(max_examples=75, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.fixed_dictionaries(
        {},
        optional={
            "drop": st.one_of(VALUES, st.lists(ADDRESSES, max_size=3)),
            "add": st.one_of(VALUES, st.dictionaries(st.sampled_from(["cutout", "loop", "link"]), VALUES)),
            "move": st.one_of(VALUES, st.dictionaries(ADDRESSES, VALUES, max_size=3)),
            "set": st.one_of(VALUES, st.dictionaries(ADDRESSES, VALUES, max_size=3)),
            "name": VALUES,
        },
    )
)
@example({"set": {"terminal.copper": 1}})
@example({"drop": ["ground"], "set": {"wire.between": [[1], {}]}})
@example({"set": {"gap.copper": [1]}, "drop": ["U1.AGND"]})
def test_any_variant_is_accepted_or_refused_cleanly(changes):
    case, mistakes = attempt(text_of(with_variants(changes)))
    assert case or mistakes
    for line in mistakes or case.variants[0].changes:
        assert line.isprintable()
        assert len(line) < 1500
