"""Supplies: impedance at the pins, noise, resonances, and what capacitors are worth."""

import dataclasses
import functools

import numpy as np
import pytest

import solved
from cases import text_of
from returnflow.answers import supplies
from returnflow.answers.spectra import lines_of
from returnflow.magnetic.link_changes import LinkView
from returnflow.words.supply_tables import cause, supply_sentence, supply_tables

BANK = {"capacitance_F": 1e-7, "resistance_ohm": 0.02, "inductance_H": 5e-10, "mounting_H": 5e-10}
BOARD = {
    "format": 1,
    "title": "supply planes (invented)",
    "board": {"outline": {"rect": [0, 0, 30, 20]}, "temperature_C": 25},
    "layer": [
        {"name": "L1", "copper_um": 35, "below_mm": 0.2, "permittivity": 4.3, "loss_tangent": 0.02},
        {"name": "L2", "copper_um": 35, "below_mm": 0.2, "permittivity": 4.3, "loss_tangent": 0.02},
        {"name": "L3", "copper_um": 35},
    ],
    "copper": [{"name": "ground", "layer": "L2"}, {"name": "supply", "layer": "L3"}],
    "terminal": [
        {"name": "GND", "copper": "ground", "shape": {"rect": [19.82, 9.82, 20.18, 10.18]}},
        {"name": "VDD", "copper": "supply", "shape": {"rect": [20.82, 9.82, 21.18, 10.18]}},
    ],
    "bank": [{"name": "100 nF", "coppers": ["ground", "supply"], "at": [[5, 5], [24, 15], [25, 5]], **BANK}],
    "loop": [
        {
            "name": "core",
            "role": "supply",
            "on": "L1",
            "inject": "GND",
            "return": "VDD",
            "trapezoid": {"frequency_Hz": 3e7, "swing_A": 0.2, "rise_s": 2e-9},
            "tolerates_V": 0.01,
        }
    ],
    "solve": {"accuracy": 0.025, "frequencies_Hz": [0, 1e6, 1e8], "via_inductance": True},
}


@functools.cache
def board():
    return solved.study(text_of(BOARD), "as drawn")["as drawn"]


def facts(result):
    return result.supplies[0]


def test_noise_is_that_of_its_lines_through_its_impedance():
    result = board()
    lines = lines_of(result.case.loops[0])
    # Facts are those of the finer mesh; what two meshes lead to is some per cent from it.
    fine, _ = result.spectral.model.both
    volts = [abs(fine.impedance(f)[0, 0]) * i for f, i in zip(lines.frequency, lines.current, strict=True)]
    assert facts(result).noise == pytest.approx(np.linalg.norm(volts), rel=2e-3)
    assert facts(result).ratio == pytest.approx(facts(result).noise / 0.01)


def test_dip_of_the_bank_and_its_peak_with_the_planes():
    found = facts(board()).resonances
    dip, peak = next(r for r in found if not r.peak), next(r for r in found if r.peak)
    # textbook: a capacitor's series resonance, here with some inductance of planes and pins besides
    alone = 1 / (2 * np.pi * np.sqrt(1e-7 * 1e-9))
    assert 0.5 * alone < dip.frequency < alone
    assert "100 nF" in cause(dip)
    # The planes' 114 pF with a third of a nanohenry and what leads there.
    assert "capacitance of the planes" in cause(peak)
    planes = 8.8541878128e-12 * 4.3 * 0.03 * 0.02 / 0.2e-3
    assert peak.frequency < 1 / (2 * np.pi * np.sqrt(planes * 1e-9 / 3))


def test_algebra_of_links_is_a_board_solved_with_them():
    result = board()
    one = [dict(BOARD["bank"][0], at=BOARD["bank"][0]["at"][:2])]
    other = solved.study(text_of({**BOARD, "bank": one}), "as drawn")["as drawn"]
    frequencies = [1e6, 3e7, 2e8]
    view = LinkView.of(result.spectral.model, 0, frequencies)
    at = np.array([view.links.names.index("100 nF 3")])
    without = view.with_others(at, np.full((3, 1), np.inf))
    again = LinkView.of(other.spectral.model, 0, frequencies).impedance
    np.testing.assert_allclose(abs(without), abs(again), rtol=0.02)
    assert np.all(abs(without / view.impedance - 1)[1:] > 0.03)  # so that it says something


def test_two_capacitors_in_one_place_are_a_board_of_twice_the_bank():
    result = board()
    twice = {"capacitance_F": 2e-7, "resistance_ohm": 0.01, "inductance_H": 2.5e-10, "mounting_H": 2.5e-10}
    other = solved.study(text_of({**BOARD, "bank": [BOARD["bank"][0] | twice]}), "as drawn")["as drawn"]
    frequencies = [1e6, 3e7, 2e8]
    view = LinkView.of(result.spectral.model, 0, frequencies)
    at = np.arange(3)
    again = LinkView.of(other.spectral.model, 0, frequencies).impedance
    np.testing.assert_allclose(abs(view.with_others(at, -0.5 * view.of_links)), abs(again), rtol=0.01)
    np.testing.assert_allclose(view.with_others(at, np.zeros((3, 3))), view.impedance, rtol=1e-6)


def test_what_is_not_enough_says_how_many_more():
    result = board()
    found = facts(result)
    assert not found.enough
    assert "is not good enough" in supply_sentence(result, found)
    ratios = [found.ratio, *(value for _, value in found.more)]
    assert ratios == sorted(ratios, reverse=True)
    loose = dataclasses.replace(found, ratio=0.5, more=())
    assert "is good enough" in supply_sentence(result, loose)


def test_supply_without_a_line_in_its_band_has_no_noise():
    loop = BOARD["loop"][0] | {"band_Hz": [1, 1e3]}
    result = solved.study(text_of({**BOARD, "loop": [loop]}), "as drawn")["as drawn"]
    found = facts(result)
    assert (found.noise, found.ratio, found.capacitors, found.enough) == (0.0, 0.0, (), True)
    assert "no line of its current lies within its band" in supply_sentence(result, found)
    answer = supply_tables(result)[0]
    assert "its loudest line" not in [row[0] for row in answer.rows]


def test_worth_of_one_more_capacitor_is_that_of_a_board_with_two_of_it():
    result = board()
    twice = {"capacitance_F": 2e-7, "resistance_ohm": 0.01, "inductance_H": 2.5e-10, "mounting_H": 2.5e-10}
    first, rest = BOARD["bank"][0]["at"][:1], BOARD["bank"][0]["at"][1:]
    banks = [BOARD["bank"][0] | {"at": rest}, BOARD["bank"][0] | {"name": "two", "at": first} | twice]
    other = solved.study(text_of({**BOARD, "bank": banks}), "as drawn")["as drawn"]
    worth = next(item for item in facts(result).capacitors if item.link == "100 nF 1")
    assert worth.doubled == pytest.approx(facts(other).ratio, rel=0.02)
    assert worth.doubled < 0.95 * facts(result).ratio  # so that it says something


def test_where_a_capacitor_stands_matters_less_on_closer_planes():
    # common practice, no source: hardly on closely spaced planes
    layers = [*BOARD["layer"]]
    layers[1] = layers[1] | {"below_mm": 0.04}
    close = solved.study(text_of({**BOARD, "layer": layers}), "as drawn")["as drawn"]
    assert facts(close).spread("100 nF") < 0.5 * facts(board()).spread("100 nF")


def test_a_target_impedance_is_judged_where_it_is_worst_in_its_band():
    kept = {key: value for key, value in BOARD["loop"][0].items() if key != "tolerates_V"}
    loop = kept | {"target_ohm": 0.1, "band_Hz": [1e6, 3e7]}
    result = solved.study(text_of({**BOARD, "loop": [loop]}), "as drawn")["as drawn"]
    found = facts(result)
    sizes = {f: abs(result.impedance(f)[0, 0]) for f in np.geomspace(1e6, 3e7, 31).tolist()}
    worst = max(sizes, key=lambda f: sizes[f])
    assert found.ratio == pytest.approx(sizes[worst] / 0.1, rel=0.03)
    assert found.worst == pytest.approx(worst, rel=0.15)
    assert found.enough == (found.ratio <= 1)


def test_planes_that_resonate_are_named():
    # Half a wave over the longer side (textbook): 100 mm in a dielectric of 4.3, 723 MHz.
    pins = [
        pin | {"shape": {"rect": [89.82, y - 0.18, 90.18, y + 0.18]}}
        for pin, y in zip(BOARD["terminal"], (60, 61), strict=True)
    ]
    bank = [BOARD["bank"][0] | {"at": [[20, 15]]}]
    large = {"board": {"outline": {"rect": [0, 0, 100, 80]}, "temperature_C": 25}, "terminal": pins, "bank": bank}
    solve = {"accuracy": 0.025, "frequencies_Hz": [0, 1e6, 1e9], "via_inductance": True}
    result = solved.study(text_of({**BOARD, **large, "solve": solve}), "as drawn")["as drawn"]
    standing = [item for item in facts(result).resonances if item.peak and item.standing]
    assert standing
    assert min(abs(item.frequency / 723e6 - 1) for item in standing) < 0.05
    assert cause(standing[0]) == "a standing wave between the planes"


class Resonant:
    """A supply that one more capacitor does not help, but one more beside each of the first kind does."""

    def changed(self, count):
        return dict(count)

    def ratio(self, count):
        first = [count.get(n, 1) for n in (0, 1, 2)]
        return (1.2 if min(first) == 1 else 0.9), 0.0


def test_where_no_single_capacitor_helps_one_more_of_each_of_a_kind_may():
    found = supplies._more(Resonant(), [0, 1, 2, 3], ["100 nF"] * 3 + ["10 uF"], 1.2)
    assert found == [(0, 0.9), (1, 0.9), (2, 0.9)]


def test_what_nothing_helps_is_left():
    class Deaf(Resonant):
        def ratio(self, count):
            return 1.2, 0.0

    assert supplies._more(Deaf(), [0, 1], ["a", "b"], 1.2) == []
