"""Damaged data through the whole import, and what becomes of shapes that the geometry library gives up on."""

import random
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import shapely

from fabwriter import MM, Draft, write_gerber_set, write_ipc2581
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits, NetPoint
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.starter import starter_case
from returnflow_geometry.fabrication.board_data.summary import describe
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.extract import board_of
from returnflow_geometry.fabrication.copper.pins import netlist_disagreements, pins_of

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

import fuzz_import


def board():
    draft = Draft(20, 16, stack=(0.035, 1.5, 0.035))
    draft.pour(2, "GND", (1, 1, 19, 15))
    draft.via("GND", (3, 3), drill=1, pad=1.8, name="J1.1")
    draft.via("GND", (14, 12), drill=1, pad=1.8, name="J2.1")
    return draft.data()


@pytest.fixture(scope="module")
def crowded():
    data = board()
    at = (7 * MM, 7 * MM)
    points = tuple(NetPoint(net="GND", refdes=f"U{k}", pin="1", at=at, layers="bottom") for k in range(100))
    layer = data.layers[1]
    pad = layer.pads[0].__class__(
        refdes="", pin="", function="", net="GND", at=at, shape=shapely.box(6 * MM, 6 * MM, 8 * MM, 8 * MM)
    )
    layers = (data.layers[0], layer.__class__(name=layer.name, nets=layer.nets, pads=(pad,) * 100))
    return data.__class__(**{**vars(data), "points": points, "layers": layers})


@pytest.fixture(scope="module")
def seeds(tmp_path_factory):
    return fuzz_import.boards(tmp_path_factory.mktemp("seeds"))


class TestShapesThatCannotBeCombined:
    """The geometry library is made to give up; its reason and the file's name come out, and no traceback."""

    @pytest.fixture
    def given_up(self, monkeypatch):
        def give_up(name):
            def fail(*_, **__):
                raise shapely.errors.GEOSException("TopologyException: invented")

            monkeypatch.setattr(shapely, name, fail)

        return give_up

    def test_of_one_image(self, given_up, tmp_path):
        write_gerber_set(board(), tmp_path)
        given_up("set_coordinates")
        with pytest.raises(FabricationError, match=r"^board-L1\.gbr: its shapes cannot be combined \('Topology"):
            from_fabrication(tmp_path)

    def test_of_the_outline(self, given_up, tmp_path):
        write_gerber_set(board(), tmp_path)
        given_up("polygonize_full")
        with pytest.raises(FabricationError, match=r"^board-outline\.gbr: its shapes cannot be combined"):
            from_fabrication(tmp_path)

    def test_of_a_negative_image(self, given_up, tmp_path):
        write_gerber_set(board(), tmp_path)
        image = tmp_path / "board-L2.gbr"
        image.write_text(image.read_text().replace("Positive", "Negative"))
        given_up("difference")
        with pytest.raises(FabricationError, match=r"^board-L2\.gbr: its shapes cannot be combined"):
            from_fabrication(tmp_path)

    def test_of_the_files_together(self, given_up, tmp_path):
        write_gerber_set(board(), tmp_path / "fab")
        given_up("buffer")
        with pytest.raises(FabricationError, match=r"^fab: its shapes cannot be combined"):
            from_fabrication(tmp_path / "fab")

    @pytest.mark.parametrize(
        ("step", "gives_up"),
        [
            (connect, "prepare"),
            (lambda data: describe(data, connectivity=data.joined), "Point"),
            (lambda data: starter_case(data, "fab"), "prepare"),
            (lambda data: board_of(data, ["J1.1", "J2.1"], connectivity=data.joined), "get_num_coordinates"),
        ],
    )
    def test_of_every_later_step(self, given_up, tmp_path, step, gives_up):
        data = from_fabrication(write_ipc2581(board(), tmp_path / "board.xml"))
        object.__setattr__(data, "joined", connect(data))
        given_up(gives_up)
        with pytest.raises(FabricationError, match=r"^board\.xml: its shapes cannot be combined"):
            step(data)


class TestLimitsOfTheCaller:
    """A hundred records of a netlist at the place of a hundred pads: ten thousand pairs."""

    @pytest.mark.parametrize(
        "look",
        [
            pins_of,
            lambda data, limits: starter_case(data, "fab", connectivity=connect(data), limits=limits),
            lambda data, limits: describe(data, pins=["J1.1"], connectivity=connect(data), limits=limits),
            lambda data, limits: board_of(data, ["J1.1", "J2.1"], connectivity=connect(data), limits=limits),
        ],
    )
    def test_looking_up_pins_keeps_to_them(self, crowded, look):
        look(crowded, Limits())
        with pytest.raises(FabricationError, match="netlist: more than 9999 objects"):
            look(crowded, Limits(objects=9999))

    def test_comparing_nets_keeps_to_them(self, crowded):
        joined = connect(crowded)
        netlist_disagreements(crowded, joined, Limits(objects=100))
        with pytest.raises(FabricationError, match="netlist: more than 99 objects"):
            netlist_disagreements(crowded, joined, Limits(objects=99))


class TestDamaged:
    """The benchmark fuzz_import at a size for every day; its aim, ten thousand inputs, is kept there."""

    @pytest.mark.parametrize("kind", ["Gerber set", "odd images", "archive", "IPC-2581", "DXF"])
    def test_everything_is_taken_or_refused_with_one_message(self, seeds, kind, tmp_path):
        draw = random.Random(f"{kind} 7041")
        counts = Counter()
        for _ in range(75):
            files = fuzz_import.damaged(kind, draw.choice(seeds[kind]), draw)
            counts[fuzz_import.take_files(kind, files, tmp_path / "board", draw)] += 1
        # Both outcomes are met, or the damage is too slight or too great to tell anything.
        assert counts["refused"] >= 10
        assert counts["read"] + counts["part taken"] >= 10

    @pytest.mark.parametrize("kind", ["Gerber set", "IPC-2581", "DXF"])
    def test_what_is_not_damaged_is_read(self, seeds, kind, tmp_path):
        draw = random.Random(1)
        assert "refused" not in {fuzz_import.take_files(kind, files, tmp_path / "board", draw) for files in seeds[kind]}

    def test_the_changes_change_something(self, seeds):
        draw = random.Random(2)
        (files,) = seeds["DXF"]
        assert np.mean([fuzz_import.damaged("DXF", files, draw) != files for _ in range(200)]) > 0.9
