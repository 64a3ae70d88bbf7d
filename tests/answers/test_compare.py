"""Variants side by side: which figures are worth a row."""

import solved
from cases import text_of
from returnflow.answers import compare

OHMS = (0.001, 0.01, 0.1, 10.0)
# Two strips one over the other (invented), joined by links that carry less and less.
BOARD = {
    "format": 1,
    "title": "strips and links (invented)",
    "board": {"outline": {"rect": [0, 0, 30, 10]}, "temperature_C": 25},
    "layer": [{"name": "L1", "copper_um": 35, "below_mm": 0.5}, {"name": "L2", "copper_um": 35}],
    "copper": [{"name": "upper", "layer": "L1"}, {"name": "lower", "layer": "L2"}],
    "terminal": [
        {"name": "A", "copper": "upper", "at": [2, 5], "diameter_mm": 1},
        {"name": "B", "copper": "lower", "at": [28, 5], "diameter_mm": 1},
        *(
            {"name": f"{copper} {n}", "copper": copper, "at": [9 + 4 * n, 5], "diameter_mm": 1}
            for n in range(len(OHMS))
            for copper in ("upper", "lower")
        ),
    ],
    "link": [
        {"name": f"link {n}", "between": [f"upper {n}", f"lower {n}"], "resistance_ohm": ohm}
        for n, ohm in enumerate(OHMS)
    ],
    "loop": [{"name": "motor", "role": "noisy", "inject": "B", "return": "A", "current_A": 1}],
    "solve": {"accuracy": 0.05, "frequencies_Hz": [0]},
}


def rows(study):
    return {(row.kind, row.loop, row.other): row for row in compare.compare(study.variants).rows}


def test_of_many_links_those_that_carry_next_to_nothing_in_every_variant_have_no_row(monkeypatch):
    study = solved.study(text_of(BOARD))
    every = rows(study)
    shares = {key[2]: row.figures[0].value for key, row in every.items() if key[0] == "link"}
    assert [name for name, share in shares.items() if share >= compare.IDLE] == ["link 0", "link 1", "link 2"]
    monkeypatch.setattr(compare, "MANY_LINKS", 0)
    left = rows(study)
    assert every.keys() - left.keys() == {("link", "motor", "link 3")}
    assert all(left[key] == every[key] for key in left)
