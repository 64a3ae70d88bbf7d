"""Charts over frequency show the numbers of the result, within their axes and without overlapping text."""

from __future__ import annotations

import functools
import struct
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

import returnflow as rf
from reporting import layered
from returnflow.answers.result import Result
from returnflow.pictures import album, captions, fields, over_frequency, share_chart, spectral_lines
from returnflow.pictures.frame import Frame
from returnflow.pictures.lettering import house_style
from returnflow.pictures.maps import Maps
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.radiation import Radiates

CASE = """
format = 1
title = "Charts (invented)"
board = { outline = { rect = [0, 0, 40, 30] }, temperature_C = 20 }
layer = [{ name = "T", copper_um = 35, below_mm = 2 }, { name = "P", copper_um = 35 }]
copper = [{ name = "plane", layer = "P" }]
terminal = [
  { name = "A", copper = "plane", shape = { rect = [7.1, 14.1, 8.9, 15.9] } },
  { name = "B", copper = "plane", shape = { rect = [31.1, 14.1, 32.9, 15.9] } },
  { name = "C", copper = "plane", shape = { rect = [7.1, 4.1, 8.9, 5.9] } },
  { name = "D", copper = "plane", shape = { rect = [31.1, 4.1, 32.9, 5.9] } },
]
region = [{ name = "top", copper = "plane", shape = { rect = [15, 20, 25, 30] } }]

[[loop]]
name = "driver & <co>"
role = "noisy"
inject = "A"
return = "B"
trapezoid = { frequency_Hz = 1e6, swing_A = 0.1, unipolar = true, rise_s = 1e-8 }
route = { layer = "T", path = [[32, 15], [8, 15]], width_mm = 0.3 }

[[loop]]
name = "input"
role = "sensitive"
inject = "C"
return = "D"
signal_V = 1
tolerates_V = 1e-4
band_Hz = [0, 2e6]

[solve]
frequencies_Hz = [0, 1e3, 1e5, 1e7]
accuracy = 0.05
"""


@functools.cache
def result() -> Result:
    return rf.run(rf.parse_case(CASE), only=["as drawn"])["as drawn"]


def lines_of(chart: over_frequency.Chart, axes: int) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    return {line.get_label(): line.get_data() for line in chart.figure.axes[axes].get_lines()}


def test_impedance_starts_at_the_resistance_and_runs_along_the_inductances():
    it = result()
    with house_style():
        chart = over_frequency.impedance_chart(it, it.spectral, 0)
    f, size = lines_of(chart, 0)["|Z|"]
    assert size[0] == pytest.approx(it.solution.mid[0, 0], rel=2e-2)
    assert size[-1] == pytest.approx(2 * np.pi * f[-1] * it.spectral.facts[0].high_inductance, rel=2e-2)
    _, real = lines_of(chart, 0)["Re Z"]
    assert np.all(np.diff(real) > -1e-9 * real[1:])
    inductance = chart.figure.axes[1].get_lines()[0].get_ydata()
    assert inductance[0] == pytest.approx(1e9 * it.spectral.facts[0].low_inductance, rel=1e-2)
    assert inductance[-1] == pytest.approx(1e9 * it.spectral.facts[0].high_inductance, rel=1e-2)


def test_shares_on_the_chart_are_those_of_the_result():
    it = result()
    with house_style():
        chart = share_chart.share_chart(it, it.spectral)
    f, across = lines_of(chart, 0)["driver & <co>"]
    near = lines_of(chart, 1)["driver & <co>"][1]
    for n, asked in enumerate(it.frequencies[1:], 1):
        at = np.log(asked)
        assert np.interp(at, np.log(f), across) / 100 == pytest.approx(it.spectral.shares[n, 0, 0], abs=0.02)
        assert np.interp(at, np.log(f), near) / 100 == pytest.approx(abs(it.spectral.near[n, 0]), abs=0.02)


def test_noise_chart_separates_the_band_and_shows_the_limit():
    it = result()
    with house_style():
        chart = over_frequency.noise_chart(it, it.sensitive[0])
    strip, axes = chart.figure.axes
    _break, filled, hollow = [line for line in axes.get_lines() if len(line.get_xdata())][:3]
    assert np.all(filled.get_xdata() <= 2e6)
    assert np.all(hollow.get_xdata() > 2e6)
    assert {1e-4} in [set(line.get_ydata()) for line in axes.get_lines()]
    volts = it.sensitive[0].contributions[0].strongest[1]
    # The mean of the current is no line at any frequency: it stands in a strip of its own, at its own voltage.
    mean = next(line for line in strip.get_lines() if len(line.get_xdata()) == 1)
    assert mean.get_ydata()[0] == pytest.approx(0.05 * abs(it.impedance(0.0)[1, 0]))
    assert [label.get_text() for label in strip.get_xticklabels()] == ["DC"]
    assert strip.get_ylim() == axes.get_ylim()
    assert max(line.get_ydata().max() for line in (filled, hollow, mean)) == pytest.approx(volts)


def test_noise_chart_of_a_single_line():
    # Of no width, its limits were divided by: a warning, which is an error here.
    it = result()
    loops = tuple(
        replace(loop, spectrum=None, trapezoid=None, current=0.05, frequency=1e6) if loop.role == "noisy" else loop
        for loop in it.case.loops
    )
    it = replace(it, case=replace(it.case, loops=loops))
    with house_style():
        axes = over_frequency.noise_chart(it, it.sensitive[0]).figure.axes[-1]
    assert [line.get_xdata().tolist() for line in axes.get_lines() if len(line.get_xdata()) == 1] == [[1e6]]


def test_of_many_lines_the_strongest_of_each_narrow_band_stands_for_the_others():
    f = np.linspace(1e6, 1e9, 2001)
    volts = 1.0 + np.sin(np.arange(2001)) ** 2
    at, strongest, weakest = spectral_lines.strongest_per_band(f, volts)
    assert len(at) < 80
    assert np.all(np.diff(at) > 0)
    assert strongest.max() == volts.max()
    assert weakest.min() == volts.min()
    band = np.floor(spectral_lines.PER_DECADE * np.log10(f))
    for n, value in enumerate(strongest):
        mine = volts[band == np.floor(spectral_lines.PER_DECADE * np.log10(at[n]))]
        assert (mine.max(), mine.min()) == (value, weakest[n])


def test_shares_have_no_empty_panel():
    it = result()
    bare = replace(it, facing=tuple(replace(item, route=None) for item in it.facing))
    assert share_chart.has_shares(bare)
    with house_style():
        chart = share_chart.share_chart(bare, it.spectral)
    assert [bool(axes.get_lines()) for axes in chart.figure.axes] == [True]
    assert not share_chart.has_shares(replace(bare, case=replace(bare.case, regions=())))


def test_transfer_chart_has_a_curve_for_every_noisy_loop():
    it = result()
    with house_style():
        chart = over_frequency.transfer_chart(it, it.spectral, it.sensitive[0])
    f, size = lines_of(chart, 0)["driver & <co>"]
    assert size[40] == pytest.approx(abs(it.impedance(float(f[40]))[1, 0]))


def test_a_placement_map_says_where_resistance_is_not_all():
    it = result()
    with house_style():
        frame = fields.placement_frame(Maps(it, Frame(it, "", "", bar=True).window), it.sensitive[0])
    said = " ".join(text.get_text() for text in frame.figure.texts)
    noise = engineering(it.sensitive[0].noise, "V")
    assert f"by resistance alone; at the frequencies of the currents it is {noise} as drawn" in said


@pytest.mark.parametrize(
    ("width", "said"),
    [
        (3e-4, "; of the trace's own resistance only what crowding at its edges adds is in it."),
        (7e-5, "; the trace's own resistance is not in it."),  # twice the thickness: an even current
        (None, "; the outgoing conductor's own resistance is not in it."),
    ],
)
def test_an_impedance_says_what_of_the_trace_is_in_it(width, said):
    it = result()
    route = None if width is None else replace(it.facing[0].route, width=width)
    it = replace(it, facing=(replace(it.facing[0], route=route), *it.facing[1:]))
    with house_style():
        chart = over_frequency.impedance_chart(it, it.spectral, 0)
    assert said in " ".join(" ".join(text.get_text().split()) for text in chart.figure.texts)
    assert ("does not compare traces" in captions.impedance_words(it, 0)[0]) == (width is not None)
    # What is told of the trace is what it carries: currents that dissipate, or an even one alone.
    if route is not None:
        assert (route.strands.resistance.size > 0) == ("crowding" in said)


def test_film_strip_has_every_frequency_on_one_scale():
    it = result()
    assert over_frequency.strip_loops(it) == [0]
    with house_style():
        chart = over_frequency.strip_chart(it, 0)
    images = [axes.get_images()[0] for axes in chart.figure.axes if axes.get_images()]
    assert len(images) == len(it.frequencies)
    assert len({(image.norm.vmin, image.norm.vmax) for image in images}) == 1
    # What the picture shows is the current: at high frequency much less of the copper is bright than at DC.
    bright = [np.mean(np.asarray(image.get_array().filled(0)) > 0.02 * image.norm.vmax) for image in images]
    assert bright[-1] < bright[0]


def test_film_strip_has_a_row_for_every_plane_that_carries():
    it = layered()
    with house_style():
        chart = over_frequency.strip_chart(it, 0)
    maps = [axes for axes in chart.figure.axes if axes.get_images()]
    names = [text for text in chart.figure.texts if " on L" in text.get_text()]
    assert [text.get_text() for text in names] == ['"ground" on L2', '"back" on L3']
    # Each stands above its row, on nothing else: however flat the board, no name runs into another.
    figure = chart.figure
    boxes = [text.get_window_extent() for text in names]
    rows = [maps[number].get_tightbbox() for number in (0, len(maps) // 2)]
    assert all(row is not None and row.y1 <= box.y0 + 1 for box, row in zip(boxes, rows, strict=True))
    assert rows[0] is not None
    assert boxes[1].y1 <= rows[0].y0 + 1
    assert all(box.x1 < figure.bbox.x1 for box in boxes)
    assert [axes.get_title(loc="left") for axes in maps] == 2 * ["DC", "1 MHz"]
    assert len({(axes.get_images()[0].norm.vmin, axes.get_images()[0].norm.vmax) for axes in maps}) == 1


def test_all_charts_are_among_the_pictures_and_their_text_stays_inside():
    it = result()
    made = album.pictures(it)
    kinds = [picture.kind for picture in made]
    assert kinds.count("strip") == 1
    assert kinds.count("spectrum") == 4
    assert len({picture.file for picture in made}) == len(made)
    for picture in made:
        width, height = struct.unpack(">II", picture.png[16:24])
        assert 500 < width < 1500
        assert 300 < height < 2000
    with house_style():
        chart = over_frequency.impedance_chart(it, it.spectral, 0)
    canvas = FigureCanvasAgg(chart.figure)
    canvas.draw()
    whole = chart.figure.bbox
    for axes in chart.figure.axes:
        shown = [
            tick.label1
            for axis in (axes.xaxis, axes.yaxis)
            for tick in axis.get_major_ticks()
            if min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
        ]
        assert len(shown) > 6
        for text in (*shown, axes.xaxis.label, axes.yaxis.label):
            box = text.get_window_extent(canvas.get_renderer())
            assert box.x0 >= whole.x0
            assert box.x1 <= whole.x1
            assert "$" not in text.get_text()


def twins() -> Result:
    """Two currents that go the same way."""
    twin = CASE[CASE.index("[[loop]]") : CASE.rindex("[[loop]]")].replace("driver & <co>", "twin")
    return rf.run(rf.parse_case(CASE.replace("[solve]", twin + "[solve]")), only=["as drawn"])["as drawn"]


def test_equal_shares_are_both_seen_and_their_names_cover_nothing():
    it = twins()
    with house_style():
        chart = share_chart.share_chart(it, it.spectral)
    figure = chart.figure
    FigureCanvasAgg(figure).draw()
    for axes in figure.axes:
        below, above = (
            next(line for line in axes.get_lines() if line.get_label() == n) for n in ("driver & <co>", "twin")
        )
        np.testing.assert_allclose(below.get_ydata(), above.get_ydata(), atol=1.0)
        assert below.get_linewidth() > 2 * above.get_linewidth()
        assert below.get_zorder() < above.get_zorder()
        assert (below.is_dashed(), above.is_dashed()) == (False, True)
        assert axes.get_legend() is None
    (names,) = figure.legends
    box = names.get_window_extent()
    assert [text.get_text() for text in names.get_texts()] == ["driver & <co>", "twin"]
    assert not any(box.overlaps(axes.get_tightbbox()) for axes in figure.axes)
    assert not any(box.overlaps(text.get_window_extent()) for text in figure.texts)


@pytest.mark.parametrize("radiates", [False, True])
def test_names_of_limits_cover_no_line_of_the_noise(radiates):
    it = result()
    loops = list(it.case.loops)
    if radiates:
        cables = Radiates(limit="CISPR 32 class B", distance=3.0, length=2.0, diameter=5e-3)
        loops[1] = replace(loops[1], role="cables", radiates=cables, band=(30e6, 1e9))
    it = replace(it, case=replace(it.case, loops=tuple(loops)))
    with house_style():
        figure = over_frequency.noise_chart(it, it.sensitive[0]).figure
    FigureCanvasAgg(figure).draw()
    axes = figure.axes[-1]
    assert not any("limit" in text.get_text() for text in axes.texts)
    names = axes.get_legend()
    assert ("limit by CISPR 32 class B" if radiates else "limit") in [text.get_text() for text in names.get_texts()]
    marked = [line for line in axes.get_lines() if len(line.get_xdata()) > 0 and line.get_transform() == axes.transData]
    points = np.concatenate([axes.transData.transform(np.column_stack(line.get_data())) for line in marked])
    assert len(points) > 20
    assert points[:, 1].max() < names.get_window_extent().y0
