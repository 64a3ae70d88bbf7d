import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import layered
from layered import DISC, MM, case, edge, loop, pad, reduced_network, solved, strip, via
from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.conductors import Conductors, StackMesher
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.links import Links
from returnflow.resistive.solution import Options
from returnflow.resistive.spaces import Topology, circuit_fields
from returnflow_geometry.mesh.mesher import Plane
from returnflow_geometry.mesh.sizes import starting_size
from returnflow_geometry.model.board import Copper, Link

RS = sheet_resistance(35e-6, 20.0)


def two_strips(links, thickness=(35e-6, 35e-6), loops=None):
    """Two strips of 10 squares on two layers, terminals over their whole ends; joined as said. Closed forms."""
    coppers = [strip("top", "L1", 0, 10), strip("bottom", "L2", 0, 10)]
    terminals = [
        edge(f"{name}{side}", name, x, -1, x + 1, 2)
        for name in ("top", "bottom")
        for side, x in (("L", -0.5), ("R", 9.5))
    ]
    loops = loops or [loop("through", "topL", "bottomL")]
    return case(coppers, terminals, links, loops, thickness=thickness)


SQUARES = 9.0  # of each strip between its end contacts


def test_strips_and_a_link_in_series_add_up():
    # closed form
    solution = solved(two_strips([via("via", "topR", "bottomR", 3e-3)]))
    expected = 2 * SQUARES * RS + 3e-3
    assert solution.lower[0, 0] == pytest.approx(expected, rel=1e-10)
    assert solution.upper[0, 0] == pytest.approx(expected, rel=1e-10)
    assert solution.link_current[0] == pytest.approx([1.0], abs=1e-12)


def test_two_links_put_the_strips_in_parallel():
    # closed form: R top || (R bottom + 2 R link)
    a, b = 1e-3, 4e-3
    loops = [loop("along", "topL", "topR")]
    solution = solved(two_strips([via("a", "topL", "bottomL", a), via("b", "bottomR", "topR", b)], loops=loops))
    top, other = SQUARES * RS, SQUARES * RS + a + b
    assert solution.mid[0, 0] == pytest.approx(top * other / (top + other), rel=1e-9)
    assert solution.link_current[0] == pytest.approx(np.full(2, top / (top + other)), rel=1e-9)


def test_thick_copper_and_thin_copper_share_as_parallel_resistors():
    # closed form; ideal links
    loops = [loop("along", "topL", "topR")]
    links = [via("a", "topL", "bottomL"), via("b", "topR", "bottomR")]
    solution = solved(two_strips(links, thickness=(35e-6, 70e-6), loops=loops))
    assert solution.mid[0, 0] == pytest.approx(SQUARES * RS / 3, rel=1e-9)
    # The second link points against the current.
    assert solution.link_current[0] == pytest.approx([2 / 3, -2 / 3], rel=1e-9)


def test_links_between_the_same_terminals_are_parallel_resistors():
    # closed form
    solution = solved(two_strips([via("a", "topR", "bottomR", 3e-3), via("b", "bottomR", "topR", 6e-3)]))
    assert solution.mid[0, 0] == pytest.approx(2 * SQUARES * RS + 2e-3, rel=1e-9)
    assert solution.link_current[0] == pytest.approx([2 / 3, -1 / 3], rel=1e-9)


def test_a_ring_of_links_carries_what_a_ring_of_resistors_does():
    # closed form: 1 ohm from A to B beside 2 + 3 ohm by way of C
    coppers = [strip(name, "L1", 0, 2, y=y) for name, y in (("a", 0), ("b", 2), ("c", 4))]
    ends = [edge(f"{name}{s}", name, x, y - 1 + 0.5, x + 1, y + 1.5) for name, y in (("a", 0), ("b", 2), ("c", 4))
            for s, x in (("L", -0.5), ("R", 1.5))]  # fmt: skip
    links = [via("ab", "aR", "bR", 1.0), via("bc", "bR", "cR", 2.0), via("ca", "cR", "aR", 3.0)]
    solution = solved(case(coppers, ends, links, [loop("one", "aR", "bR")], layers=1))
    assert solution.mid[0, 0] == pytest.approx(5 / 6, rel=1e-9)
    assert solution.link_current[0] == pytest.approx([5 / 6, -1 / 6, -1 / 6], rel=1e-9)


def test_a_capacitor_is_open_at_dc():
    links = [
        via("via", "topR", "bottomR", 3e-3),
        via("a", "topL", "topR", capacitance=1e-6),
        via("b", "topR", "bottomL", 1e-6, capacitance=1e-6),
    ]
    with_capacitors, without = (solved(two_strips(some)) for some in (links, links[:1]))
    assert with_capacitors.mid == pytest.approx(without.mid, rel=1e-12)
    assert with_capacitors.links.names == ("via",)


def test_a_capacitor_that_is_the_only_way_is_taken_as_closed():
    solution = solved(two_strips([via("c", "topR", "bottomR", 2e-3, capacitance=1e-6)]))
    assert solution.links.names == ("c",)
    assert solution.mid[0, 0] == pytest.approx(2 * SQUARES * RS + 2e-3, rel=1e-9)


VIAS = ((-6, 0), (4, 5), (3, -6), (-2, 6), (7, 1))


def two_discs(count, ohm=0.2e-3, thickness=(35e-6, 35e-6)):
    """Two discs of 20 mm diameter, one over the other, with `count` vias; three loops within and between them."""
    coppers = [Copper(name=name, layer=layer, shape=DISC) for name, layer in (("top", "L1"), ("bottom", "L2"))]
    terminals = [pad(f"{name} {n}", name, x, y) for name in ("top", "bottom") for n, (x, y) in enumerate(VIAS[:count])]
    terminals += [pad("A", "top", 0, -3), pad("B", "bottom", -5, -5), pad("C", "top", 0, 3), pad("D", "bottom", 1, 0)]
    links = [via(f"via {n}", f"top {n}", f"bottom {n}", ohm) for n in range(count)]
    loops = [loop("over", "A", "C"), loop("across", "A", "B"), loop("under", "D", "B"), loop("back", "C", "B")]
    return case(coppers, terminals, links, loops, thickness=thickness)


@functools.cache
def solved_discs(count, accuracy, ohm=0.2e-3, thickness=(35e-6, 35e-6)):
    return solved(two_discs(count, ohm, thickness), accuracy)


@functools.cache
def body(count, copper):
    """Squares of one disc by itself, every terminal against its first."""
    plane = Plane.of(two_discs(count), copper)
    rows = [(n, 0) for n in range(1, len(plane.contacts))]
    return solve(plane, rows, 1.0, Options(accuracy=2e-4)).mid


EQUAL, UNEQUAL = (35e-6, 35e-6), (35e-6, 105e-6)


@pytest.mark.parametrize(("count", "thickness"), [(1, EQUAL), (5, UNEQUAL)])
def test_two_discs_with_vias_agree_with_a_network_reduction(count, thickness):
    # two routes to one number: all at once, and each disc by itself with nodal analysis (textbook)
    review = two_discs(count, thickness=thickness)
    solution = solved_discs(count, 1e-3, thickness=thickness)
    sheets = [sheet_resistance(each, 20.0) for each in thickness]
    bodies = [sheet * body(count, name) for sheet, name in zip(sheets, ("top", "bottom"), strict=True)]
    top = [t.name for t in review.board.terminals if t.copper == "top"]
    bottom = [t.name for t in review.board.terminals if t.copper == "bottom"]
    node = {name: n for n, name in enumerate([*top, *bottom])}
    joints = [(node[f"top {n}"], node[f"bottom {n}"], 0.2e-3) for n in range(count)]
    ports = [(node[item.inject], node[item.return_]) for item in review.loops]
    network = reduced_network(bodies, joints, ports)
    own = np.sqrt(np.outer(np.diag(network), np.diag(network)))
    assert np.max(np.abs(solution.mid - network) / own) < 3e-4
    assert np.all(np.abs(solution.mid - network) < solution.half_width + 2e-4 * own)


def test_transfer_across_layers_is_reciprocal_and_superposes():
    review = two_discs(3)
    solution = solved_discs(3, 1e-2)
    M = solution.mid
    assert np.array_equal(M, M.T) or pytest.approx(M.T, rel=1e-12) == M
    # A to B is A to C and then C to B, whatever it passes.
    names = [item.name for item in review.loops]
    over, across, back = (names.index(name) for name in ("over", "across", "back"))
    assert M[over] + M[back] == pytest.approx(M[across], rel=1e-9)
    assert solution.link_current[over] + solution.link_current[back] == pytest.approx(
        solution.link_current[across], abs=1e-12
    )


def test_all_the_current_that_changes_layer_goes_through_the_vias():
    solution = solved_discs(5, 1e-2)
    assert np.sum(solution.link_current, axis=1) == pytest.approx([0, 1, 0, 1], abs=1e-10)


def test_a_short_is_the_limit_of_small_resistances():
    short = solved_discs(3, 5e-2, 0.0).mid
    errors = [np.max(np.abs(solved_discs(3, 5e-2, ohm).mid - short)) for ohm in (1e-4, 1e-5, 1e-6)]
    assert errors[0] > 5 * errors[1] > 20 * errors[2]
    assert errors[2] < 1e-5 * short[0, 0] + 2e-6


def test_more_vias_never_raise_a_resistance():
    # Rayleigh's monotonicity law; textbook
    own = [np.diag(solved_discs(count, 1e-2).mid) for count in (1, 2, 3, 5)]
    for fewer, more in itertools.pairwise(own):
        assert np.all(more <= fewer * (1 + 1e-3))
    assert own[-1][1] < 0.9 * own[0][1]


def test_bounds_close_in_with_links_in_the_way():
    coarse, fine = (solved_discs(5, accuracy, thickness=UNEQUAL) for accuracy in (3e-2, 1e-3))
    for solution in (coarse, fine):
        assert np.all(np.linalg.eigvalsh(solution.upper - solution.lower) > -1e-9 * np.max(solution.upper))
    assert np.all(np.diag(fine.lower) >= np.diag(coarse.lower) * (1 - 1e-4))
    assert np.all(np.diag(fine.upper) <= np.diag(coarse.upper) * (1 + 1e-4))
    assert np.max(fine.accuracy_reached()) < 1e-3 < np.max(coarse.accuracy_reached())


def dedicated(links):
    """Ground with a noisy current along it, and beside it on another layer a return trace; sensitive loop on both."""
    coppers = [strip("ground", "L2", 0, 100, width=10), strip("return", "L1", 10, 90, width=1, y=12)]
    terminals = [
        edge("supply", "ground", -1, -1, 1, 11),
        edge("load", "ground", 99, -1, 101, 11),
        pad("U1.G", "ground", 88, 5),
        pad("J1.G", "ground", 12, 5),
        edge("J1.R", "return", 9, 11, 11, 14),
        edge("U1.R", "return", 89, 11, 91, 14),
    ]
    loops = [loop("noisy", "load", "supply"), loop("input", "U1.R", "J1.R")]
    return case(coppers, terminals, links, loops)


class TestDedicatedReturn:
    """Against a network of parallel resistors (textbook): the trace by itself, the ground between its two ends."""

    TRACE = 78 * RS

    def test_with_one_ground_point_no_noisy_current_strays_into_it(self):
        solution = solved(dedicated([via("one", "J1.R", "J1.G")]))
        assert solution.mid[0, 1] == pytest.approx(0, abs=1e-12)
        assert solution.mid[1, 1] == pytest.approx(self.TRACE, rel=1e-9)
        assert solution.link_current == pytest.approx(np.zeros((2, 1)), abs=1e-12)

    def test_with_two_ground_points_it_is_a_resistor_beside_the_plane(self):
        a, b = 1e-3, 2e-3
        links = [via("one", "J1.R", "J1.G", a), via("two", "U1.G", "U1.R", b)]
        review = dedicated(links)
        solution = solved(review)
        # The plane as a three-terminal resistor: own and transfer resistance between the two pads.
        plane = solve(Plane.of(review, "ground"), [(1, 0), (2, 3)], RS, Options(accuracy=1e-4))
        own, shared = plane.mid[1, 1], plane.mid[0, 1]
        ring = self.TRACE + own + a + b
        assert solution.link_current[0] == pytest.approx(np.full(2, shared / ring), rel=1e-3)
        assert solution.mid[0, 1] == pytest.approx(shared * self.TRACE / ring, rel=1e-3)
        assert solution.mid[1, 1] == pytest.approx(self.TRACE * (own + a + b) / ring, rel=1e-3)

    def test_the_second_ground_point_defeats_it(self):
        one = solved(dedicated([via("one", "J1.R", "J1.G")])).mid[0, 1]
        two = solved(dedicated([via("one", "J1.R", "J1.G"), via("two", "U1.G", "U1.R")])).mid[0, 1]
        assert abs(two) > 1e-3 * RS > 1e6 * abs(one)


class TestTopology:
    def topology(self, links):
        review = two_discs(5)
        conductors = Conductors.of(review)
        mesh = StackMesher(conductors).graded(lambda n, one: layered_size(one))
        return Topology(mesh, len(conductors.terminals), np.array(links))

    def test_only_links_that_join_what_was_apart_open(self):
        topology = self.topology([[0, 1], [0, 5], [1, 6], [5, 0]])
        assert topology.opening.tolist() == [False, True, False, False]

    def test_a_way_across_a_link_says_so_with_its_sign(self):
        topology = self.topology([[5, 0]])
        assert topology.crossed(1, 6).tolist() == [-1.0]
        assert topology.crossed(6, 1).tolist() == [1.0]
        assert topology.crossed(0, 1).tolist() == [0.0]

    def test_without_links_the_discs_are_apart(self):
        with pytest.raises(ValueError, match="unconnected"):
            self.topology(np.empty((0, 2), dtype=int)).walk(0, 5)


def layered_size(mesher):
    from returnflow_geometry.mesh.sizes import starting_size

    return starting_size(mesher.coarse(), 5 * MM, corner=0.5)


BODIES, SPOTS = "abc", ((0.7, 0.8), (3.2, 0.7), (2.1, 2.2))


@functools.cache
def three_bodies():
    """Coppers and pads of three bodies, their mesh, and each body by itself: every pad against its first."""
    coppers = [strip(name, "L1", 0, 4, width=3, y=5 * n) for n, name in enumerate(BODIES)]
    terminals = [pad(f"{name}{k}", name, x, 5 * n + y) for n, name in enumerate(BODIES) for k, (x, y) in
                 enumerate(SPOTS)]  # fmt: skip
    conductors = Conductors.of(case(coppers, terminals, TREE, [loop("p", "a0", "c1")], layers=1))
    mesh = StackMesher(conductors).graded(lambda n, one: layered_size(one))
    rows = [(3 * n + k, 3 * n) for n in range(3) for k in (1, 2)]
    return coppers, terminals, mesh, solve_on(mesh, 9, rows, conductors.reference, Options())


TREE = [via("t0", "a0", "b1", 1e-3), via("t1", "b2", "c0", 1e-3)]


@settings(deadline=None, max_examples=15)
@given(st.data())
def test_any_network_of_links_agrees_with_nodal_analysis(data):
    """Three bodies joined at random, by all at once and by network reduction (textbook)."""
    coppers, terminals, mesh, apart = three_bodies()
    names = [terminal.name for terminal in terminals]
    tree = [link.between for link in TREE]
    pairs = data.draw(st.lists(st.tuples(st.sampled_from(names), st.sampled_from(names)), max_size=6))
    joined = tree + [pair for pair in pairs if pair[0] != pair[1]]
    ohms = data.draw(st.lists(st.floats(1e-4, 1e-1), min_size=len(joined), max_size=len(joined)))
    ends = data.draw(st.lists(st.tuples(st.sampled_from(names), st.sampled_from(names)), min_size=1, max_size=3))
    ends = [pair for pair in ends if pair[0] != pair[1]] or [("a0", "c1")]
    links = [via(f"l{n}", *pair, ohm) for n, (pair, ohm) in enumerate(zip(joined, ohms, strict=True))]
    review = case(coppers, terminals, links, [loop(f"p{n}", *pair) for n, pair in enumerate(ends)], layers=1)
    conductors = Conductors.of(review)
    solution = solve_on(
        mesh, 9, conductors.ends(review), conductors.reference, Options(), None, Links.of(links, conductors.number)
    )
    node = {name: n for n, name in enumerate(names)}
    joints = [(node[a], node[b], ohm) for (a, b), ohm in zip(joined, ohms, strict=True)]
    ports = [(node[a], node[b]) for a, b in ends]
    for side in ("lower", "upper"):
        bodies = [getattr(apart, side)[2 * n : 2 * n + 2, 2 * n : 2 * n + 2] for n in range(3)]
        network = reduced_network(bodies, joints, ports)
        # Each side by itself, to rounding: bounds of the parts make bounds of the whole.
        assert getattr(solution, side) == pytest.approx(network, rel=1e-7, abs=1e-9 * np.max(network))


def test_links_are_sorted_and_name_contacts():
    links = [
        Link(name="c", between=("A", "B"), capacitance=2e-9),
        Link(name="r", between=("B", "A"), resistance=2.0, inductance=3e-9),
        Link(name="elsewhere", between=("A", "Z")),
    ]
    known = Links.of(links, {"A": 0, "B": 1})
    assert known.names == ("r", "c")
    assert known.ends.tolist() == [[1, 0], [0, 1]]
    w = 2 * np.pi * 1e6
    assert known.impedance(1e6) == pytest.approx([2 + 1j * w * 3e-9, 1 / (1j * w * 2e-9)])
    assert layered.via("x", "A", "B", 1.0).resistance == 1.0


class TestBlocks:
    """Copper joined by single links: bounds block by block (derived: a single link carries no error)."""

    def test_loops_that_share_no_copper_have_no_error_in_common(self):
        solution = solved(dedicated([via("one", "J1.R", "J1.G")]), 3e-2)
        own = np.diag(solution.half_width)
        assert solution.half_width[0, 1] < 1e-9 * np.sqrt(own[0] * own[1]) + 1e-15
        assert own[0] == pytest.approx(0.5 * np.diag(solution.upper - solution.lower)[0], rel=1e-6)

    @pytest.mark.parametrize("count", [1, 2])
    def test_the_bound_holds_for_every_entry(self, count):
        coarse, fine = solved_discs(count, 5e-2), solved_discs(count, 1e-3)
        apart = np.abs(coarse.mid - fine.mid)
        assert np.all(apart <= coarse.half_width + fine.half_width)
        # By blocks it is never wider than by the whole, and with two links they are one block.
        whole = np.sqrt(np.maximum(np.diag(coarse.upper - coarse.lower), 0))
        assert np.all(coarse.half_width <= 0.5 * np.outer(whole, whole) * (1 + 1e-6))
        assert len(coarse.spread) == (2 if count == 1 else 1)

    def test_a_chain_of_links_keeps_its_blocks_and_a_ring_makes_one(self):
        coppers = [strip(name, "L1", 0, 2, y=2 * n) for n, name in enumerate("abc")]
        pads = [pad(f"{name}{k}", name, 0.5 + k, 2 * n + 0.5) for n, name in enumerate("abc") for k in (0, 1)]
        chain = [via("ab", "a0", "b0", 1e-3), via("bc", "b1", "c0", 1e-3)]
        ports = [loop("one", "a1", "c1")]
        assert len(solved(case(coppers, pads, chain, ports, layers=1), 1e-1).spread) == 3
        ring = [*chain, via("ca", "c1", "a1", 1e-3)]
        assert len(solved(case(coppers, pads, ring, ports, layers=1), 1e-1).spread) == 1


def test_circuits_of_stitched_planes_are_short_and_touch_few_unknowns():
    # A circuit for each via beyond the first, each through that via and one beside it: not through all of the plane.
    places = [(x, y) for x in range(-6, 7, 2) for y in range(-6, 7, 2)]
    terminals = [pad(f"{name} {n}", name, *at) for name in ("top", "bottom") for n, at in enumerate(places)]
    coppers = [Copper(name=name, layer=layer, shape=DISC) for name, layer in (("top", "L1"), ("bottom", "L2"))]
    links = [via(f"via {n}", f"top {n}", f"bottom {n}", 1e-3) for n in range(len(places))]
    conductors = Conductors.of(case(coppers, terminals, links, [loop("across", "top 0", f"bottom {len(places) - 1}")]))
    mesh = StackMesher(conductors).graded(lambda _, one: starting_size(one.coarse(), 1 * MM, corner=0.5))
    circuits = circuit_fields(Topology(mesh, len(conductors.terminals), conductors.links.ends), 2)
    assert len(circuits) == len(places) - 1
    assert all(np.sum(np.abs(circuit.links)) == 2 for circuit in circuits)
    assert np.linalg.matrix_rank([circuit.links for circuit in circuits]) == len(circuits)
    # Two vias are 2 mm apart, the planes 20 mm wide: about four triangles each way in a median circuit.
    assert np.median([len(circuit.triangles) for circuit in circuits]) < 0.01 * len(mesh.triangles)
