"""Sweeps as charts and maps: where a limit is met, steps that failed, words that lie on nothing."""

from __future__ import annotations

import dataclasses
import io
import itertools

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image
from test_sweeps_solved import CURRENT, HEAT, WEIGHT, sweep, swept

from returnflow.answers.sweeps import Swept, logarithmic
from returnflow.pictures import sweep_charts
from returnflow.pictures.lettering import house_style
from returnflow.pictures.picture import draw_all
from returnflow.pictures.sweep_charts import curves, level_map, sweep_pictures
from returnflow_geometry.model.board import Axis, Step, Sweep


def drawn(axis, noise, limits, doubt=1.0, roles=("sensitive", "cables", "sensitive")):
    """Sweep of one quantity with given figures, shape (steps, loops)."""
    noise = np.array(noise, dtype=float)
    count = noise.shape[1]
    steps = tuple(Step(at=(n,), case=None) for n in range(len(axis.values)))
    return Swept(
        sweep=Sweep(name="drawn <by> $hand$", axes=(axis,), steps=steps),
        loops=tuple(f"loop {n}" for n in range(count)), roles=roles[:count],
        limits=np.broadcast_to(limits, noise.shape), noise=noise, low=noise / doubt, high=noise * doubt,
        failed={int(n): "no" for n in np.flatnonzero(np.isnan(noise[:, 0]))},
    )  # fmt: skip


X = Axis(label="U: distance along its way (mm)", unit="mm", values=tuple(np.linspace(50, 0, 11).tolist()))
WAVE = 1e-4 * np.exp(1.5 * np.sin(np.array(X.values) / 6))
CHARTS = {
    "many crossings": drawn(X, np.column_stack([WAVE, 2 * WAVE]), 1e-4, 1.2),
    "a failed step": drawn(X, np.where(np.arange(11) == 3, np.nan, WAVE)[:, None], 1e-4),
    "far below": drawn(X, np.full((11, 1), 1e-9), 1.0, 1.5),
    "crowded": drawn(
        dataclasses.replace(X, values=tuple(range(41))), 1e-4 * np.exp(np.sin(np.arange(41) * 1.9))[:, None], 1e-4
    ),
    "silent": drawn(X, np.zeros((11, 1)), 1e-3),
    "logarithmic": drawn(dataclasses.replace(X, values=(0.01, 0.1, 10.0)), [[1e-6], [1e-5], [1e-3]], 1e-4),
    "a limit that moves": drawn(X, WAVE[:, None], np.linspace(5e-5, 3e-4, 11)[:, None]),
}


def texts(chart):
    """Boxes of all the texts in a figure that are drawn."""
    figure = chart.figure
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    found, hidden = [], beyond(chart)
    for text in figure.findobj(match=lambda a: hasattr(a, "get_text") and a.get_text() and id(a) not in hidden):
        box = text.get_window_extent(renderer)
        if box.width > 1:
            found.append((text.get_text(), box))
    return found


def beyond(chart):
    """Labels of ticks beyond an axis, which are made but not drawn."""
    hidden = set()
    for axes in chart.figure.axes:
        for axis, span in ((axes.xaxis, sorted(axes.get_xlim())), (axes.yaxis, sorted(axes.get_ylim()))):
            for tick in axis.get_major_ticks():
                if not span[0] <= tick.get_loc() <= span[1]:
                    hidden.add(id(tick.label1))
    return hidden


@pytest.mark.parametrize("name", CHARTS)
def test_no_word_lies_on_another_or_beyond_the_picture(name):
    it = CHARTS[name]
    with house_style():
        chart = curves(it, it.loops)
        boxes = texts(chart)
    whole = chart.figure.bbox
    for text, box in boxes:
        assert box.x0 >= 0
        assert box.x1 <= whole.x1, text
    inside = [(t, b) for t, b in boxes if "limit" in t or t.endswith(" mm") or t.startswith("loop ")]
    for (one, a), (other, b) in itertools.combinations(inside, 2):
        assert not (a.x0 < b.x1 and b.x0 < a.x1 and a.y0 < b.y1 and b.y0 < a.y1), (one, other)


def test_a_chart_shows_the_noise_the_limit_and_where_it_is_met():
    it = CHARTS["many crossings"]
    with house_style():
        chart = curves(it, it.loops)
    for axes, loop in zip(chart.figure.axes, it.loops, strict=True):
        lines = {line.get_gid(): line for line in axes.lines if line.get_gid()}
        np.testing.assert_array_equal(lines["noise"].get_xydata(), np.column_stack([X.values, it.grid(loop)]))
        assert list(lines["limit"].get_ydata()) == [1e-4, 1e-4]
        met = it.met(loop)
        marks = [line.get_xydata()[0] for line in axes.lines if line.get_gid() == "met"]
        assert len(met) > 1
        np.testing.assert_allclose(marks, [(crossing.value, 1e-4) for crossing in met])
        # Noise, bounds and limit are within the picture.
        low, high = axes.get_ylim()
        assert low < np.min(it.grid(loop, "low"))
        assert high > np.max(it.grid(loop, "high"))


def test_pictures_of_one_quantity_hold_all_loops_and_of_two_one_each():
    (one,), (two,) = swept(sweep(HEAT)), swept(sweep(CURRENT, WEIGHT))
    made = draw_all([*sweep_pictures(one), *sweep_pictures(two)])
    assert [picture.loops for picture in made] == [("sensor", "shells"), ("sensor",), ("shells",)]
    assert len({picture.file for picture in made}) == 3
    for picture in made:
        assert picture.kind == "sweep"
        image = Image.open(io.BytesIO(picture.png))
        assert image.width > 800
        assert len(image.convert("RGB").getcolors(1 << 20)) > 20
    assert made[0].caption.startswith(one.sentence("sensor"))


def test_a_map_has_its_contour_and_every_step_on_it():
    (it,) = swept(sweep(CURRENT, WEIGHT))
    with house_style():
        chart = level_map(it, "sensor")
        panel = chart.figure.axes[0]
        (ink,) = [c for c in panel.collections if getattr(c, "get_segments", None) and c.get_linewidth()[0] < 3]
        np.testing.assert_allclose(np.array(ink.get_segments()), it.contour("sensor"))
        assert panel.get_xscale() == "log"
        assert panel.get_yscale() == "linear"
        dots = {tuple(line.get_xydata()[0]): line.get_markerfacecolor() for line in panel.lines}
    assert len(dots) == 15
    for step, state in zip(it.sweep.steps, it.states("sensor"), strict=True):
        place = tuple(axis.values[n] for axis, n in zip(it.sweep.axes, step.at, strict=True))
        assert dots[place] == sweep_charts.MARKS[state][1]
    assert set(it.states("sensor")) == {"kept", "exceeded"}


def test_the_words_at_the_limit_cover_no_step():
    dense = CURRENT.replace("steps = 5", "steps = 17"), 'set = "top.copper_um", from = 18, to = 70, steps = 7'
    (it,) = swept(sweep(*dense))
    shown = 0
    for limit in np.geomspace(2e-4, 5e-3, 15):
        limited = dataclasses.replace(it, limits=np.where(np.isfinite(it.limits), limit, it.limits))
        with house_style():
            panel = level_map(limited, "sensor").figure.axes[0]
            for words in panel.texts:
                box = words.get_window_extent()
                assert not any(box.contains(*panel.transData.transform(dot.get_xydata()[0])) for dot in panel.lines)
                shown += 1
    assert shown == 15


def test_a_map_without_the_cells_round_a_failed_step():
    (it,) = swept(sweep(CURRENT, WEIGHT))
    noise = it.noise.copy()
    noise[4] = np.nan  # second current, second weight
    holed = dataclasses.replace(it, noise=noise, low=noise, high=noise, failed={4: "no"})
    with house_style():
        mesh = level_map(holed, "sensor").figure.axes[0].collections[0]
    missing = np.ma.getmaskarray(mesh.get_array()).reshape(2, sweep_charts.FINE, 4, sweep_charts.FINE)
    assert missing[:, :, :2].all()
    assert not missing[:, :, 2:].any()
    left = holed.contour("sensor").reshape(-1, 2)
    assert len(left)
    assert left[:, 0].min() >= 1


@pytest.mark.parametrize(
    ("values", "log"),
    [((1, 3, 10, 30), True), ((0.5, 12.4, 24.3, 36.2, 48.1, 60), False), ((1, 2, 3), False), ((-1, 100), False)],
)
def test_an_axis_is_logarithmic_where_its_steps_are(values, log):
    """Even steps from nearly nothing are no decade for the first of them."""
    assert logarithmic(dataclasses.replace(X, values=values)) == log
