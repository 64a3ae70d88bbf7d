"""Painting in order: against painting one shape after the other, and fast where that is slow."""

import time

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely import box

from returnflow_geometry.fabrication.base import faces, painting
from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.base.painting import paint, partition, pass_numbers


def budget(**limits):
    return Budget("invented.gbr", Limits(**limits))


def one_after_the_other(shapes, dark, owners):
    """The definition: dark adds to its owner, clear takes from all."""
    areas = {}
    for shape, is_dark, owner in zip(shapes, dark, owners, strict=True):
        if is_dark:
            areas[owner] = shapely.union(areas.get(owner, shapely.Polygon()), shape)
        else:
            areas = {owner: shapely.difference(area, shape) for owner, area in areas.items()}
    return {owner: area for owner, area in areas.items() if not area.is_empty}


SHAPE = st.builds(
    lambda x, y, w, h, kind: {
        "box": lambda: box(x, y, x + w, y + h),
        "disc": lambda: shapely.Point(x + 0.21, y + 0.13).buffer(w / 2, quad_segs=3),
        "frame": lambda: box(x, y, x + w, y + h).difference(box(x + 0.3, y + 0.3, x + w - 0.4, y + h - 0.4)),
    }[kind](),
    st.integers(0, 12),
    st.integers(0, 12),
    st.integers(1, 7),
    st.integers(1, 7),
    st.sampled_from(["box", "disc", "frame"]),
)
OBJECT = st.tuples(SHAPE, st.booleans(), st.integers(0, 2))


CHAIN = ((2, 2, 4, 3), (4, 3, 5, 5), (2, 5, 4, 6), (1, 3, 2, 5))


class TestAgainstTheDefinition:
    @settings(max_examples=200)
    @given(st.lists(OBJECT, max_size=25), st.sampled_from([1, 3, 512]), st.sampled_from([10, 2000]))
    # Holes that touch in a ring cut the middle out.
    @example([(box(0, 0, 9, 9), True, 0), *((box(*b), False, 0) for b in CHAIN)], 512, 10)
    def test_same_areas(self, objects, chunk, large):
        shapes = np.empty(len(objects), dtype=object)
        shapes[:] = [shape for shape, _, _ in objects]
        dark = np.array([is_dark for _, is_dark, _ in objects], dtype=bool)
        owners = np.array([owner for _, _, owner in objects], dtype=np.int64)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(painting, "CHUNK", chunk)
            patch.setattr(faces, "CHUNK", chunk)
            patch.setattr(faces, "LARGE", large)
            patch.setattr(faces, "GROUP", 4)
            got = paint(shapes, dark, owners, budget())
        wanted = one_after_the_other(shapes, dark, owners)
        assert got.keys() == wanted.keys()
        for owner, area in wanted.items():
            assert got[owner].is_valid
            assert shapely.symmetric_difference(got[owner], area).area < 1e-9

    @given(st.lists(OBJECT, max_size=25))
    def test_each_pass_is_above_all_it_waits_for(self, objects):
        bounds = np.array([shape.bounds for shape, _, _ in objects]).reshape(-1, 4)
        dark = np.array([is_dark for _, is_dark, _ in objects], dtype=bool)
        passes = pass_numbers(bounds, dark, budget())
        assert all(number % 2 == (0 if is_dark else 1) for number, is_dark in zip(passes, dark, strict=True))
        boxes = shapely.box(*bounds.T)
        for later in range(len(objects)):
            for earlier in range(later):
                if dark[later] != dark[earlier] and boxes[later].intersects(boxes[earlier]):
                    assert passes[later] > passes[earlier]

    def test_disjoint_pairs_need_three_passes_only(self):
        bounds = np.array([[i, 0, i + 0.9, 1] for i in range(100) for _ in range(3)], dtype=float)
        assert set(pass_numbers(bounds, np.array([True, False, True] * 100), budget())) == {0, 1, 2}


class TestPartition:
    def test_lowest_number_keeps_and_the_rest_is_told(self):
        areas, overlaps = partition({3: box(0, 0, 2, 2), 1: box(1, 1, 3, 3), 7: box(8, 8, 9, 9)}, budget())
        assert areas[1].area == 4
        assert areas[3].area == 3
        assert areas[7].area == 1
        assert overlaps == [(1, 3, pytest.approx(1.0))]

    def test_touching_is_no_overlap(self):
        areas, overlaps = partition({1: box(0, 0, 1, 1), 2: box(1, 0, 2, 1)}, budget())
        assert overlaps == []
        assert [area.area for area in areas.values()] == [1, 1]

    def test_an_owner_covered_by_another_vanishes(self):
        areas, overlaps = partition({1: box(0, 0, 5, 5), 2: box(1, 1, 2, 2)}, budget())
        assert areas.keys() == {1}
        assert overlaps == [(1, 2, pytest.approx(1.0))]

    @given(st.lists(st.tuples(SHAPE, st.integers(0, 3)), max_size=12))
    def test_nothing_is_lost_or_doubled(self, shapes):
        areas = {}
        for shape, owner in shapes:
            areas[owner] = shapely.union(areas.get(owner, shapely.Polygon()), shape)
        out, _ = partition(areas, budget())
        together = shapely.union_all(list(areas.values()))
        assert sum(area.area for area in out.values()) == pytest.approx(together.area, abs=1e-9)
        assert shapely.symmetric_difference(shapely.union_all(list(out.values())), together).area < 1e-9


def antipads(n, clear, pad):
    """A plane in which n discs are cleared and a pad put into each."""
    across = int(np.ceil(np.sqrt(n)))
    centres = np.array([(i % across + 0.5, i // across + 0.5) for i in range(n)])
    pairs = np.empty(2 * n, dtype=object)
    pairs[::2] = shapely.buffer(shapely.points(centres), clear / 2, quad_segs=4)
    pairs[1::2] = shapely.buffer(shapely.points(centres), pad / 2, quad_segs=4)
    return np.concatenate([[box(0, 0, across, across)], pairs]), np.array([True, *[False, True] * n])


class TestSpeed:
    # Processor time, as the machine may be busy; painting one after the other takes minutes.
    @pytest.mark.parametrize(
        ("pairs", "clear", "pad"), [(20_000, 0.8, 0.5), (5_000, 0.8, 0.9)], ids=["pads_apart", "pads_join_the_plane"]
    )
    def test_thousands_of_pairs(self, pairs, clear, pad):
        shapes, dark = antipads(pairs, clear, pad)
        start = time.process_time()
        areas = paint(shapes, dark, np.zeros(len(shapes), dtype=np.int64), budget())
        assert time.process_time() - start < 12.0
        disc = shapely.Point(0, 0).buffer(0.5, quad_segs=4).area
        plane = shapes[0].area
        lost = pairs * disc * (clear**2 - pad**2) if pad < clear else 0.0
        assert areas[0].area == pytest.approx(plane - lost, rel=1e-9)

    def test_time_runs_out_with_a_message(self):
        shapes, dark = antipads(3000, 0.8, 0.5)
        with pytest.raises(FabricationError, match=r"invented.gbr: not read within 0.001 s"):
            paint(shapes, dark, np.zeros(len(shapes), dtype=np.int64), budget(seconds=0.001))
