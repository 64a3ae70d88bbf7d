"""An own board, written both ways and read back: the same copper, holes, nets and pins."""

import zipfile

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from fabwriter import MM, Draft, demo_board, write_gerber_set, write_ipc2581
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.extract import board_of
from returnflow_geometry.fabrication.copper.pins import pins_of

UM = 1e-6


def read_gerber_set(data, folder):
    write_gerber_set(data, folder)
    return from_fabrication(folder)


def read_one_file(data, folder):
    return from_fabrication(write_ipc2581(data, folder / "board.xml"))


WAYS = pytest.mark.parametrize("read", [read_gerber_set, read_one_file])


def assert_same_copper(found, drawn, share=1e-6):
    assert [layer.name for layer in found.layers] == [layer.name for layer in drawn.layers]
    for one, other in zip(found.layers, drawn.layers, strict=True):
        assert set(one.nets) == set(other.nets)
        for net, area in other.nets.items():
            assert shapely.symmetric_difference(one.nets[net], area).area <= share * area.area, (one.name, net)


def assert_same_holes(found, drawn):
    def listed(data):
        return sorted(
            (
                np.round(hole.path / 1e-9).tolist(),
                round(hole.diameter / 1e-8),
                hole.plating,
                hole.span or (1, len(data.layers)),
            )
            for hole in data.holes
        )

    assert listed(found) == listed(drawn)


@pytest.fixture(scope="module")
def demo():
    return demo_board()


@WAYS
class TestDemo:
    def test_copper(self, read, demo, tmp_path):
        assert_same_copper(read(demo, tmp_path), demo)

    def test_holes(self, read, demo, tmp_path):
        assert_same_holes(read(demo, tmp_path), demo)

    def test_outline_keeps_its_coordinates(self, read, demo, tmp_path):
        found = read(demo, tmp_path).outline
        assert shapely.symmetric_difference(found, demo.outline).area < 1e-9 * demo.outline.area

    def test_stackup(self, read, demo, tmp_path):
        found = read(demo, tmp_path).stackup
        assert [(row.kind, row.thickness) for row in found if row.kind != "other"] == [
            (row.kind, pytest.approx(row.thickness, abs=1e-12)) for row in demo.stackup
        ]

    def test_pins(self, read, demo, tmp_path):
        found, drawn = pins_of(read(demo, tmp_path)), pins_of(demo)
        assert found.keys() == drawn.keys()
        for name, pin in drawn.items():
            same = found[name]
            assert (same.net, same.through, len(same.contacts)) == (pin.net, pin.through, len(pin.contacts))
            for one, other in zip(same.contacts, pin.contacts, strict=True):
                assert one.layer == other.layer
                assert one.shape.symmetric_difference(other.shape).area < 1e-6 * other.shape.area

    def test_part_for_the_loops(self, read, demo, tmp_path):
        names = ["U3.17", "J4.2", "U1.4", "J1.3", "U2.9", "J2.1"]
        # Where simplifying starts depends on the first corner, so it is left out here.
        found, drawn = board_of(read(demo, tmp_path), names, simplify=0), board_of(demo, names, simplify=0)
        for one, other in zip(found.coppers, drawn.coppers, strict=True):
            assert (one.name, one.layer) == (other.name, other.layer)
            assert one.shape.area == pytest.approx(other.shape.area, rel=1e-6)
        assert sum(link.resistance for link in found.links) == pytest.approx(
            sum(link.resistance for link in drawn.links), rel=1e-9
        )
        assert len(found.links) == len(drawn.links)
        assert {item.name.split(" (")[0] for item in found.terminals if not item.name.startswith("hole")} == set(names)

    def test_nothing_contradicts(self, read, demo, tmp_path):
        assert read(demo, tmp_path).contradictions == ()


class TestGerberSet:
    def test_an_archive_reads_as_the_folder_does(self, demo, tmp_path):
        paths = write_gerber_set(demo, tmp_path / "fab")
        archive = tmp_path / "fab.zip"
        with zipfile.ZipFile(archive, "w") as file:
            for path in paths:
                file.write(path, f"deep/{path.name}")
        assert_same_copper(from_fabrication(archive), demo)

    def test_without_attributes_the_job_file_and_the_netlist_tell(self, demo, tmp_path):
        write_gerber_set(demo, tmp_path, attributes=False)
        data = from_fabrication(tmp_path)
        assert "job file" in data.order
        for one, other in zip(data.layers, demo.layers, strict=True):
            drawn = shapely.union_all(list(other.nets.values()))
            assert shapely.union_all(list(one.nets.values())).symmetric_difference(drawn).area < 1e-6 * drawn.area
        connectivity = connect(data)
        assert {island.net for island in connectivity.islands} == {"GND", "VCC", "CELL+", "CELL-"} | {"AGND"}
        assert {"U3.17", "J4.2", "U1.4"} <= set(pins_of(data))

    def test_without_attributes_the_loops_still_reach_the_same_copper(self, demo, tmp_path):
        write_gerber_set(demo, tmp_path, attributes=False)
        found = board_of(from_fabrication(tmp_path), ["J4.2", "J2.1"])
        drawn = board_of(demo, ["J4.2", "J2.1"])
        area = {copper.layer: copper.shape.area for copper in drawn.coppers}
        assert {copper.layer: copper.shape.area for copper in found.coppers} == pytest.approx(area, rel=1e-5)


class TestOtherBoards:
    @WAYS
    def test_slots_spans_and_unplated_holes(self, read, tmp_path):
        draft = Draft(30, 20)
        for layer in range(1, 5):
            draft.pour(layer, "GND", (1, 1, 29, 19))
        draft.via("GND", (5, 5), span=(1, 2))
        draft.via("GND", (8, 5), span=(3, 4))
        draft.hole((12, 5), 2.2)
        draft.hole((20, 5), 1, to=(24, 5))
        draft.hole((20, 12), 1, to=(24, 15), plating="plated")
        drawn = draft.data()
        found = read(drawn, tmp_path)
        assert_same_copper(found, drawn)
        assert_same_holes(found, drawn)

    @WAYS
    @pytest.mark.parametrize("net", ["A,B", "50%", "a*b", "back\\slash", "GND & <shield>", 'quo"te', "Grün"])
    def test_names_with_signs_that_mean_something_to_the_format(self, read, net, tmp_path):
        draft = Draft(20, 20)
        draft.pour(1, net, (1, 1, 19, 19))
        draft.pad(f"U1.{net.replace(' ', '')}", net, 2, (5, 5), (1, 1))
        found = read(draft.data(), tmp_path)
        assert set(found.layers[0].nets) == {net}

    @WAYS
    def test_islands_within_holes_within_islands(self, read, tmp_path):
        rings = [box(k * MM, k * MM, (40 - k) * MM, (40 - k) * MM) for k in range(1, 18)]
        draft = Draft(40, 40, clearance=0)
        for k in range(0, 16, 2):
            draft.pour(1, f"N{k % 4}", rings[k].difference(rings[k + 1]))
        drawn = draft.data()
        assert_same_copper(read(drawn, tmp_path), drawn)

    @given(st.data())
    @settings(deadline=None, max_examples=12)
    def test_random_boards_read_the_same_both_ways(self, tmp_path_factory, data):
        number = st.integers(2, 38)
        draft = Draft(40, 40)
        for layer in data.draw(st.lists(st.integers(1, 4), max_size=4, unique=True)):
            x0, y0, x1, y1 = (data.draw(number) for _ in range(4))
            draft.pour(layer, "GND", (min(x0, x1) - 1, min(y0, y1) - 1, max(x0, x1) + 1, max(y0, y1) + 1))
        taken = data.draw(st.lists(st.tuples(number, number), min_size=1, max_size=12, unique=True))
        for k, at in enumerate(taken):
            net = data.draw(st.sampled_from(["GND", "A", "B"]))
            if data.draw(st.booleans()):
                draft.via(net, at, name=f"U{k}.1" if k % 2 else "")
            else:
                draft.pad(f"R{k}.1", net, 1, at, (0.6, 0.9))
        drawn = draft.data()
        folder = tmp_path_factory.mktemp("board")
        for found in (read_gerber_set(drawn, folder / "fab"), read_one_file(drawn, folder)):
            assert_same_copper(found, drawn)
            assert_same_holes(found, drawn)
            groups = [sorted(len(g) for g in groups_of(item)) for item in (found, drawn)]
            assert groups[0] == groups[1]


def groups_of(data):
    found = {}
    for island in connect(data).islands:
        found.setdefault(island.group, []).append(island)
    return found.values()
