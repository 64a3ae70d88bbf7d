"""Boards with many holes and vias, thinned for their magnetic mesh: what changes is small, and said."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu
from shapely import LineString, Point

from layered import MM, case, pad, strip, via
from returnflow.magnetic import equations, solving
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.filling import SMALL
from returnflow.magnetic.meshing import mesh_of, system_on
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import expelled, solve_broadband
from returnflow.magnetic.thinning import MANY, Thinned, crowded, thinned
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Copper, Loop, Outgoing, Region
from returnflow_geometry.model.shapes import rectangle

ROUTE = ((7, 7), (20, 9), (31, 21))
PLACES = {"a": (7, 7), "b": (31, 21), "c": (9, 21), "d": (33, 6)}


def drawn(seed=1, pitch=4.0, share=0.6, field=(), **more):
    """
    Two planes of 40 x 30 mm, 0.2 mm apart, with vias and holes about a grid; a loop with a route, and one without.

    Parameters
    ----------
    seed : int
    pitch : float, mm
    share : float
        Of the places, those with a via; the rest are holes of both planes.
    field : sequence of (x, y), mm
        More vias.
    """
    rng = np.random.default_rng(seed)
    at = np.array([(x, y) for x in np.arange(2, 39, pitch) for y in np.arange(2, 29, pitch)])
    at = at + rng.uniform(-0.2, 0.2, at.shape)
    ends = np.array(list(PLACES.values()))
    at = at[np.min(np.hypot(*(at[:, None] - ends).transpose(2, 0, 1)), axis=1) > 1.2]
    is_via = np.append(rng.random(len(at)) < share, np.full(len(field), fill_value=True))
    at = np.concatenate([at, np.reshape(field, (-1, 2))])
    line = LineString(np.array(ROUTE) * MM)
    holes = [Point(*(MM * place)).buffer(0.45 * MM, 2) for place in at[~is_via]]
    copper = shapely.difference(rectangle(0, 0, 40 * MM, 30 * MM), shapely.union_all(holes or [Point(1, 1)]))
    coppers = [Copper(name=name, layer=layer, shape=copper) for name, layer in (("near", "L2"), ("far", "L3"))]
    vias = [pad(f"{n}{k}", n, *place, 0.3 * MM, 6) for k, place in enumerate(at[is_via]) for n in ("near", "far")]
    links = [via(f"via {k}", f"near{k}", f"far{k}", 4e-4, barrel=0.15 * MM) for k in range(len(vias) // 2)]
    pads = [pad(name, "near", *place) for name, place in PLACES.items()]
    route = Outgoing(path=tuple(line.coords), layer="L1", width=0.3 * MM)
    loops = [
        Loop(name="routed", role="noisy", inject="b", return_="a", current=1.0, frequency=1e6, route=route),
        Loop(name="flat", role="noisy", inject="c", return_="d", current=1.0, frequency=1e6),
    ]
    review = case(coppers, [*pads, *vias], links, loops, layers=3, thickness=(35e-6,) * 3)
    return replace(review, accuracy=0.05, **more)


def stitched():
    """Few vias and holes, but for a field of vias far from the loops; all layers apart, as triangles are as high."""
    review = drawn(pitch=9.5, field=[(x, y) for x in (15.8, 17.1, 18.4) for y in (25.3, 26.6)])
    first, second, third = review.board.layers
    layers = (replace(first, below=0.6 * MM), replace(second, below=0.4 * MM), third)
    return replace(review, board=replace(review.board, layers=layers))


@functools.cache
def models() -> tuple[Broadband, Broadband]:
    """Of a board as it is, and thinned, both on a pair of coarse meshes."""
    review = stitched()
    conductors = Conductors.of(review)
    band = BroadbandOptions(accuracy=1e-2, lowest=1e4, highest=1e8, bounds=False)
    both = []
    with pytest.MonkeyPatch.context() as patch:
        for crowd in (False, True):
            patch.setattr(solving, "crowded", lambda _, crowd=crowd: crowd)
            both.append(solve_broadband(review, conductors, conductors.ends(review), None, band, coarser=6.0))
    return both[0], both[1]


class TestImpedances:
    def test_they_are_those_of_the_whole_board_within_the_doubt(self):
        whole, made = models()
        assert made.thinning is not None
        assert made.thinning.made.filled > 0
        assert len({name for name, _ in made.thinning.made.joined.values()}) < 0.7 * len(made.thinning.made.joined)
        for f in (1e5, 1e6, 1e8):
            off = np.abs(made.impedance(f) - whole.impedance(f))
            assert np.all(off <= made.doubt(f) + whole.doubt(f))
            assert np.diag(off) == pytest.approx(np.zeros(2), abs=0.01 * np.abs(np.diag(whole.impedance(f))).min())

    def test_thinning_has_its_part_in_the_doubt(self):
        _, made = models()
        alone = replace(made, thinning=None)
        for f in (1e5, 1e8):
            assert np.all(made.doubt(f) > alone.doubt(f))
            assert made.doubt(f) - alone.doubt(f) == pytest.approx(made.thinned(f))
        assert np.all(made.inductance_doubt > alone.inductance_doubt)

    def test_currents_of_vias_add_up_to_those_of_the_whole_board(self):
        # From the near plane to the far one goes what comes back; to the left and right of the middle it is the same.
        whole, made = models()
        review = stitched()
        names = [link.name for link in review.board.links]
        left = np.array([review.board.terminal(link.between[0]).centre[0] < 20 * MM for link in review.board.links])
        for f in (1e4, 1e6):
            one, other = (model.through(names, f) for model in (whole, made))
            assert np.sum(other, axis=0) == pytest.approx(np.zeros(2), abs=1e-6)
            assert np.sum(other[left], axis=0) == pytest.approx(np.sum(one[left], axis=0), abs=0.02)


class TestBundles:
    @pytest.mark.parametrize("seed", [1, 2, 3])
    @pytest.mark.parametrize("coarser", [1.0, 4.0])
    def test_no_pattern_of_currents_makes_energy(self, monkeypatch, seed, coarser):
        """What is taken from a link is less than what the copper round it takes, whatever the current does."""
        monkeypatch.setattr(equations, "PanelOperator", NoField)
        review = drawn(seed, pitch=2.5)
        made = thinned(review, coarser)
        assert all(link.resistance > 0 for link in made.case.board.links)
        conductors = Conductors.of(made.case)
        ends = conductors.ends(made.case)
        mesh = mesh_of(made.case, conductors, ends, coarser=10.0, whole=made.squares)
        system = system_on(mesh, made.case, conductors, ends, whole=made.squares)
        factor = splu(csc_array(system.dissipation), "MMD_AT_PLUS_A", 0.0, options={"SymmetricMode": True})
        assert np.array_equal(factor.perm_r, factor.perm_c)  # L D L^T: as many of D are negative as eigenvalues are
        assert np.all(factor.U.diagonal() > 0)

    def test_a_bundle_is_entered_as_all_its_vias_are(self):
        """
        Four vias at the corners of a square in the middle of two discs, fed from one rim and drained at the other.

        As one they have the radius exp(mean of ln of distances); whatever they are drawn as, nothing changes.
        """
        review = discs()
        made = thinned(review)
        (name,) = {name for name, _ in made.joined.values()}
        assert [abs(share) for _, share in made.joined.values()] == pytest.approx([0.25] * 4)
        bundle = next(link for link in made.case.board.links if link.name == name)
        # The square is no larger than half of what its bundle asks for.
        assert bundle.inductance < 0
        assert bundle.resistance < 1e-4
        whole, fewer = alone(review), alone(made.case, made.squares)
        assert fewer == pytest.approx(whole, rel=0.03)
        bare = replace(made.case.board, links=tuple(replace(x, inductance=0.0) for x in made.case.board.links))
        assert alone(replace(made.case, board=bare), made.squares) > 1.06 * whole


class NoField:
    """In the place of the field, where only what dissipates is asked for."""

    def __init__(self, *_):
        pass

    def __matmul__(self, currents):
        return np.zeros_like(currents)

    def between(self, _):
        return None


def alone(review, whole=()):
    """Inductance where the field is expelled, on one mesh that is fine all over."""
    conductors = Conductors.of(review)
    ends = conductors.ends(review)
    mesh = mesh_of(review, conductors, ends, coarser=0.6, whole=whole)
    return expelled(system_on(mesh, review, conductors, ends, whole=whole)).inductance[0, 0]


def discs():
    """Two discs of 30 mm with four vias in the middle and two contacts near their rims."""
    shape = Point(0, 0).buffer(15 * MM, 16)
    coppers = [Copper(name=name, layer=layer, shape=shape) for name, layer in (("near", "L1"), ("far", "L2"))]
    spots = [(x, y) for x in (-1, 1) for y in (-1, 1)]
    vias = [pad(f"{n}{k}", n, *spot, 0.2 * MM, 8) for k, spot in enumerate(spots) for n in ("near", "far")]
    links = [via(f"via {k}", f"near{k}", f"far{k}", 4e-4, barrel=0.1 * MM) for k in range(4)]
    pads = [pad("in", "near", 12.5, 0, 1.2 * MM), pad("out", "far", 12.5, 0, 1.2 * MM)]
    loops = [Loop(name="x", role="noisy", inject="in", return_="out", current=1.0, frequency=1e6)]
    return replace(case(coppers, [*pads, *vias], links, loops), accuracy=0.025)


class TestWhatStays:
    @given(st.integers(0, 10_000), st.sampled_from([1.0, 2.0, 4.0]))
    @settings(max_examples=15, deadline=None)
    def test_near_routes_and_contacts_all_is_as_drawn(self, seed, coarser):
        review = drawn(seed, pitch=2.5)
        made = thinned(review, coarser)
        line = LineString(np.array(ROUTE) * MM)
        places = [line, *(review.board.terminal(name).shape for name in PLACES)]
        reach = 1.0 * MM / coarser
        kept = {terminal.name: terminal for terminal in made.case.board.terminals}
        for terminal in review.board.terminals:
            if min(terminal.shape.distance(place) for place in places) < 0.5 * reach:
                assert terminal.name in kept
                assert kept[terminal.name].centre == pytest.approx(terminal.centre, abs=1e-9)
        assert set(PLACES) <= set(kept)
        assert [kept[name] for name in PLACES] == [review.board.terminal(name) for name in PLACES]

    @given(st.integers(0, 10_000))
    @settings(max_examples=15, deadline=None)
    def test_every_via_has_its_share_and_no_contact_meets_another(self, seed):
        review = drawn(seed, pitch=2.5)
        made = thinned(review, 2.0)
        board = made.case.board
        total = {}
        for name, share in made.joined.values():
            total[name] = total.get(name, 0.0) + abs(share)
        assert list(total.values()) == pytest.approx([1.0] * len(total))
        assert {link.name for link in review.board.links} == set(made.joined) | (
            {link.name for link in board.links} - set(total)
        )
        for copper in ("near", "far"):
            shapes = [terminal.shape for terminal in board.terminals if terminal.copper == copper]
            one, other = shapely.STRtree(shapes).query(shapes, predicate="intersects")
            assert np.array_equal(one, other)
            remaining = board.remaining(copper)
            assert all(remaining.contains(shape) for shape in shapes)

    def test_filled_holes_only_add_copper(self):
        review = drawn(pitch=2.5, share=0.3)
        before, after = review.board.remaining("near"), thinned(review).case.board.remaining("near")
        assert after.area > before.area
        assert after.covers(before)

    def test_large_holes_stay(self):
        review = drawn()
        wide = SMALL * 50 * MM
        slot = rectangle(36 * MM, 24 * MM, 36 * MM + 1.2 * wide, 25 * MM)
        coppers = tuple(replace(c, shape=c.shape.difference(slot)) for c in review.board.coppers)
        made = thinned(replace(review, board=replace(review.board, coppers=coppers)), 4.0)
        assert not made.case.board.remaining("near").intersects(slot.buffer(-0.1 * MM))

    def test_a_hole_that_holds_other_copper_stays(self):
        review = drawn(pitch=4.0, share=0.9)
        hole = rectangle(37 * MM, 26 * MM, 38.5 * MM, 27.5 * MM)
        island = rectangle(37.5 * MM, 26.5 * MM, 38 * MM, 27 * MM)
        coppers = tuple(replace(c, shape=c.shape.difference(hole)) for c in review.board.coppers)
        other = Copper(name="island", layer="L2", shape=island)
        board = replace(review.board, coppers=(*coppers, other))
        made = thinned(replace(review, board=board), 4.0).case.board
        assert not made.remaining("near").intersects(island)
        assert made.remaining("far").covers(island)

    def test_bundles_lie_on_one_side_of_a_region_border(self):
        area = rectangle(0, 0, 21.3 * MM, 30 * MM)
        review = drawn(pitch=2.5, regions=(Region(name="left", copper="near", shape=area),))
        made = thinned(review, 4.0)
        centre = {terminal.name: terminal.centre[0] for terminal in review.board.terminals}
        first = {link.name: centre[link.between[0]] < 21.3 * MM for link in review.board.links}
        sides = {}
        for name, (bundle, _) in made.joined.items():
            sides.setdefault(bundle, set()).add(first[name])
        assert max(map(len, sides.values())) == 1

    @pytest.mark.parametrize(
        ("filled", "joined", "said"),
        [
            (3, {"a": ("a", 0.5), "b": ("a", 0.5)}, "3 small holes are taken as filled and 2 vias are taken as 1;"),
            (0, {"a": ("a", 0.5), "b": ("a", 0.5)}, "2 vias are taken as 1;"),
            (3, {"a": ("a", 1.0)}, "3 small holes are taken as filled;"),
            (0, {}, "contacts are left out;"),
        ],
    )
    def test_it_is_said_in_words(self, filled, joined, said):
        made = Thinned(drawn(pitch=7.5), joined, frozenset(), filled, np.zeros(2))
        assert f"enter, {said} what that changes" in made.said

    def test_few_are_not_thinned(self):
        review = drawn()
        assert not crowded(Conductors.magnetic(review))
        many = [strip(name, layer, 0, 100, 100.0) for name, layer in (("near", "L1"), ("far", "L2"))]
        places = [(1 + n % 30 * 3.2, 1 + n // 30 * 3.2) for n in range(MANY // 2 + 1)]
        pads = [pad(f"{n}{k}", n, *place, 0.3 * MM, 6) for k, place in enumerate(places) for n in ("near", "far")]
        joined = [via(f"v{k}", f"near{k}", f"far{k}") for k in range(len(places))]
        loops = [Loop(name="x", role="noisy", inject="near0", return_="near1", current=1.0, frequency=1e6)]
        assert crowded(Conductors.magnetic(case(many, pads, joined, loops)))
        # Pads that nothing enters take no triangles.
        assert not crowded(Conductors.magnetic(case(many, pads, [], loops)))
