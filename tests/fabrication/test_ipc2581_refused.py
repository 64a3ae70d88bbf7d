"""IPC-2581 files that are refused with a reason, recognised by their first lines, or damaged."""

import math

import pytest
import test_ipc2581
from hypothesis import given, settings
from hypothesis import strategies as st
from test_ipc2581 import LAYERS, LIMITS, LINE, PROFILE, area, board, feature, on, read

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.ipc2581.document import elements_of, looks_like_ipc2581, read_ipc2581


class TestRefusals:
    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("", "no XML"),
            ("<IPC-2581>", "no XML"),
            ("<a/>", "top element is 'a'"),
            ("<IPC-2581/>", "no Step"),
            ('<!DOCTYPE a [<!ENTITY b "c">]><IPC-2581/>', "document types"),
            ("<!DOCTYPE a>" + board().partition("?>")[2], "DTDForbidden"),
            ('<?xml version="1.0" encoding="nonsense"?><a/>', "no XML"),
            (board()[:-40], "no XML"),
            (board(step='<StepRepeat stepRef="x" nx="2"/>'), "assembly panel"),
            (board().replace("</CadData>", '<Step name="two"/></CadData>'), "assembly panel"),
            (board(step="<StackupZone/>"), "rigid-flex"),
            (board(step="<BendArea/>"), "rigid-flex"),
            (board(layers=LAYERS + '<Stackup name="second"/>'), "rigid-flex"),
            (board(layers=LAYERS.replace('side="INTERNAL"/>', f'side="INTERNAL">{PROFILE}</Layer>', 1)), "rigid-flex"),
            (board(units="FURLONG"), "'FURLONG'; it is one of MILLIMETER"),
            (board().replace('<CadHeader units="MILLIMETER"/>', ""), "no units before"),
            (board(profile=PROFILE + PROFILE), "two Profiles"),
            (board(on("nowhere", feature('<Circle diameter="1"/>'))), "'nowhere', which is not in the list"),
            (board(layers=LAYERS.replace('layerOrGroupRef="core"', 'layerOrGroupRef="top"')), "'top' twice"),
            (
                board(layers=LAYERS.replace('layerOrGroupRef="core"', 'layerOrGroupRef="x"')),
                "neither a layer nor a group",
            ),
        ],
    )
    def test_what_cannot_be_read_is_refused_with_its_reason(self, text, message):
        with pytest.raises(FabricationError, match=message):
            read(text)

    @pytest.mark.parametrize(
        ("shape", "message"),
        [
            ('<Octagon length="1"/>', "'Octagon' is not supported"),
            ('<Hexagon length="1"/>', "'Hexagon' is not supported"),
            ('<Moire diameter="1"/>', "'Moire' is not supported"),
            ('<Donut shape="SQUARE" outerDiameter="2" innerDiameter="1"/>', "'SQUARE' is not supported"),
            ('<Circle diameter="1"><FillDesc fillProperty="MESH"/></Circle>', "'MESH' is not supported"),
            ('<Circle diameter="0"/>', "greater than 0"),
            ('<Circle diameter="nan"/>', "finite number"),
            ('<Circle diameter="x"/>', "diameter 'x'"),
            ("<Circle/>", "diameter ''"),
            ('<Circle diameter="1e9"/>', "no length over 10 m"),
            ('<RectRound width="1" height="1" radius="0.6"/>', "half the shorter side"),
            ('<Contour><Polygon><PolyBegin x="0" y="0"/></Polygon></Contour>', "at least 3"),
            ('<Contour><Polygon><PolyStepSegment x="0" y="0"/></Polygon></Contour>', "PolyBegin is first"),
            ("<Contour/>", "has 0 Polygons"),
            ('<Text textString="hi"/>', "a text on a copper layer has a net"),
        ],
    )
    def test_copper_is_never_guessed(self, shape, message):
        with pytest.raises(FabricationError, match=message):
            area(shape)

    def test_an_unknown_shape_on_another_layer_does_not_matter(self):
        assert read(board(on("mask", feature('<Octagon length="1"/>')))).layers[0].nets == {}

    def test_a_text_without_a_net_is_counted(self):
        data = read(board(on("top", feature('<Text textString="hi"/>', net=""))))
        assert data.layers[0].nets == {}
        assert any("1 times: texts on copper layers" in note for note in data.notes)

    def test_depth_elements_points_and_bytes_are_capped(self):
        with pytest.raises(FabricationError, match="nested more than 16"):
            read("<IPC-2581>" + "<a>" * 20)
        many = '<Location x="0" y="0"/>' * 200
        with pytest.raises(FabricationError, match="more than 100"):
            read(board(on("top", feature('<Circle diameter="1"/>', where=many))), Limits(objects=100))
        with pytest.raises(FabricationError, match="more than 100 points"):
            read(board(on("top", feature('<Circle diameter="9"/>', where=many))), Limits(vertices=100))
        with pytest.raises(FabricationError, match="limit of 10"):
            read(board(), Limits(bytes=10))

    def test_nothing_stays_in_memory_that_is_not_needed(self):
        text = board(on("top", *[feature('<Circle diameter="1"/>')] * 50), step="<Other><x/></Other>" * 50)
        roots = [
            (ancestors or [element])[0] for _, element, ancestors in elements_of(text.encode(), Budget("a.xml", LIMITS))
        ]
        assert [len(root) for root in roots][-1] == 0

    def test_a_few_entries_cannot_ask_for_endless_points(self):
        first = '<EntryUser id="0"><UserSpecial><Circle diameter="1"/></UserSpecial></EntryUser>'
        entry = '<EntryUser id="{}"><UserSpecial>{}</UserSpecial></EntryUser>'
        entries = first + "".join(entry.format(k, f'<UserPrimitiveRef id="{k - 1}"/>' * 10) for k in range(1, 12))
        content = f'<DictionaryUser units="MILLIMETER">{entries}</DictionaryUser>'
        assert area('<UserPrimitiveRef id="11"/>', content=content) == pytest.approx(math.pi / 4)


class TestRecognition:
    def test_files_of_this_kind(self):
        assert looks_like_ipc2581(board().encode())
        assert looks_like_ipc2581(board().encode("utf-16"))

    @pytest.mark.parametrize("data", [b"", b"<svg/>", b"M48", b"IPC-2581"])
    def test_other_files(self, data):
        assert not looks_like_ipc2581(data)


class TestFuzz:
    WHOLE = board(
        on(
            "top",
            test_ipc2581.TestPolarity.PLANE,
            test_ipc2581.TestPolarity.HOLE,
            '<Set net="N"><Pad><Xform rotation="90"/><Location x="3" y="4"/><StandardPrimitiveRef id="P"/>'
            '<PinRef componentRef="U1" pin="1"/></Pad></Set>',
            feature(f'<Line startX="0" startY="0" endX="4" endY="1">{LINE.format("ROUND")}</Line>'),
        ),
        on("drill", '<Set net="N"><Hole diameter="0.3" platingStatus="VIA" x="1" y="2"/></Set>'),
        content=test_ipc2581.TestDictionaries.CONTENT,
    ).encode()

    @settings(max_examples=100, deadline=None)
    @given(data=st.data())
    def test_only_its_own_error_leaves_the_reader(self, data):
        raw = bytearray(self.WHOLE)
        for _ in range(data.draw(st.integers(1, 4))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.integers(0, 2))] = data.draw(
                st.one_of(
                    st.binary(min_size=1, max_size=1).filter(lambda byte: byte not in (b"<", b">", b'"')),
                    st.sampled_from([b"9", b"-", b"e9", b"nan", b".", b""]),
                )
            )
        looks_like_ipc2581(bytes(raw))
        try:
            found = read_ipc2581(bytes(raw), "a.xml", Limits(objects=5000, vertices=100_000))
        except FabricationError:
            return
        assert all(math.isfinite(shape.area) for layer in found.layers for shape in layer.nets.values())

    @settings(max_examples=150, deadline=None)
    @given(data=st.data())
    def test_elements_dropped_doubled_or_renamed(self, data):
        parts = self.WHOLE.decode().replace(">", ">\n").splitlines()
        at = data.draw(st.integers(0, len(parts) - 1))
        kind = data.draw(st.sampled_from(["drop", "double", "rename"]))
        names = ["Set", "Features", "Circle", "Polygon", "Step", "Layer", "x"]
        other = f"<{data.draw(st.sampled_from(names))}/>"
        parts[at : at + 1] = {"drop": [], "double": [parts[at]] * 2, "rename": [other]}[kind]
        try:
            read_ipc2581("".join(parts).encode(), "a.xml", LIMITS)
        except FabricationError:
            return
