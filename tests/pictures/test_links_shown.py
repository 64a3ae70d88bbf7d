"""Links and several coppers in words, tables and pictures: what is shown is what was solved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from reporting import layered, result
from returnflow.pictures import album, fields, pictured
from returnflow.pictures.board_map import board_frame
from returnflow.pictures.frame import Frame
from returnflow.pictures.lettering import house_style
from returnflow.pictures.maps import Maps
from returnflow.words import result_tables
from returnflow.words.link_rows import link_facts, using
from returnflow.words.result_tables import coppers_table, links_tables, loops_table
from returnflow_geometry.model.numbers import engineering, percent


def on(name):
    it = layered()
    return it.on(it.conductors.names.index(name))


def maps_of(view):
    with house_style():
        return Maps(view, Frame(view, "", "", bar=True).window)


class TestFacts:
    def test_parts_are_those_of_the_solution_at_rest_and_of_the_model_above(self):
        it = layered()
        facts = {item.link.name: item for item in link_facts(it, (0.0, 1e6))}
        assert list(facts) == ["via 1", "via <2>", "capacitor", "one point", "idle"]
        n = it.whole.links.names.index("via 1")
        assert facts["via 1"].currents[0, 0] == it.whole.link_current[0, n]
        names = it.spectral.model.system.stack.links.names
        above = it.spectral.model.link_currents(1e6)
        for name in ("via 1", "via <2>", "capacitor"):
            np.testing.assert_array_equal(facts[name].currents[1], above[names.index(name)])

    def test_what_goes_down_comes_up_at_every_frequency(self):
        facts = {item.link.name: item for item in link_facts(layered(), (0.0, 1e6))}
        total = sum(facts[name].currents for name in ("via 1", "via <2>", "capacitor"))
        assert np.abs(facts["via 1"].currents[:, 0]).min() > 0.01
        np.testing.assert_allclose(total, 0, atol=1e-6)

    def test_capacitors_are_open_at_rest_only(self):
        facts = {item.link.name: item for item in link_facts(layered(), (0.0, 1e6))}
        capacitor = facts["capacitor"]
        assert (capacitor.at_rest, facts["via 1"].at_rest) == ("open", "conducts")
        assert capacitor.currents[0, 0] == 0
        assert np.isinf(capacitor.impedance[0])
        assert capacitor.impedance[1] == pytest.approx(0.01 - 1j / (2 * np.pi * 1e6 * 1e-7))
        assert abs(capacitor.currents[1, 0]) > 1e-5

    def test_links_that_no_loop_reaches_have_no_figures(self):
        facts = link_facts(layered(), (0.0,))
        assert [item.link.name for item in facts if not item.solved] == ["idle"]
        assert np.isnan(facts[-1].currents).all()
        assert using(layered(), facts) == [0]


class TestTables:
    def test_every_link_with_its_parts(self):
        links, driver, sensor = links_tables(layered())
        rows = {row[0]: list(row) for row in links.rows}
        assert rows["via <2>"][1:] == ["v2 (ground) – w2 (back)", "500 µΩ", "1 nH", "none", "conducts"]
        assert rows["capacitor"][2:] == ["10 mΩ", "none", "100 nF", "open"]
        assert rows["idle"][-1] == "no loop reaches it"
        facts = {item.link.name: item for item in link_facts(layered(), (0.0, 1e6))}
        assert '"driver"' in driver.title
        assert '"sensor"' in sensor.title  # which induces a current round the vias
        shown = {row[0]: row[1:] for row in driver.rows}
        assert driver.head == ("link", "0 Hz", "1 MHz")
        assert shown["via 1"] == [percent(abs(facts["via 1"].currents[k, 0])) for k in (0, 1)]
        assert shown["capacitor"] == ["open", percent(abs(facts["capacitor"].currents[1, 0]))]
        assert "one point" not in shown

    def test_of_many_links_the_largest_are_listed_and_the_rest_is_bounded(self, monkeypatch):
        monkeypatch.setattr(result_tables, "MOST_ROWS", 2)
        links, driver, _ = links_tables(layered())
        facts = [abs(item.currents[:, 0]).max() for item in link_facts(layered(), (0.0, 1e6)) if item.solved]
        order = sorted(facts, reverse=True)
        assert len(links.rows) == len(driver.rows) == 2
        assert driver.notes[0] == f"1 more carries at most {percent(order[2])} of it."
        assert {row[0] for row in driver.rows} == {"via 1", "via <2>"}

    def test_coppers_and_what_is_left_out(self):
        rows = {row[0]: list(row) for row in coppers_table(layered(), pictured.pictured(layered())).rows}
        assert rows["ground"][-1] == rows["back"][-1] == "own pictures"
        assert rows["back"][1:4] == ["L3", "1040 mm²", "35 µm"]
        assert rows["return"][-1] == "outline on the board picture"
        assert rows["spare"][-1] == "no loop reaches it: its eddy currents count"

    def test_loops_that_use_no_link_are_named(self):
        tables = links_tables(replace(layered(), frequencies=(0.0,)))
        assert 'No link carries any current of "sensor".' in tables[-1].notes
        assert not any('"sensor"' in table.title for table in tables)

    def test_nothing_of_it_on_one_copper(self):
        assert coppers_table(result(), [0]) is None
        assert links_tables(result()) == []

    def test_every_peak_stands_with_the_foil_that_carries_it(self):
        rows = {row[0]: row for row in loops_table(layered()).rows}
        foil = loops_table(layered()).head.index("current density")
        # 18 µm of ground, and 35 µm of the trace: what one of them is says nothing of the other.
        for name, thickness, copper in (("driver", 18, "ground"), ("sensor", 35, "return")):
            peak = layered().peaks[layered().index(name)]
            assert layered().conductors.names[peak.copper] == copper
            assert rows[name][foil].below == (f"{thickness} µm", f'"{copper}"')
            assert rows[name][foil].text == engineering(peak.value / thickness * 1e6 * 1e-6, "A/mm²")


class TestCoppers:
    def test_wide_ones_have_pictures_and_traces_lie_over_the_nearest(self):
        it = layered()
        assert [it.conductors.names[n] for n in pictured.pictured(it)] == ["ground", "back"]
        assert [it.conductors.names[n] for n in pictured.narrow_over(on("ground"))] == ["return"]
        assert pictured.narrow_over(on("back")) == []
        assert pictured.pictured(result()) == [0]

    def test_parts_of_a_flow_are_integrals_of_the_sheet_current(self):
        it = layered()
        amounts = []
        for n in range(len(it.conductors.names)):
            part = it.whole.on(n)
            amounts.append(np.linalg.norm(part.current(0), axis=2).mean(axis=1) @ part.mesh.areas)
        np.testing.assert_allclose(pictured.flow_parts(it, 0), np.array(amounts) / max(amounts), rtol=1e-9)
        # At 1 MHz the return has gathered on the plane under its conductor.
        assert pictured.flow_parts(it, 0, 1e6)[1] < pictured.flow_parts(it, 0)[1]

    def test_currents_that_share_no_copper_do_not_couple(self):
        assert not pictured.coupling_parts(layered(), 0, 1).any()
        assert pictured.coupling_parts(layered(), 0, 0).max() == 1


class TestPictures:
    def test_every_wide_copper_that_carries_has_its_own(self, monkeypatch):
        monkeypatch.setattr(Frame, "png", lambda self: b"")  # which there are, and their words
        made = {picture.file: picture for picture in album.pictures(layered())}
        flows = [file for file in made if file.startswith(("board", "flow"))]
        # Of 0 Hz and 1 MHz, which were asked for, its line of 100 kHz is neither: that is drawn as well.
        assert flows == [
            *("board.png", "board-back.png", "flow-driver.png", "flow-driver-back.png"),
            *("flow-driver-100-khz.png", "flow-driver-100-khz-back.png"),
        ]
        assert not any("return" in file for file in made)
        assert "2 flow pictures share this colour scale" in made["flow-driver.png"].caption
        assert "on every plane one line stands for 50 mA" in made["flow-driver-back.png"].caption
        assert '"return" passes over it on another layer' in made["board.png"].caption

    def test_coupling_is_drawn_at_the_frequency_that_makes_the_noise(self):
        it = layered()
        (part,) = it.sensitive[0].contributions
        assert pictured.noise_frequency(it, part) == 1e5
        with house_style():
            frame = fields.coupling_frame(maps_of(on("ground")), it.sensitive[0], part)
        transfer = engineering(abs(it.impedance(1e5)[1, 0]), "Ω")
        assert f"transfer impedance {transfer}," in frame.figure.texts[1].get_text()
        assert "at 100 kHz" in frame.figure.texts[1].get_text()

    def test_coupling_at_a_frequency_tends_to_that_at_rest_and_its_colours_add_up(self):
        it = layered()
        for pair in ((0, 0), (1, 1)):
            low, rest = (
                float(density @ mesh.areas)
                for mesh, density in (pictured.coupling_density(it, *pair, f) for f in (1.0, 0.0))
            )
            assert low == pytest.approx(rest, rel=0.08)  # on the magnetic mesh, which is coarser
        mesh, density = pictured.coupling_density(it, 1, 0, 1e5)
        shown = [
            float(np.nansum(maps.coupling(1, 0, 1e5))) * maps.window.pixel**2
            for maps in map(maps_of, map(on, ("ground", "back")))
        ]
        assert sum(shown) == pytest.approx(float(density @ mesh.areas), rel=0.05)

    def test_titles_name_copper_and_layer(self):
        view = on("back")
        with house_style():
            frame = fields.flow_frame(maps_of(view), 0, 0.0, fields.Range(1, 100))
        assert frame.figure.texts[0].get_text().endswith('on "back" (L3)')
        labels = [text.get_text() for text in frame.axes.texts]
        assert set(labels) == {"w1", "w2"}

    def test_the_board_names_only_what_loops_name_with_traces_over_the_plane(self):
        with house_style():
            ground = [text.get_text() for text in board_frame(on("ground")).axes.texts]
            back = [text.get_text() for text in board_frame(on("back")).axes.texts]
        assert set(ground) == {"A", "B", "r1", "r2", "sensor", "driver"}
        assert not back  # no loop ends there

    def test_what_shares_links_is_followed_and_what_does_not_is_not(self):
        maps = maps_of(on("ground"))
        assert maps.shared(0)
        assert maps.shared(0, 1e6)
        assert not maps.shared(1)
        ends = shapely.multipoints(maps.lines(0, 0.0, 20).reshape(-1, 2))
        assert shapely.distance(ends, shapely.Point(0.010, 0.008)) < 0.35e-3
