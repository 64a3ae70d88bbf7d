"""Of many noisy loops: where the noise of one loop comes from, and whose flow is worth a picture."""

import functools

import numpy as np
import pytest

import returnflow as rf
from returnflow.pictures.album import MOST_FLOWS, followed, pictures
from returnflow.pictures.picture import Picture
from returnflow.pictures.sources_map import MANY, sources_frame, sources_words, telling
from returnflow.report.page import details_html
from returnflow.words.result_tables import MOST_ROWS

# Invented: a supply at the left, devices in rows, a weak input above them.
HEAD = """
format = 1
title = "Many devices"
board = { outline = { rect = [0, 0, 40, 30] } }
layer = [{ name = "L1", copper_um = 35 }]
copper = [{ name = "ground", layer = "L1" }]
solve = { frequencies_Hz = [0], accuracy = 0.05 }

[[loop]]
name = "probe"
role = "sensitive"
inject = "A"
return = "B"
tolerates_V = 1e-6
signal_V = 0.01
band_Hz = [0, 1000]
"""


@functools.cache
def study(devices):
    places = [(6 + 3 * (n % 10), 5 + 4 * (n // 10)) for n in range(devices)]
    pads = [("A", 30, 26), ("B", 5, 26), ("J1", 2, 2), *((f"D{n}.GND", *at) for n, at in enumerate(places))]
    text = HEAD + "".join(
        f'[[terminal]]\nname = "{name}"\ncopper = "ground"\nat = [{x}, {y}]\ndiameter_mm = 0.6\n' for name, x, y in pads
    )
    text += "".join(
        f'[[device]]\nname = "D{n}"\nground = ["D{n}.GND"]\nreturn = "J1"\nsupply_A = {0.01 * (n + 1):g}\n'
        f"frequency_Hz = {5000 if n % 5 == 4 else 100}\n"
        for n in range(devices)
    )
    return rf.run(rf.parse_case(text), only=["as drawn"], jobs=1)


@pytest.fixture
def result():
    return study(30)["as drawn"]


def test_marks_are_where_currents_enter_and_as_dark_as_what_they_add(result):
    (budget,) = result.sensitive
    frame = sources_frame(result, budget)
    found = telling(budget)
    filled = {
        tuple(np.round(marks.get_offsets()[0], 6)): marks
        for marks in frame.axes.collections
        if len(marks.get_offsets()) == 1 and len(marks.get_facecolor())
    }
    counted = [part for part in found if part.in_band]
    assert len(counted) == 24
    assert len(found) == 30
    assert len(filled) == len(counted)
    places = [tuple(1e3 * np.array(result.case.board.terminal(f"{p.loop}.GND").centre)) for p in counted]
    sizes = [float(filled[tuple(np.round(place, 6))].get_sizes()[0]) for place in places]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > 1.5 * sizes[-1]


def test_it_says_how_few_make_half_of_the_power(result):
    (budget,) = result.sensitive
    power = np.cumsum(sorted((part.part for part in budget.contributions), reverse=True))
    few = int(np.searchsorted(power, 0.5)) + 1
    assert f"{few} of 24 make {100 * power[few - 1]:.3g} %" in sources_words(result, budget)[0]


def test_few_loops_need_no_such_map():
    (budget,) = study(MANY - 2)["as drawn"].sensitive
    assert telling(budget) == []


def test_of_many_loops_the_flows_that_matter_are_drawn(result):
    names = [result.case.loops[j].name for j in followed(result)]
    (budget,) = result.sensitive
    largest = sorted(budget.contributions, key=lambda part: -part.noise)[:MOST_ROWS]
    assert set(names) == {"probe", *(part.loop for part in largest)}
    assert len(followed(study(MANY - 2)["as drawn"])) == MANY - 1 < MOST_FLOWS


def test_the_report_says_whose_are_not(result):
    brief = pictures(result, extent="brief")
    assert [picture.kind for picture in brief].count("sources") == 1
    flows = [
        Picture(kind="flow", file=f"flow-{n}.png", caption="", alt="", loops=(result.case.loops[n].name,), png=b"")
        for n in followed(result)
    ]
    assert "13 in all; 18 more are not" in details_html(study(30), {"as drawn": [*brief, *flows]})
