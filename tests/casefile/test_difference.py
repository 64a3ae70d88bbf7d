"""Boards that were drawn, as tables of variants: read again they are the same boards, or no table is given."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from cases import EXAMPLES
from returnflow_geometry.casefile.difference import SAME, NoVariantError, shape_table, variant_table
from returnflow_geometry.casefile.read import parse_case, read_case
from returnflow_geometry.casefile.toml_text import variant_text
from returnflow_geometry.keys.drawn_shapes import read_shape
from returnflow_geometry.keys.reading import Book, Spot
from returnflow_geometry.model.board import Bridge, Copper, Link, Outgoing, Terminal
from returnflow_geometry.model.shapes import circle, rectangle, slot

REVIEW = EXAMPLES / "weighing_controller.toml"
millimetres = st.integers(-90_000, 90_000).map(lambda n: n * 1e-6)  # m


@pytest.fixture(scope="module")
def case():
    return read_case(REVIEW)


def on_board(case, **parts):
    board = case.board
    return replace(case, board=replace(board, **{kind: (*getattr(board, kind), *new) for kind, new in parts.items()}))


def pasted(case, drawn):
    """Case of the file with the table at its end, in which it is the last variant."""
    text = variant_text("drawn", variant_table(case, drawn), ["As it was drawn."])
    return parse_case(REVIEW.read_text() + "\n" + text).variants[-1].case


def apart(one, other, copper):
    here, there = one.board.remaining(copper), other.board.remaining(copper)
    return shapely.symmetric_difference(here, there).area / there.length


class TestShapes:
    @given(st.lists(st.tuples(millimetres, millimetres), min_size=2, max_size=5, unique=True), st.integers(100, 3000))
    def test_a_slot_is_drawn_again_from_its_table(self, path, micrometres):
        line = shapely.LineString(path)
        drawn = slot(path, micrometres * 1e-6)
        if not line.is_simple or not isinstance(drawn, shapely.Polygon) or drawn.interiors:
            return
        self.again(drawn)

    @given(millimetres, millimetres, st.integers(50, 20_000))
    def test_a_circle_is_told_from_a_polygon(self, x, y, micrometres):
        table = self.again(circle(x, y, micrometres * 1e-6))
        assert table.keys() == {"circle", "diameter"}
        assert table["diameter"] == pytest.approx(1e-3 * micrometres, abs=1e-6)

    def test_a_straight_slot_along_an_axis_is_a_rectangle_and_a_bent_one_is_a_slot(self):
        assert shape_table(slot([(0, 0), (0.01, 0)], 1e-3)) == {"rect": [0.0, -0.5, 10.0, 0.5]}
        path = [(0.0, 0.0), (0.01, 0.0), (0.013, 0.004), (0.02, 0.004)]
        table = shape_table(slot(path, 3e-4))
        assert table["width"] == 0.3
        assert np.allclose(table["slot"], 1e3 * np.array(path), atol=1e-6)

    def test_anything_else_has_its_corners(self):
        assert shape_table(shapely.Polygon([(0, 0), (0.01, 0), (0.002, 0.003)])).keys() == {"polygon"}

    def again(self, drawn):
        table = shape_table(drawn)
        book = Book()
        found = read_shape(Spot(book, "shape"), table)
        if found is None:  # bends so sharply that a file would not have it
            assert book.mistakes
        else:
            assert shapely.symmetric_difference(found, drawn).area < 2 * SAME * drawn.length
        return table


class TestBoards:
    def test_what_is_new_is_added(self, case):
        copper = Copper(name="strip", layer="L1 parts", shape=slot([(0.05, 0.03), (0.06, 0.03), (0.06, 0.04)], 4e-4))
        ends = [
            Terminal(name=f"end {n}", copper=on, shape=circle(x, y, 3e-4))
            for n, (on, x, y) in enumerate((("strip", 0.0502, 0.03), ("ground", 0.0502, 0.03)))
        ]
        link = Link(name="joint", between=("end 0", "end 1"), resistance=1e-3, inductance=1e-10)
        drawn = on_board(case, coppers=[copper], terminals=ends, links=[link])
        table = variant_table(case, drawn)
        assert {kind: len(tables) for kind, tables in table["add"].items()} == {"copper": 1, "terminal": 2, "link": 1}
        found = pasted(case, drawn)
        assert apart(found, drawn, "strip") < SAME
        assert found.board.links[-1] == link

    def test_a_contact_elsewhere_moves_and_its_route_is_the_one_that_was_drawn(self, case):
        at = case.board.terminal("U3.PGND")
        (x, y), to = at.centre, (0.042, 0.015)
        there = replace(at, shape=shapely.affinity.translate(at.shape, to[0] - x, to[1] - y))
        loop = case.loop("stepper driver")
        route = replace(loop.route, path=(loop.route.path[0], (0.02, 0.011), to))
        terminals = tuple(there if it.name == at.name else it for it in case.board.terminals)
        loops = tuple(replace(loop, route=route) if it.name == loop.name else it for it in case.loops)
        drawn = replace(case, board=replace(case.board, terminals=terminals), loops=loops)
        table = variant_table(case, drawn)
        assert table["move"] == {"U3.PGND": [42.0, 15.0]}
        assert np.array(pasted(case, drawn).loop("stepper driver").route.path) == pytest.approx(np.array(route.path))

    def test_a_route_over_layers_is_a_list_of_legs(self, case):
        loop = case.loop("microcontroller")
        path, width = loop.route.path, loop.route.width
        legs = [
            Outgoing(layer="L4 signals", path=path[:2], width=width),
            Outgoing(layer="L1 parts", path=path[1:], width=2 * width),
        ]
        drawn = replace(
            case,
            loops=tuple(replace(it, route=Outgoing.chain(legs)) if it.name == loop.name else it for it in case.loops),
        )
        assert len(variant_table(case, drawn)["set"]["microcontroller.route"]) == 2
        found = pasted(case, drawn).loop("microcontroller").route
        assert [leg.layer for leg in found.legs] == [leg.layer for leg in legs]
        assert all(np.allclose(one.path, other.path) for one, other in zip(found.legs, legs, strict=True))

    def test_a_closed_gap_is_dropped_and_thicker_copper_set(self, case):
        layers = tuple(
            replace(it, thickness=2 * it.thickness) if it.name == "L2 ground" else it for it in case.board.layers
        )
        drawn = replace(case, board=replace(case.board, cutouts=(), layers=layers))
        table = variant_table(case, drawn)
        assert table.keys() == {"drop", "set"}
        assert table["drop"] == [cutout.name for cutout in case.board.cutouts]
        assert pasted(case, drawn).board.layer("L2 ground").thickness == pytest.approx(
            2 * case.board.layer("L2 ground").thickness
        )

    def test_a_bridge_with_a_hole_and_one_in_two_pieces_are_given_piece_by_piece(self, case):
        holed = rectangle(0.03, 0.02, 0.07, 0.032).difference(circle(0.05, 0.026, 2e-3))
        parted = shapely.union(rectangle(0.01, 0.02, 0.02, 0.03), rectangle(0.08, 0.02, 0.09, 0.03))
        new = [Bridge(name="holed", copper="ground", shape=holed), Bridge(name="parted", copper="ground", shape=parted)]
        drawn = on_board(case, bridges=new)
        assert [it["name"] for it in variant_table(case, drawn)["add"]["bridge"]] == [
            "holed", "holed, part 2", "parted", "parted, part 2",
        ]  # fmt: skip
        assert apart(pasted(case, drawn), drawn, "ground") < SAME

    def test_names_that_several_kinds_share_have_their_kind_before_them(self):
        text = (EXAMPLES / "strip_with_slot.toml").read_text().replace('"slot"', '"strip"')
        case = parse_case(text)
        drawn = replace(case, board=replace(case.board, cutouts=()))
        assert variant_table(case, drawn) == {"drop": ["cutout:strip"]}


class TestWhatNoTableSays:
    @pytest.mark.parametrize(
        ("change", "why"),
        [
            (lambda c: replace(c, editor=None), "was not read from a case file"),
            (lambda c: replace(c, loops=tuple(replace(it, tolerates=1e-3) if it.tolerates else it for it in c.loops)),
             "has another current or limit"),
            (lambda c: replace(c, loops=c.loops[1:]), "it has other loops"),
            (lambda c: on_board(c, links=[Link(name="hole", between=("J4.GND", "J1.SHIELD"), barrel=1e-4)]),
             "is a plated hole"),
            (lambda c: on_board(c, terminals=[Terminal(name="off", copper="ground", shape=circle(0.3, 0.3, 1e-3))]),
             "a case file would refuse it"),
        ],
    )  # fmt: skip
    def test_is_refused_with_the_reason(self, case, change, why):
        drawn = change(case)
        with pytest.raises(NoVariantError, match=why):
            variant_table(case if drawn.editor else drawn, drawn)

    def test_so_is_what_a_case_file_would_draw_otherwise(self, case):
        """The end of a route beside its contact: a file leads it there."""
        loop = case.loop("stepper driver")
        short = replace(loop.route, path=(*loop.route.path[:-1], tuple(np.add(loop.route.path[-1], (0, 1e-3)))))
        loops = tuple(replace(loop, route=short) if it.name == loop.name else it for it in case.loops)
        with pytest.raises(NoVariantError, match='would draw the way of "stepper driver" otherwise'):
            variant_table(case, replace(case, loops=loops))
