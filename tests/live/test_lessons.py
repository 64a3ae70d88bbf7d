"""Every lesson of the class, done in the browser as a student would; its readings are those of full solves."""

import re

import numpy as np
import pytest

from cases import GOOD, edited, mistakes_of, text_of
from livepage import CUT, drag, lessons_page, opened
from returnflow.cli import main
from returnflow.live.page import CLASS, lesson_cases
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options
from returnflow_geometry.casefile.read import parse_case

TWO_FRAMES = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
BOTH_THEMES = f"""() => [0, 1].map(() => {{
  const found = ({CUT})();
  document.getElementById("theme").click();
  return found;
}})"""
PREFIX = {"n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3}
# Readings of full solves, in volts or parts.
EXPECTED = {
    "Straight home, or under the trace?": [0.25, 0.60, 0.97],
    "The gap steers it": [1.28e-3, 1.45e-3, 1.84e-3],
    "Two ground points share": [324e-6, 0, 316e-6],
    "Why a milliohm matters": [324e-6, 7.4e-6],
    "The bridge beside the amplifier": [324e-6, 88.2e-6, 22.1e-6],
}


@pytest.fixture(scope="module")
def class_(window, tmp_path_factory):
    """The class in one window for all tests here."""
    path = tmp_path_factory.mktemp("class") / "class.html"
    path.write_text(lessons_page(), encoding="utf-8")
    with opened(window, path) as live:
        yield live


@pytest.fixture
def live(class_):
    """The class as it opens: the first lesson, nothing guessed, 0 Hz, light."""
    class_.evaluate("page.sweep.steady(), page.lessons.open(0)")
    assert class_.evaluate("[page.frequency, page.lessons.guess, page.grips.every((it) => it.asDrawn)]") == [
        0,
        None,
        True,
    ]
    yield class_
    class_.evaluate("page.back()")
    class_.set_viewport_size({"width": 1280, "height": 720})
    if class_.get_attribute("#theme", "aria-pressed") == "true":
        class_.click("#theme")


def number(reading: str) -> float:
    value, prefix, unit = re.fullmatch(r"([\d.]+) ([nµmk]?)(V|Ω|%|A/m)", reading).groups()
    return float(value) * (0.01 if unit == "%" else PREFIX[prefix])


def solved_noise(case) -> float:
    conductors = Conductors.of(case)
    found = solve(conductors, conductors.ends(case), options=Options(accuracy=0.01))
    return abs(float(found.mid[1, 0])) * case.loops[0].current


def solved_impedance(case) -> float:
    """At the one frequency that is read, on two meshes that are not the page's."""
    conductors = Conductors.of(case)
    options = BroadbandOptions(lowest=3e6, highest=3e7, bounds=False)
    model = solve_broadband(case, conductors, conductors.ends(case), None, options, coarser=8.0)
    return abs(model.impedance(1e7)[0, 0])


def test_every_lesson_in_the_browser(live):
    found = {}
    for number_ in range(live.evaluate("page.lessons.list.length")):
        live.select_option("#lessons", str(number_))
        assert "Guess first." in live.inner_text("#lesson")
        assert live.locator("#lesson li").count() == 0
        live.click("#lesson [data-choice='0']")
        for step in range(live.locator("#lesson li").count()):
            live.click(f"#lesson [data-step='{step}']")
        assert live.locator("#lesson .why").count() == 1
        found[live.inner_text("#lesson h2")] = live.evaluate("page.lessons.readings")
    cases = dict(zip(CLASS, lesson_cases(), strict=True))
    planes, crossing = cases["joined_planes"], cases["slot_crossing"]
    expected = EXPECTED | {
        "One via, two vias, many": [0.0, *(solved_noise(variant.case) for variant in planes.variants)],
        "A trace that crosses a slot": [solved_impedance(case) for case in (crossing.variants[0].case, crossing)],
    }
    assert set(found) == set(expected)
    for name, readings in found.items():
        assert [number(reading) for reading in readings] == pytest.approx(expected[name], rel=0.01, abs=1e-12), name


def test_no_lesson_is_cut_off(live):
    for number_ in range(7):
        live.select_option("#lessons", str(number_))
        live.click("#lesson [data-choice='0']")
        for width, height in ((1280, 720), (1024, 768)):
            live.set_viewport_size({"width": width, "height": height})
            live.evaluate(TWO_FRAMES)  # the page hears of its new size with the next one
            # For a room and for a projector, and as it was.
            assert live.evaluate(BOTH_THEMES) == [[], []], (number_, width)


def test_the_play_button_sweeps_and_stops(live):
    live.click("#play")
    live.wait_for_function("page.frequency > 1e3")
    live.click("#play")
    at = live.evaluate("page.frequency")
    live.wait_for_timeout(100)
    assert live.evaluate("page.frequency") == at
    assert live.inner_text("#play") == "Play"


def test_a_student_who_drags_takes_the_same_reading(live):
    live.select_option("#lessons", "3")
    live.click("#lesson [data-choice='0']")
    assert live.evaluate("page.lessons.readings.length") == 1  # as drawn is where it begins
    scale = live.evaluate("page.frame.scale")
    drag(live, "U1.AGND", -32e-3 * scale, 0)
    assert number(live.evaluate("page.lessons.readings[1]")) == pytest.approx(7.4e-6, rel=0.1)
    assert "As you guessed." in live.inner_text("#lesson .why")


def test_the_peak_at_the_end_of_the_slot(live):
    live.select_option("#lessons", "1")
    peaks = []
    for variant in (1, 0, 2):
        live.evaluate(f"page.turn({variant})")
        peaks.append(live.evaluate("page.board.peak(page.reading.currents, page.loop)"))
    assert peaks == pytest.approx([464, 719, 1121], rel=0.03)  # full solves, A/m


def test_the_end_of_a_slot_is_dragged(live):
    live.select_option("#lessons", "1")
    read = "[page.volts, page.board.peak(page.reading.currents, page.loop)]"
    for by, noise, peak in ((-5e-3, 1.28e-3, 464), (5e-3, 1.84e-3, 1121), (0, 1.45e-3, 719)):  # full solves
        live.evaluate(f"page.board.stretch(0, page.board.sheets[0].slots[0], {by}), page.refresh()")
        assert live.evaluate(read) == pytest.approx([noise, peak], rel=0.01)
    live.locator(".end").focus()
    live.keyboard.press("ArrowDown")
    assert live.evaluate("page.board.sheets[0].slots[0].by") == pytest.approx(1e-3)
    live.evaluate("page.board.stretch(0, page.board.sheets[0].slots[0], 1)")  # as far as it may go
    assert 5e-3 < live.evaluate("page.board.sheets[0].slots[0].by") < 10e-3


def test_the_command_writes_the_class(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("returnflow.live.page.class_page", lambda _: lessons_page())  # made once for all tests
    assert main(["live", "--lessons", "--quiet", "-o", str(tmp_path / "class.html")]) == 0
    assert (tmp_path / "class.html").read_text(encoding="utf-8") == lessons_page()
    assert main(["live", "-o", str(tmp_path / "none.html")]) == 2
    assert not (tmp_path / "none.html").exists()
    assert "--lessons" in capsys.readouterr().err


LESSON = {
    "name": "lesson",
    "question": "How much?",
    "choices": ["much", "little"],
    "answer": 2,
    "read": {"noise": "load cell"},
    "steps": [{"say": "Drag.", "move": {"U1.AGND": [10, 60]}}, {"say": "Slide.", "frequency_Hz": 50}],
    "why": "Because.",
}


def with_lesson(**changes):
    return edited(("lesson", [LESSON | changes]), case=GOOD)


def test_a_case_carries_a_lesson():
    (lesson,) = parse_case(text_of(with_lesson())).lessons
    assert (lesson.answer, lesson.quantity, lesson.of) == (1, "noise", ("load cell",))
    assert np.allclose(lesson.steps[0].move[0][1], (10e-3, 60e-3))
    assert lesson.steps[1].frequency == 50
    (lesson,) = parse_case(text_of(with_lesson(read={"share": "analog", "loop": "buck"}))).lessons
    assert lesson.of == ("analog", "buck")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"answer": 3}, 'lesson "lesson": answer is 3; there are 2 choices; give the number of one'),
        ({"answer": 0}, 'lesson "lesson": answer is 0; must be the number of the right choice, counted from 1'),
        ({"choices": ["one"]}, 'lesson "lesson": choices is ["one"]; must be a list of 2 to 6 answers to choose from'),
        ({"read": {"noise": "lod cell"}}, 'lesson "lesson": read.noise is "lod cell"; no loop has that name'),
        ({"read": {}}, 'lesson "lesson": read is {}; must be a table with one of noise, share, section, impedance'),
        ({"read": {"impedance": ["buck"]}}, 'lesson "lesson": read.impedance is ["buck"]; must be two loops'),
        ({"steps": [{"say": "x", "variant": "none"}]}, 'lesson "lesson": steps number 1: variant is "none"; the file'),
        ({"steps": [{"say": "x", "move": {"U9": [1, 1]}}]}, 'lesson "lesson": steps number 1: move "U9" is "U9"; no'),
        ({"steps": []}, 'lesson "lesson": steps is []; must be a list of 1 to 12 tables'),
        ({"ask": "x"}, 'lesson "lesson": ask is an unknown key'),
    ],
)
def test_mistakes_in_a_lesson(changes, message):
    (mistake,) = mistakes_of(with_lesson(**changes))
    assert mistake.startswith(message)
