"""Several coppers on several layers, joined by links, from DC to where the field is expelled."""

import dataclasses
import functools
import itertools

import numpy as np
import pytest

from inductive import Whole
from layered import MM, edge, loop, strip, via
from layered import case as finely
from layered import pad as round_pad
from returnflow.magnetic.meshing import mesh_of, system_of, system_on
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.magnetic.routes import faced
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0, sheet_resistance
from returnflow_geometry.model.board import Copper, Loop, Outgoing
from returnflow_geometry.model.shapes import rectangle

pad = functools.partial(round_pad, corners=8)  # as good here, for fewer triangles
TIGHT = BroadbandOptions(accuracy=1e-4, residual=1e-6, shifts=24)
CLOSE = BroadbandOptions(accuracy=1e-3, bounds=False)
ENOUGH = BroadbandOptions(accuracy=3e-2)  # where no figure rests on the reduced model


def case(*given, **named):
    """A board whose meshes are as coarse as accuracy asked for makes them: no figure here rests on finer ones."""
    return dataclasses.replace(finely(*given, **named), accuracy=0.025)


def solved(review, options=TIGHT):
    conductors = Conductors.of(review)
    return solve_broadband(review, conductors, conductors.ends(review), None, options)


def alone(review, options=TIGHT):
    """The same on the coarser of its two meshes alone."""
    return solved(review, options).meshes[-1]


def dense(review, frequencies):
    """Impedances by direct complex solves of the whole system, and the currents in links, per frequency."""
    conductors = Conductors.of(review)
    ends = conductors.ends(review)
    system = system_on(mesh_of(review, conductors, ends), review, conductors, ends)
    thickness, _ = conductors.foils
    whole = Whole(system, thickness.tolist(), review.board.temperature)
    found = [(whole.impedance(f), system.link_current + whole.J @ whole.answer(f)) for f in frequencies]
    return system, found


def strip_line(length, width, distance):
    """Forward strip over return strip, shorted over the whole far end; fed over the whole near end."""
    coppers = [strip("top", "L1", 0, length, width), strip("bottom", "L2", 0, length, width)]
    ends = [
        edge(f"{name}{side}", name, x, -1, x + 1, width + 1)
        for name in ("top", "bottom")
        for side, x in (("N", -0.9), ("F", length - 0.1))
    ]
    return case(
        coppers, ends, [via("short", "topF", "bottomF")], [loop("line", "topN", "bottomN")], below=distance * MM
    )


def per_length(width, distance):
    """Inductance per length of the middle, from two lengths, at high frequency."""
    values = [solved(strip_line(length, width, distance), ENOUGH).high_inductance[0, 0] for length in (12, 18)]
    return (values[1] - values[0]) / (6 * MM)


def test_two_plane_strip_line_tends_to_mu0_d_over_w():
    # Textbook: L' = mu0 d/w for w >> d. The field beside the strips takes part: L' is smaller, and the less the wider.
    errors = [1 - per_length(5.0, d) / (MU0 * d / 5.0) for d in (1.0, 0.5, 0.25)]
    assert all(error > 0 for error in errors)
    # The first correction goes as (d/w) ln(w/d): about half at half the distance.
    for coarse, fine in itertools.pairwise(errors):
        assert 1.3 < coarse / fine < 2.6
    assert errors[-1] < 0.2


def test_strip_line_at_low_frequency_is_the_resistance_of_both_strips():
    # closed form: 19.8 squares of 1 mm each, and an ideal short
    model = solved(strip_line(20, 1.0, 0.5))
    assert model.impedance(1.0).real[0, 0] == pytest.approx(2 * 19.8 * sheet_resistance(35e-6, 20.0), rel=1e-4)


@pytest.mark.parametrize(("links", "driven"), [(1, 0), (2, 1), (3, 2)])
def test_links_drive_currents_only_where_they_close_circuits(links, driven):
    # What contacts leave of the balance at 0 Hz took six more columns in every solve, of no current at all.
    coppers = [strip("top", "L1", 0, 20, 1), strip("bottom", "L2", 0, 20, 4)]
    ends = [pad(f"{name}{n}", name, 2 + 5 * n, 0.5) for name in ("top", "bottom") for n in range(4)]
    vias = [via(f"via {n}", f"top{n}", f"bottom{n}", 0.5e-3) for n in range(links)]
    review = case(coppers, ends, vias, [loop("far", "top3", "bottom3"), loop("near", "bottom1", "bottom2")])
    conductors = Conductors.of(review)
    assert system_of(review, conductors, conductors.ends(review)).extra.shape[1] == driven


def parallel_planes(thickness=(35e-6, 35e-6, 35e-6), links=(1e-5, 1e-5), length=30.0, width=6.0):
    """Two strips under a trace, joined at both ends; the current goes in and out on the nearer one."""
    coppers = [
        Copper(name=name, layer=layer, shape=rectangle(0, 0, length * MM, width * MM))
        for name, layer in (("near", "L2"), ("far", "L3"))
    ]
    ends = [edge(f"{n}{s}", n, x, 0, x + 1, width) for n in ("near", "far") for s, x in (("L", 0), ("R", length - 1))]
    outgoing = Outgoing(
        layer="L1", path=((0.5 * MM, 0.5 * width * MM), ((length - 0.5) * MM, 0.5 * width * MM)), width=0.3 * MM
    )
    current = Loop(
        name="noisy", role="noisy", inject="nearR", return_="nearL", current=1.0, frequency=1e6, route=outgoing
    )
    joined = [via("left", "nearL", "farL", links[0]), via("right", "farR", "nearR", links[1])]
    return case(coppers, ends, joined, [current], layers=3, thickness=thickness, below=0.5 * MM)


@functools.cache
def joined_planes(far=35e-6):
    """Model of two such strips, the farther one of a thickness."""
    return solved(parallel_planes(thickness=(35e-6, 35e-6, far)), CLOSE)


def test_a_route_that_changes_sides_has_the_inductance_of_each_leg_over_the_plane():
    """One plane in the middle: near above it, far below, and one that changes from the one to the other half way."""
    plane = Copper(name="plane", layer="L2", shape=rectangle(0, 0, 40 * MM, 24 * MM))
    ends = [pad("in", "plane", 35, 12), pad("out", "plane", 5, 12)]

    def inductance(*legs):
        points = np.linspace(5, 35, len(legs) + 1) * MM
        drawn = [
            Outgoing(layer=layer, path=((a, 12 * MM), (b, 12 * MM)), width=0.3 * MM)
            for layer, (a, b) in zip(legs, itertools.pairwise(points.tolist()), strict=True)
        ]
        current = Loop(
            name="n", role="noisy", inject="in", return_="out", current=1.0, frequency=1e6, route=Outgoing.chain(drawn)
        )
        review = case([plane], ends, [], [current], layers=3, thickness=(35e-6,) * 3, below=0.4 * MM)
        top, middle, bottom = review.board.layers
        layers = (top, dataclasses.replace(middle, below=1.2 * MM), bottom)
        board = dataclasses.replace(review.board, layers=layers)
        return solved(dataclasses.replace(review, board=board), ENOUGH).high_inductance[0, 0]

    near, far, changing = inductance("L1"), inductance("L3"), inductance("L1", "L3")
    assert inductance("L1", "L1") == pytest.approx(near, rel=1e-3)
    # Legs that follow each other hardly share flux.
    assert far > 1.4 * near
    assert changing == pytest.approx((near + far) / 2, rel=0.05)


class TestSharingBetweenLayers:
    def test_equal_planes_share_at_dc_and_the_nearer_takes_all_at_high_frequency(self):
        # Textbook: parallel resistors, and then the plane that faces the trace screens the other, but for
        # what goes round its sides.
        model, wider = joined_planes(), solved(parallel_planes(width=12.0), CLOSE)
        shares = [abs(model.link_currents(f)[0, 0]) for f in (1.0, 1e4, 1e5, 1e6, 1e8)]
        assert shares[0] == pytest.approx(0.5, abs=0.01)
        assert all(more > less for more, less in itertools.pairwise(shares[:4]))
        assert abs(wider.link_currents(1e8)[0, 0]) < 0.75 * shares[-1] < 0.045

    def test_the_same_current_goes_out_and_comes_back_at_every_frequency(self):
        model = joined_planes()
        for f in (1.0, 1e5, 1e8):
            left, right = model.link_currents(f)[:, 0]
            assert left == pytest.approx(right, abs=1e-9)

    def test_by_thickness_at_dc(self):
        model = joined_planes(105e-6)
        assert abs(model.link_currents(1.0)[0, 0]) == pytest.approx(0.75, abs=0.01)

    def test_it_faces_the_nearer_plane(self):
        review = parallel_planes()
        (item,) = faced(review, Conductors.of(review))
        assert (item.copper, item.route.height) == (0, pytest.approx(0.5 * MM))


class TestThickness:
    def test_reduced_model_is_the_whole_one_with_two_foils_and_links(self):
        review = parallel_planes(thickness=(35e-6, 17e-6, 105e-6), links=(2e-4, 5e-4), length=8.0)
        frequencies = [1e2, 1e4, 1e6, 5e8]
        _, found = dense(review, frequencies)
        model = alone(review)
        for f, (Z, through) in zip(frequencies, found, strict=True):
            assert model.impedance(f) == pytest.approx(Z, rel=1e-4)
            assert model.link_currents(f) == pytest.approx(through, abs=1e-4)

    def test_residuals_bound_what_the_basis_lacks(self):
        review = parallel_planes(thickness=(35e-6, 17e-6, 105e-6), links=(2e-4, 5e-4), length=8.0)
        frequencies = np.geomspace(1e3, 1e9, 6)
        system, found = dense(review, frequencies)
        foils, temperature = tuple(Conductors.of(review).foils[0].tolist()), review.board.temperature
        for accuracy in (0.3, 0.03):
            # Of a mesh that another one is compared with nothing is bounded: here it stands by itself.
            options = BroadbandOptions(accuracy=accuracy, residual=0.1 * accuracy, shifts=24)
            model = reduce(system, foils, temperature, None, options)
            parts = [
                np.abs(model.impedance(f) - Z) / model.unreduced(f)
                for f, (Z, _) in zip(frequencies, found, strict=True)
            ]
            # A bound, and not a vast one where the basis lacks most.
            assert 0.2 < np.max(parts) < 1.3

    def test_a_basis_that_holds_the_answers_lacks_nothing(self):
        # Nothing is left of the equations then: neither of what is in phase nor of what is not.
        review = parallel_planes(thickness=(35e-6, 17e-6, 105e-6), links=(2e-4, 5e-4), length=8.0)
        system, _ = dense(review, [1e6])
        foils, temperature = tuple(Conductors.of(review).foils[0].tolist()), review.board.temperature
        model = reduce(system, foils, temperature, None, BroadbandOptions(accuracy=1e-7, residual=1e-9, shifts=40))
        for f in np.geomspace(1e3, 1e9, 7):
            assert np.max(model.unreduced(f) / np.abs(model.impedance(f))) < 5e-5, f

    def test_the_model_is_passive(self):
        model = joined_planes(105e-6)
        for f in np.geomspace(1, 1e9, 19):
            assert np.linalg.eigvalsh(model.impedance(f).real)[0] > 0


def ring(capacitance=None, resistance=2e-3):
    """Ring of copper with a link across its gap, and a strip beside it that carries the current that drives it."""
    square = rectangle(0, 0, 12 * MM, 12 * MM).difference(rectangle(2 * MM, 2 * MM, 10 * MM, 10 * MM))
    cut = square.difference(rectangle(5 * MM, -1 * MM, 7 * MM, 3 * MM))
    coppers = [Copper(name="ring", layer="L1", shape=cut), strip("line", "L1", -2, 14, 2, y=-3)]
    ends = [
        edge("A", "ring", 4.5, 0, 5, 2),
        edge("B", "ring", 7, 0, 7.5, 2),
        edge("in", "line", -2, -3, -1.5, -1),
        edge("out", "line", 13.5, -3, 14, -1),
    ]
    review = case(
        coppers,
        ends,
        [via("across", "A", "B", resistance, capacitance=capacitance)],
        [loop("drive", "in", "out"), Loop(name="ends", role="cables", inject="A", return_="B", limit=1.0)],
        layers=1,
    )
    return dataclasses.replace(review, frequencies=(0.0, 1e6))


@functools.cache
def ringing(capacitance, resistance=2e-3):
    """Model of such a ring."""
    return solved(ring(capacitance, resistance))


@pytest.fixture(scope="module")
def resonance():
    """Frequency and quality by the ring's own inductance, from the model of a short in the capacitor's place."""
    conductors = Conductors.of(ring(TestCapacitor.C))
    system = system_of(ring(TestCapacitor.C), conductors, conductors.ends(ring(TestCapacitor.C)))
    column = np.flatnonzero(np.abs(system.link_map.toarray()[0]) > 0)
    assert len(column) == 1
    L = system.induce(np.eye(system.to_local.shape[1]))
    A = system.dissipation.toarray()
    # Expelled field: the current round the ring with everything else as induction lets it.
    rest = np.setdiff1d(np.arange(len(L)), column)
    loop_L = L[column[0], column[0]] - L[column[0], rest] @ np.linalg.solve(L[np.ix_(rest, rest)], L[rest, column[0]])
    assert A[column[0], column[0]] > 0
    return 1 / (2 * np.pi * np.sqrt(loop_L * TestCapacitor.C)), loop_L


class TestCapacitor:
    C = 1e-9

    def test_reduced_model_is_the_whole_one_at_resonance_and_away_from_it(self, resonance):
        f0, _ = resonance
        frequencies = [0.03 * f0, 0.5 * f0, 0.97 * f0, f0, 1.03 * f0, 3 * f0, 30 * f0]
        _, found = dense(ring(self.C), frequencies)
        model = ringing(self.C).meshes[-1]
        for f, (Z, through) in zip(frequencies, found, strict=True):
            own = np.sqrt(np.outer(np.abs(np.diag(Z)), np.abs(np.diag(Z))))
            assert np.max(np.abs(model.impedance(f) - Z) / own) < 2e-3
            assert np.abs(model.link_currents(f) - through).max() < 5e-3 * max(1.0, np.abs(through).max())

    def test_the_induced_current_peaks_where_capacitor_and_ring_resonate(self, resonance):
        # Textbook: f = 1/(2 pi sqrt(L C)), L the ring's own from the model without the capacitor.
        f0, L = resonance
        model = ringing(self.C)
        grid = np.geomspace(0.3 * f0, 3 * f0, 1201)
        current = np.array([abs(model.link_currents(f)[0, 0]) for f in grid])
        peak = grid[np.argmax(current)]
        # Not all current sits on the surface yet at f0: the inductance is a little larger than the expelled one.
        assert peak == pytest.approx(f0, rel=0.05)
        assert current.max() > 5 * current[0]
        # At the peak resistance alone limits it: voltage over the copper's own and the link's, from two peaks a third.
        models = [ringing(self.C, *r) for r in ((), (0.052,), (0.102,))]
        peaks = [max(abs(m.link_currents(f)[0, 0]) for f in grid) for m in models]
        copper = (0.052 * peaks[1] - 2e-3 * peaks[0]) / (peaks[0] - peaks[1])
        assert copper > 0
        assert peaks[2] == pytest.approx(peaks[0] * (copper + 2e-3) / (copper + 0.102), rel=0.02)
        assert 1e-9 < L < 1e-7

    def test_far_below_it_is_open_and_far_above_a_short(self, resonance):
        f0, _ = resonance
        with_it, short = ringing(self.C), ringing(None)
        assert abs(with_it.link_currents(0.01 * f0)[0, 0]) < 1e-3
        high = 100 * f0
        assert with_it.link_currents(high)[0, 0] == pytest.approx(short.link_currents(high)[0, 0], rel=2e-3)

    def test_a_capacitor_that_is_the_only_way_is_in_series(self):
        # closed form: Z(with) - Z(short) = R + 1/(jwC)
        coppers = [strip("a", "L1", 0, 8, 2), strip("b", "L1", 10, 18, 2)]
        ends = [edge("a0", "a", -1, 0, 0.5, 2), edge("a1", "a", 7.5, 0, 8, 2), edge("b0", "b", 10, 0, 10.5, 2),
                edge("b1", "b", 17.5, 0, 18, 2)]  # fmt: skip

        def made(*links):
            return solved(case(coppers, ends, links, [loop("x", "a0", "b1")], layers=1))

        plain = made(via("short", "a1", "b0"))
        series = made(via("c", "a1", "b0", 0.3, capacitance=1e-8, inductance=2e-9))
        for f in (1e3, 1e6, 1e8):
            w = 2 * np.pi * f
            added = 0.3 + 1j * (w * 2e-9 - 1 / (w * 1e-8))
            assert (series.impedance(f) - plain.impedance(f))[0, 0] == pytest.approx(added, rel=1e-6)


class TestLinks:
    def test_inductive_links_share_a_fast_current_inversely(self):
        # closed form: 1 and 3 uH side by side, large against the copper's own nanohenries
        coppers = [strip("a", "L1", 0, 8, 2), strip("b", "L1", 10, 18, 2)]
        ends = [edge("a0", "a", -1, 0, 0.5, 2), pad("p", "a", 7, 0.5), pad("q", "a", 7, 1.5), pad("r", "b", 11, 0.5),
                pad("s", "b", 11, 1.5), edge("b1", "b", 17.5, 0, 18, 2)]  # fmt: skip
        links = [via("one", "p", "r", inductance=1e-6), via("three", "q", "s", inductance=3e-6)]
        model = solved(case(coppers, ends, links, [loop("x", "a0", "b1")], layers=1))
        assert np.abs(model.link_currents(1e7)[:, 0]) == pytest.approx([0.75, 0.25], abs=2e-3)

    @pytest.mark.parametrize("points", [1, 2])
    def test_dedicated_return_under_a_noisy_trace(self, points):
        """Derived: with two ground points the ring takes what its impedance lets it; with one, nothing."""
        coppers = [
            Copper(name="ground", layer="L2", shape=rectangle(0, 0, 16 * MM, 10 * MM)),
            strip("return", "L1", 4, 12, 0.5, y=5),
        ]
        ends = [
            pad("gL", "ground", 4.2, 3),
            pad("gR", "ground", 11.8, 3),
            edge("rL", "return", 4, 5, 4.4, 5.5),
            edge("rR", "return", 11.6, 5, 12, 5.5),
            pad("in", "ground", 14, 8),
            pad("out", "ground", 2, 8),
        ]
        path = ((2 * MM, 8 * MM), (2 * MM, 7 * MM), (14 * MM, 7 * MM), (14 * MM, 8 * MM))
        outgoing = Outgoing(layer="L1", path=path, width=0.2 * MM)
        noisy = Loop(name="noisy", role="noisy", inject="in", return_="out", current=1.0, frequency=1e5, route=outgoing)
        links = [via("one", "rL", "gL", 1e-3), via("two", "rR", "gR", 1e-3)][:points]
        model = solved(case(coppers, ends, links, [noisy, loop("input", "rR", "rL")]), ENOUGH)
        for f in (1e2, 1e5, 1e8):
            strayed = np.abs(model.link_currents(f)[:, 0])
            if points == 1:
                assert strayed == pytest.approx([0], abs=1e-12)
            else:
                assert strayed[0] == pytest.approx(strayed[1], rel=1e-6)
                assert strayed[0] > 1e-4

    def test_close_planes_with_many_vias_converge_in_few_iterations(self):
        coppers = [
            Copper(name=name, layer=layer, shape=rectangle(0, 0, 18 * MM, 12 * MM))
            for name, layer in (("a", "L2"), ("b", "L3"))
        ]
        places = [(x, y) for x in (3, 9, 15) for y in (3, 6, 9)]
        ends = [pad(f"{n}{k}", n, x, y) for n in "ab" for k, (x, y) in enumerate(places)]
        links = [via(f"v{k}", f"a{k}", f"b{k}", 3e-4) for k in range(len(places))]
        path = ((3 * MM, 3 * MM), (15 * MM, 3 * MM))
        noisy = Loop(name="x", role="noisy", inject="a6", return_="a0", current=1.0, frequency=1e6,
                     route=Outgoing(layer="L1", path=path, width=0.3 * MM))  # fmt: skip
        review = case(coppers, ends, links, [noisy], layers=3, thickness=(35e-6,) * 3, below=0.15 * MM)
        # The planes are close, the trace is not: it is they that make it hard, and a close trace a fine mesh.
        over, *planes = review.board.layers
        stack = (dataclasses.replace(over, below=0.6 * MM), *planes)
        review = dataclasses.replace(review, board=dataclasses.replace(review.board, layers=stack))
        model = solved(review, ENOUGH)
        assert max(iterations for _, iterations in model.shifts) <= 24
        assert len(model.link_basis) == len(places)

    def test_one_copper_with_a_bridge_or_two_with_links_of_its_conductance(self):
        # Two routes to one number: a neck of 1 mm by 2 mm, and a link of two squares' resistance over its ends.
        whole = Copper(name="whole", layer="L1", shape=rectangle(0, 0, 20 * MM, 2 * MM))
        ends = [edge("p", "whole", -1, 0, 0.5, 2), edge("q", "whole", 19.5, 0, 20, 2)]
        one = solved(case([whole], ends, [], [loop("x", "p", "q")], layers=1))
        rs = sheet_resistance(35e-6, 20.0)
        halves = [strip("a", "L1", 0, 9, 2), strip("b", "L1", 11, 20, 2)]
        pads = [edge("p", "a", -1, 0, 0.5, 2), edge("a1", "a", 8.5, 0, 9, 2), edge("b0", "b", 11, 0, 11.5, 2),
                edge("q", "b", 19.5, 0, 20, 2)]  # fmt: skip
        two = solved(case(halves, pads, [via("neck", "a1", "b0", 1.5 * rs)], [loop("x", "p", "q")], layers=1))
        assert two.impedance(1.0)[0, 0].real == pytest.approx(one.impedance(1.0)[0, 0].real, rel=1e-6)


def test_a_model_keeps_its_low_end_whatever_the_bracket_says():
    review = parallel_planes(length=8.0)
    conductors = Conductors.of(review)
    system = system_of(review, conductors, conductors.ends(review))
    thickness, _ = conductors.foils
    told = 0.97 * system.resistance
    model = reduce(system, tuple(thickness.tolist()), 20.0, told, BroadbandOptions(accuracy=3e-3))
    assert model.impedance(0.0).real == pytest.approx(told * conductors.reference, rel=1e-12)
