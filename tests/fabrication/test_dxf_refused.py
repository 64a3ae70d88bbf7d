"""DXF drawings that are refused with a reason, or damaged."""

import builtins
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_dxf import LIMITS, MM2, SMALL, drawing, read, square

from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.dxf.drawing_file import looks_like_dxf, read_dxf


class TestRefusals:
    def test_no_unit_is_asked_for(self):
        data = drawing(lambda space: square(space, 0, 0, 10), units=0)
        with pytest.raises(FabricationError, match="INSUNITS is 0"):
            read_dxf(data, "a.dxf", LIMITS)
        assert read_dxf(data, "a.dxf", LIMITS, unit=1e-3).layers["top"].area == pytest.approx(100 * MM2)

    def test_an_open_outline_is_left_out_with_its_loose_end(self):
        def draw(space):
            square(space, 0, 0, 10, "good")
            space.add_line((0, 0), (10, 0), {"layer": "open"})

        found = read(draw)
        assert set(found.layers) == {"good"}
        assert any("'open' is left out: 2 ends are loose, one at (0, 0) mm" in note for note in found.notes)

    def test_branches_overlaps_and_bow_ties_are_left_out(self):
        def draw(space):
            square(space, 0, 0, 1, "good")
            for end in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                space.add_line((0, 0), end, {"layer": "star"})
            square(space, 0, 0, 10, "overlap")
            square(space, 5, 5, 10, "overlap")
            space.add_lwpolyline([(0, 0), (2, 2), (2, 0), (0, 2)], close=True, dxfattribs={"layer": "bow"})

        found = read(draw)
        assert set(found.layers) == {"good"}
        notes = " ".join(found.notes)
        assert "'star' is left out: 4 ends are loose" in notes
        assert "'overlap' is left out: outlines overlap at" in notes
        assert "'bow' is left out: an outline is not simple" in notes

    def test_what_is_not_read_is_counted(self):
        def draw(space):
            square(space, 0, 0, 10, "good")
            for _ in range(3):
                space.add_text("x", dxfattribs={"layer": "top"})
            space.add_lwpolyline([(0, 0, 1, 2), (5, 5, 1, 2)], format="xyse", dxfattribs={"layer": "top"})
            space.add_circle((0, 0), 1, dxfattribs={"layer": "top", "extrusion": (1, 0, 0)})

        found = read(draw)
        assert set(found.layers) == {"good"}
        notes = " ".join(found.notes)
        assert "TEXT on layer 'top' is not read (3 times)" in notes
        assert "LWPOLYLINE on layer 'top' left out: its width changes (1 times)" in notes
        assert "CIRCLE on layer 'top' left out: it does not lie flat (1 times)" in notes

    def test_what_the_parser_drops_without_a_word_is_refused(self):
        lost = SMALL.replace("ENDSEC\n0\nEOF", "ENDSEC\n0\nCIRCLE\n8\nlost\n0\nEOF")
        with pytest.raises(FabricationError, match="'CIRCLE' stands outside any section"):
            read_dxf(lost.encode(), "a.dxf", LIMITS)
        twice = SMALL.replace("ENDSEC\n0\nEOF", "ENDSEC\n0\nSECTION\n2\nENTITIES\n0\nENDSEC\n0\nEOF")
        with pytest.raises(FabricationError, match="a second section 'ENTITIES'"):
            read_dxf(twice.encode(), "a.dxf", LIMITS)

    def test_what_the_parser_drops_with_a_warning_is_noted(self, capfd):
        block = "0\nSECTION\n2\nBLOCKS\n0\nBLOCK\n8\n0\n0\nENDBLK\n8\n0\n0\nENDSEC\n"
        found = read_dxf(SMALL.replace("0\nSECTION\n2\nENT", block + "0\nSECTION\n2\nENT").encode(), "a.dxf", LIMITS)
        assert any(note.startswith("While reading: ") and "BLOCK" in note for note in found.notes)
        assert capfd.readouterr() == ("", "")

    def test_nothing_closed_at_all(self):
        with pytest.raises(FabricationError, match="no layer encloses an area"):
            read(lambda space: space.add_line((0, 0), (1, 0)))

    def test_too_large_for_a_board(self):
        with pytest.raises(FabricationError, match="reaches beyond 10 m"):
            read(lambda space: space.add_circle((0, 0), 1e9))

    @pytest.mark.parametrize("data", [b"", b"hello", b"  0\nSECTION\n  2\n", b"\0\1", b"0\nSECTION\n" * 3])
    def test_what_is_no_drawing(self, data):
        with pytest.raises(FabricationError):
            read_dxf(data, "a.dxf", LIMITS)

    def test_entities_and_bytes_are_capped(self):
        data = drawing(lambda space: [square(space, k, 0, 0.5) for k in range(20)])
        with pytest.raises(FabricationError, match="more than 10 objects"):
            read_dxf(data, "a.dxf", Limits(objects=10))
        with pytest.raises(FabricationError, match="limit of 10"):
            read_dxf(data, "a.dxf", Limits(bytes=10))

    def test_without_the_library_it_says_what_to_install(self, monkeypatch):
        data = drawing(lambda space: square(space, 0, 0, 10))
        real = builtins.__import__

        def absent(name, *args, **kwargs):
            if name.startswith("ezdxf"):
                raise ImportError(name)
            return real(name, *args, **kwargs)

        monkeypatch.setattr(builtins, "__import__", absent)
        with pytest.raises(FabricationError, match=r"install returnflow\[dxf\]"):
            read_dxf(data, "a.dxf", LIMITS)


class TestFuzz:
    @settings(max_examples=150, deadline=None)
    @given(data=st.data())
    def test_only_its_own_error_leaves_the_reader(self, data):
        lines = SMALL.splitlines()
        for _ in range(data.draw(st.integers(1, 4))):
            at = data.draw(st.integers(0, len(lines) - 1))
            lines[at : at + data.draw(st.integers(0, 2))] = data.draw(
                st.lists(
                    st.sampled_from(["0", "10", "1e300", "nan", "-1", "LINE", "ENDSEC", "42", "x", ""]), max_size=2
                )
            )
        raw = "\n".join(lines).encode()
        looks_like_dxf(raw)
        try:
            found = read_dxf(raw, "a.dxf", LIMITS)
        except FabricationError:
            return
        assert all(math.isfinite(area.area) for area in found.layers.values())
