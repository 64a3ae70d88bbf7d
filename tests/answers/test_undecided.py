"""Limits that the accuracy leaves undecided: solved on until they are decided, by a bracket that holds."""

import functools

import numpy as np
import pytest

import returnflow as rf
from cases import text_of
from returnflow.answers.evaluate import budgets, solve_case
from returnflow.resistive import conduction
from returnflow.resistive.solution import Options

# Two halves of a plane (invented), joined by a neck of 12 mm through which no current has to pass.
BOARD = {
    "format": 1,
    "title": "two halves and a neck (invented)",
    "board": {"outline": {"rect": [0, 0, 60, 30]}, "temperature_C": 25},
    "layer": [{"name": "L1", "copper_um": 35}],
    "copper": [{"name": "ground", "layer": "L1"}],
    "cutout": [{"name": "gap", "copper": "ground", "shape": {"rect": [25, 12, 26, 31]}}],
    "terminal": [
        {"name": "A", "copper": "ground", "at": [5, 24], "diameter_mm": 1},
        {"name": "B", "copper": "ground", "at": [20, 24], "diameter_mm": 1},
        {"name": "C", "copper": "ground", "at": [32, 24], "diameter_mm": 1},
        {"name": "D", "copper": "ground", "at": [55, 24], "diameter_mm": 1},
    ],
    "loop": [
        {"name": "probe", "role": "sensitive", "inject": "A", "return": "B", "signal_V": 10, "tolerates_V": 1e-6},
        {"name": "motor", "role": "noisy", "inject": "C", "return": "D", "current_A": 1.0, "frequency_Hz": 5},
    ],
    "solve": {"accuracy": 0.2, "frequencies_Hz": [0]},
}


@functools.cache
def solved(tolerates, accuracy=0.2):
    probe = BOARD["loop"][0] | {"tolerates_V": tolerates}
    case = rf.parse_case(text_of({**BOARD, "loop": [probe, BOARD["loop"][1]]}))
    return case, solve_case(case, Options(accuracy=accuracy))


def verdict(tolerates):
    (sums, *_), _ = budgets(*solved(tolerates))
    return sums.verdict


def coupling():
    """Of a solution a hundred times as accurate."""
    return abs(float(solved(1.0, accuracy=0.002)[1].solution.mid[0, 1]))


def test_a_limit_on_either_side_of_the_noise_is_decided(monkeypatch):
    exact = coupling()
    with monkeypatch.context() as without:
        without.setattr(conduction, "MORE", 0)
        solved.cache_clear()
        assert [verdict(exact * f) for f in (0.7, 1.4)] == ["undecided", "undecided"]
    solved.cache_clear()
    assert [verdict(exact * f) for f in (0.7, 1.4)] == ["exceeded", "kept"]


@pytest.mark.parametrize("part", [0.7, 1.4])
def test_the_narrower_bracket_holds_what_a_finer_mesh_says(part):
    exact = coupling()
    solution = solved(exact * part)[1].solution
    assert solution.half_width[0, 1] < abs(part - 1) * exact
    assert abs(abs(solution.mid[0, 1]) - exact) <= solution.half_width[0, 1]


def test_nothing_more_is_solved_for_a_limit_that_is_clear():
    clear, close = (len(solved(limit)[1].solution.passes) for limit in (1.0, 1.4 * coupling()))
    assert clear < close


def test_a_limit_as_good_as_the_noise_stays_undecided():
    exact = coupling()
    solution = solved(exact)[1].solution
    assert len(solution.passes) < 12
    assert verdict(exact) == "undecided"
    assert np.isfinite(solution.half_width).all()


def test_limits_of_variants_on_the_same_board_are_decided_too():
    exact = coupling()
    quieter = {"name": "quieter", "set": {"motor.current_A": 0.3}}
    probe = BOARD["loop"][0] | {"tolerates_V": 0.4 * exact}  # the case as drawn is decided anyway
    case = rf.parse_case(text_of({**BOARD, "loop": [probe, BOARD["loop"][1]], "variant": [quieter]}))
    study = rf.run(case, jobs=1)
    assert {name: study[name].sensitive[0].verdict for name in study.variants} == {
        "as drawn": "exceeded",
        "quieter": "kept",
    }


def test_a_finer_mesh_that_cannot_be_solved_takes_nothing_away(monkeypatch):
    exact, solve_on, said = coupling(), conduction.solve_on, []

    def small_machine(mesh, *rest):
        if said and "undecided" in said[-1]:
            raise MemoryError
        return solve_on(mesh, *rest)

    monkeypatch.setattr(conduction, "solve_on", small_machine)
    probe = BOARD["loop"][0] | {"tolerates_V": 1.4 * exact}
    case = rf.parse_case(text_of({**BOARD, "loop": [probe, BOARD["loop"][1]]}))
    solved_case = solve_case(case, Options(accuracy=0.2), said.append)
    assert said[-1] == "the finer mesh could not be solved: what is found stands"
    assert budgets(case, solved_case)[0][0].verdict == "undecided"
