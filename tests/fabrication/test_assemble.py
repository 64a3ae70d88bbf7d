"""Files to one board: holes that fit, negative planes, what is refused, and no crash on anything."""

import dataclasses
import io
import random
import re

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabwriter import MM, Draft, demo_board, drill_file, write_gerber_set, write_ipc2581
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.board_data.assemble import board_data, from_fabrication
from returnflow_geometry.fabrication.board_data.holes import hit_rate
from returnflow_geometry.fabrication.board_data.starter import starter_case
from returnflow_geometry.fabrication.board_data.summary import describe
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.extract import board_of
from returnflow_geometry.fabrication.copper.pins import pins_of

QUICK = Limits(bytes=5_000_000, objects=20_000, vertices=200_000, seconds=5)


def files_of(data, folder, **options):
    return {path.name: path.read_bytes() for path in write_gerber_set(data, folder, **options)}


@pytest.fixture(scope="module")
def demo():
    return demo_board()


@pytest.fixture(scope="module")
def demo_files(demo, tmp_path_factory):
    return files_of(demo, tmp_path_factory.mktemp("demo"), name="x")


def small_files(folder, *, planes=True, **options):
    draft = Draft(20, 20)
    for layer, net in enumerate(("GND", "VCC", "VCC", "GND") if planes else (), start=1):
        draft.pour(layer, net, (1, 1, 19, 19))
    for k in range(12):
        draft.via("GND", (2 + 1.25 * k, 5.5))
    return files_of(draft.data(), folder, **options)


class TestHoles:
    def numbers(self, files, name, pattern):
        """The same drill file with bare digits instead of decimal points."""
        text = files[name].decode()
        text = re.sub(r"([XY])(\d+)\.(\d{3})\d*", lambda m: m[1] + pattern(m[2], m[3]), text)
        return {**files, name: text.encode()}

    def test_undeclared_digits_are_told_by_the_copper(self, tmp_path):
        files = small_files(tmp_path)
        bare = self.numbers(files, "board-1-4-PTH.drl", lambda whole, part: f"{whole:0>3}{part}")
        data = board_data(bare)
        assert {(round(x / MM, 3), round(y / MM, 3)) for hole in data.holes for x, y in hole.path} == {
            (2 + 1.25 * k, 5.5) for k in range(12)
        }
        assert dict(data.hits) == {"board-1-4-PTH.drl": 1.0}

    def test_digits_that_fit_nowhere_stop_the_import(self, tmp_path):
        files = small_files(tmp_path, planes=False)
        bare = self.numbers(files, "board-1-4-PTH.drl", lambda whole, part: f"{int(whole) + 77:0>3}{part}")
        with pytest.raises(FabricationError, match=r"^board-1-4-PTH.drl: .*copper"):
            board_data(bare)

    def test_holes_of_another_origin_stop_the_import(self, tmp_path):
        files = small_files(tmp_path)
        text = re.sub(rb"Y5\.5", b"Y135.5", files["board-1-4-PTH.drl"])
        with pytest.raises(FabricationError, match="only 0 % of its plated holes meet copper"):
            board_data({**files, "board-1-4-PTH.drl": text})

    def test_a_few_that_miss_are_reported(self, tmp_path):
        files = small_files(tmp_path)
        text = files["board-1-4-PTH.drl"].replace(b"X2.0", b"X92.0").replace(b"X3.25", b"X93.25")
        data = board_data({**files, "board-1-4-PTH.drl": text})
        assert data.contradictions == ("board-1-4-PTH.drl: only 83.3 % of its plated holes meet copper",)

    def test_holes_in_two_files_count_once(self, tmp_path):
        files = small_files(tmp_path)
        data = board_data({**files, "again.drl": files["board-1-4-PTH.drl"]})
        assert len(data.holes) == 12
        assert any("12 holes are in more than one drill file" in note for note in data.notes)

    def test_holes_from_an_image_file(self, tmp_path):
        files = small_files(tmp_path)
        del files["board-1-4-PTH.drl"]
        image = "%TF.FileFunction,Plated,1,4,PTH*%%FSLAX46Y46*%%MOMM*%%ADD10C,0.3*%D10*X2000000Y5500000D03*"
        image += "X4500000Y5500000D02*X7000000Y5500000D01*M02*"
        first, second = board_data({**files, "holes.gbr": image.encode()}).holes
        assert (first.plating, first.span, first.diameter) == ("plated", (1, 4), pytest.approx(0.3 * MM))
        assert second.path == pytest.approx(np.array([[4.5, 5.5], [7, 5.5]]) * MM)

    def test_no_holes_are_said(self, tmp_path):
        files = small_files(tmp_path)
        del files["board-1-4-PTH.drl"]
        assert "No file gives any holes: layers are not connected." in board_data(files).notes

    def test_rate_counts_plated_holes_only(self, demo):
        assert hit_rate(demo.holes, demo.layers) == 1.0
        assert hit_rate([hole for hole in demo.holes if hole.plating == "unplated"], demo.layers) is None


class TestLayers:
    def test_a_negative_plane_is_the_outline_without_what_is_drawn_and_named_by_its_holes(self, tmp_path):
        files = small_files(tmp_path)
        plane = "%TF.FileFunction,Copper,L2,Inr*%%TF.FilePolarity,Negative*%%FSLAX46Y46*%%MOMM*%"
        plane += "%ADD10R,2X2*%D10*X10000000Y10000000D03*M02*"
        data = board_data({**files, "board-L2.gbr": plane.encode()})
        assert data.layers[1].nets[""].area / MM**2 == pytest.approx(400 - 4)
        assert {island.net for island in connect(data).islands if island.layer == 1} == {"GND"}

    def test_a_negative_plane_needs_an_outline(self, tmp_path):
        files = small_files(tmp_path)
        del files["board-outline.gbr"]
        files["board-L2.gbr"] = files["board-L2.gbr"].replace(b"Positive", b"Negative")
        with pytest.raises(FabricationError, match=r"^board-L2.gbr: is a negative image.*outline"):
            board_data(files)

    def test_copper_beyond_the_outline_is_cut_off_and_said(self, tmp_path):
        draft = Draft(20, 20)
        draft.pour(1, "GND", (-1, 5, 10, 15))
        for layer in (2, 3, 4):
            draft.pour(layer, "GND", (5, 5, 10, 15))
        data = board_data(files_of(draft.data(), tmp_path))
        assert data.layers[0].nets["GND"].area / MM**2 == pytest.approx(100)
        assert "L1: 10 mm² of copper beyond the outline are cut off." in data.notes

    def test_an_outline_that_leaves_most_copper_outside_is_not_the_boards(self, tmp_path):
        files = small_files(tmp_path)
        frame = "%TF.FileFunction,Profile,NP*%%FSLAX46Y46*%%MOMM*%%ADD10C,0.1*%D10*"
        for low, high in ((-5, 25), (-1, 21)):  # a frame with the board routed out of it
            corners = [(low, low), (high, low), (high, high), (low, high), (low, low)]
            frame += "".join(f"X{a}000000Y{b}000000D0{1 if k else 2}*" for k, (a, b) in enumerate(corners))
        with pytest.raises(FabricationError, match=r"^board-outline.gbr: leaves 100 % of the copper.*frame of a panel"):
            board_data({**files, "board-outline.gbr": f"{frame}M02*".encode()})

    def test_several_outlines_are_a_panel(self, tmp_path):
        files = small_files(tmp_path)
        edge = "%TF.FileFunction,Profile,NP*%%FSLAX46Y46*%%MOMM*%%ADD10C,0.1*%D10*"
        for x in (0, 30):
            corners = [(x, 0), (x + 20, 0), (x + 20, 20), (x, 20), (x, 0)]
            edge += "".join(f"X{a}000000Y{b}000000D0{1 if k else 2}*" for k, (a, b) in enumerate(corners))
        with pytest.raises(FabricationError, match="2 separate areas, as a panel"):
            board_data({**files, "board-outline.gbr": f"{edge}M02*".encode()})

    def test_the_case_s_table_reaches_the_files(self, tmp_path):
        files = small_files(tmp_path, attributes=False)
        del files["board-job.gbrjob"]
        with pytest.raises(FabricationError, match="no file says that it is copper"):
            board_data(files)
        table = {f"board-L{k}.gbr": f"L{k}" for k in range(1, 5)} | {"board-outline.gbr": "outline"}
        data = board_data(files, table=table)
        assert len(data.layers) == 4
        assert data.order == "the table in the case"

    def test_files_that_are_not_read_are_listed_with_why(self, demo_files):
        mask = b"%TF.FileFunction,Soldermask,Top*%%FSLAX46Y46*%%MOMM*%M02*"
        data = board_data({**demo_files, "mask.gbr": mask, "readme.txt": b"hello", "two.ipc": demo_files["x.ipc"]})
        ignored = dict(data.ignored)
        assert ignored["mask.gbr"] == "solder mask"
        assert ignored["readme.txt"] == "of no kind that is read"
        assert sum("netlist" in why for why in ignored.values()) == 1

    def test_a_broken_file_that_is_not_needed_does_no_harm(self, demo_files):
        broken = b"%TF.FileFunction,Legend,Top*%%FSLAX46Y46*%%ADD10C,nonsense*%"
        assert len(board_data({**demo_files, "legend.gbr": broken}).layers) == 4

    def test_one_file_for_the_whole_board_beside_images_is_ignored(self, demo, demo_files, tmp_path):
        whole = write_ipc2581(demo, tmp_path / "whole.xml").read_bytes()
        assert "beside it" in dict(board_data({**demo_files, "whole.xml": whole}).ignored)["whole.xml"]
        with pytest.raises(FabricationError, match="one is read; name one of them"):
            board_data({"a.xml": whole, "b.xml": whole})


class TestDrawing:
    def drawing(self, layers):
        ezdxf = pytest.importorskip("ezdxf")
        document = ezdxf.new(units=4)  # millimetres
        for name, rings in layers.items():
            for points in rings:
                if len(points) == 3:
                    document.modelspace().add_circle(points[:2], points[2], dxfattribs={"layer": name})
                else:
                    document.modelspace().add_lwpolyline(points, close=True, dxfattribs={"layer": name})
        stream = io.StringIO()
        document.write(stream)
        return {"hand.dxf": stream.getvalue().encode()}

    square = ((0, 0), (20, 0), (20, 20), (0, 20))
    long = ((4, 9.5), (16, 9.5), (16, 10.5), (4, 10.5))

    def test_layers_by_their_names(self):
        files = self.drawing(
            {"L1": [self.square], "l2": [self.square], "Outline": [self.square], "holes": [(5, 5, 0.5)]}
        )
        data = board_data(files)
        assert [layer.name for layer in data.layers] == ["L1", "L2"]
        (hole,) = data.holes
        assert (hole.plating, hole.diameter) == ("plated", pytest.approx(1 * MM, rel=1e-6))
        assert hole.path == pytest.approx(np.array([[5, 5]]) * MM)
        assert len(connect(data).barrels[0].islands) == 2

    def test_layers_by_the_table_of_the_case(self):
        files = self.drawing({"copper": [self.square, self.long], "notes": [self.square]})
        with pytest.raises(FabricationError, match=r"^hand.dxf: layer .*no file says that it is copper"):
            board_data(files)
        data = board_data(files, table={"copper": "L1", "notes": "ignore"})
        assert data.layers[0].nets[""].area / MM**2 == pytest.approx(400 - 12)

    def test_a_hole_of_no_drill_s_shape_is_refused(self):
        wide = ((4, 4), (16, 4), (16, 8), (10, 8), (10, 16), (4, 16))
        with pytest.raises(FabricationError, match="neither round nor a straight slot"):
            board_data(self.drawing({"L1": [self.square], "unplated": [wide]}))


class TestRefused:
    @pytest.mark.parametrize("files", [{}, {"a.txt": b"hello"}, {"a": b""}])
    def test_nothing_to_read(self, files):
        with pytest.raises(FabricationError, match="a board needs Gerber image files"):
            board_data(files)

    def test_no_such_path(self, tmp_path):
        with pytest.raises(FabricationError, match="no such folder or file"):
            from_fabrication(tmp_path / "missing")

    def test_incremental_coordinates(self, demo_files):
        for name, old, new in (("x-L1.gbr", b"%FSLA", b"%FSLI"), ("x-1-4-PTH.drl", b"METRIC\n", b"METRIC\nICI,ON\n")):
            with pytest.raises(FabricationError, match=r"(?i)incremental"):
                board_data({**demo_files, name: demo_files[name].replace(old, new)})

    def test_copper_drawn_over_itself_without_end(self, tmp_path):
        # Every island meets every hole: a million pairs from files of a few kilobytes.
        draft = Draft(20, 20)
        data = draft.data()
        square = shapely.box(0, 0, 20 * MM, 20 * MM)
        crossed = {f"N{k}": square for k in range(300)}
        layer = data.layers[0].__class__(name="L1", nets=crossed)
        data = data.__class__(files=("x",), outline=None, layers=(layer,), stackup=(), holes=())
        with pytest.raises(FabricationError, match="more than 20000 objects"):
            connect(data, limits=QUICK)


class TestStarter:
    def test_it_is_a_small_toml_that_names_its_source(self, demo):
        import tomllib

        text = starter_case(demo, "fab/")
        raw = tomllib.loads(text)
        assert raw["source"] == "fab/"
        assert raw["board"] == {"temperature_C": 25, "plating_um": 20}
        assert len(text) < 4000
        for word in ("GND", "VCC", "AGND", "J4.2 = GND", "U3.17", "below_mm = 1.1"):
            assert word in text

    def test_it_tells_what_the_files_call_a_pin(self):
        draft = Draft(20, 20)
        draft.pour(1, "GND", (1, 1, 19, 19))
        draft.pad("J1.1", "GND", 1, (5, 5), (1, 1))
        data = draft.data()
        pads = tuple(dataclasses.replace(pad, function="return") for pad in data.layers[0].pads)
        layers = (dataclasses.replace(data.layers[0], pads=pads), *data.layers[1:])
        assert "J1.1 = GND (return)" in starter_case(dataclasses.replace(data, layers=layers), "x")

    def test_its_loops_end_on_pins_of_returns_that_metal_joins(self, demo):
        text = starter_case(demo, "fab/")
        names = re.findall(r'# (?:inject|return) = "(.*)"', text)
        pins = pins_of(demo)
        assert len(names) > 4
        assert {pins[name].net for name in names} == {"GND", "AGND"}
        board_of(demo, names)

    @given(st.text(max_size=30), st.text(min_size=1, max_size=30))
    @settings(deadline=None, max_examples=60)
    def test_any_name_leaves_it_a_toml(self, net, source):
        import tomllib

        draft = Draft(20, 20)
        draft.pour(1, net, (1, 1, 19, 19))
        draft.pad(f"J1.{net}", net, 1, (5, 5), (1, 1))
        text = starter_case(draft.data(), source)
        assert tomllib.loads(text)["source"] == source


class TestUntrusted:
    """Whatever the bytes: data, or one message. Nothing else leaves the reader."""

    def attempt(self, files):
        try:
            data = board_data(files, QUICK)
            connectivity = connect(data, limits=QUICK)
            names = [name for name in pins_of(data) if name in {"U3.17", "J4.2", "U1.4", "U2.9"}]
            describe(data, connectivity=connectivity, pins=names)
            starter_case(data, "x", connectivity=connectivity)
            board_of(data, names, connectivity=connectivity)
        except FabricationError as error:
            return str(error)
        return ""

    def test_as_written_it_is_read(self, demo_files):
        assert self.attempt(demo_files) == ""

    @pytest.mark.parametrize("seed", range(40))
    def test_bytes_changed_dropped_and_doubled(self, demo_files, seed):
        rng = random.Random(seed)
        name = rng.choice(sorted(demo_files))
        data = bytearray(demo_files[name])
        for _ in range(rng.choice((1, 3, 20))):
            at = rng.randrange(len(data))
            match rng.randrange(4):
                case 0:
                    data[at] = rng.randrange(256)
                case 1:
                    del data[at : at + rng.randrange(1, 40)]
                case 2:
                    data[at:at] = data[at : at + rng.randrange(1, 400)]
                case 3:
                    data[at : at + 1] = rng.choice((b"*", b"%", b"-", b"9999999", b"G75*G03*", b"1e300", b"\x00"))
        assert "\n" not in self.attempt({**demo_files, name: bytes(data)})

    @pytest.mark.parametrize("seed", range(10))
    def test_files_of_other_boards_mixed_in(self, demo_files, tmp_path, seed):
        rng = random.Random(seed)
        others = small_files(tmp_path, name="x")
        mixed = {name: rng.choice((demo_files, others)).get(name, b"") for name in demo_files}
        assert "\n" not in self.attempt(mixed)


def test_the_writer_marks_slots(tmp_path):
    draft = Draft(20, 20)
    draft.hole((5, 5), 1, to=(9, 5))
    assert "M15" in drill_file(draft.holes, "NonPlated,1,4,NPTH")
