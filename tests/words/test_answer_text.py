"""The plain-text answer: sentence first, numbers right, columns straight."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cases import EXAMPLES
from reporting import CABLES, NOISY, REGION, SECTION, SENSITIVE, TITLE, at_frequencies, result, study, two_variants
from returnflow.advice.findings import Finding
from returnflow.advice.study import run
from returnflow.answers.adding import Coupled
from returnflow.answers.budget import budget
from returnflow.answers.spectra import lines_of
from returnflow.answers.verdict import finding
from returnflow.resistive.solution import Options
from returnflow.words.answer_text import (
    accuracy_sentence,
    bracket,
    known_to,
    lead,
    margin,
    power_share,
    summary,
    summary_lines,
)
from returnflow.words.columns import rows_text
from returnflow.words.terminal import summary_table
from returnflow_geometry.casefile.read import read_case
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import engineering, percent


def judged(**changes):
    return replace(result(), sensitive=(replace(result().sensitive[0], **changes),), cables=())


class TestSummary:
    def test_exceeded_names_amount_limit_decibels_and_source(self):
        text = summary(judged())
        assert text == (
            'Sharing the plane is not tolerable for "_weak & μV Größe": 86.6 µV rms in series with its signal, limit '
            f'20 µV, 12.7 dB over the limit. Noise power by source: "{NOISY}" '
            f"{percent(lead(result().sensitive[0])[1])}."
        )

    def test_kept_says_by_what_margin(self):
        text = summary(replace(result(), sensitive=()))
        assert text.startswith(
            f'"{CABLES}" is within its limit: 924 µV rms between its connectors, limit 1 V, 60.7 dB margin.'
        )

    def test_the_worst_comes_first_and_the_kept_last(self):
        cables = result().cables[0]
        text = summary(replace(result(), cables=(replace(cables, limit=8e-4),)))
        assert text.index(SENSITIVE) < text.index(CABLES)
        assert "between its connectors, limit 800 µV, 1.3 dB over the limit" in text
        same = replace(cables, limit=8e-4, contributions=result().sensitive[0].contributions)
        text = summary(replace(result(), cables=(same,)))
        assert text.count("Noise power by source") == text.count("Noise power by source in ") == 1
        text = summary(result())
        assert text.index(SENSITIVE) < text.index(f'Within its limit: "{CABLES}"')

    def test_every_limit_has_a_line_of_its_own(self):
        cables = result().cables[0]
        lines = summary_lines(replace(result(), cables=(replace(cables, limit=8e-4), cables)))
        assert [line.count("over the limit") for line in lines] == [1, 1, 0]
        assert lines[2].startswith(f'Within its limit: "{CABLES}"')
        assert summary(result()) == " ".join(summary_lines(result()))

    def test_undecided_gives_the_bracket(self):
        noise = result().sensitive[0].noise
        text = summary(judged(limit=noise, low=0.9 * noise, high=1.1 * noise))
        assert "is undecided" in text
        assert engineering(0.9 * noise, "V") in text
        assert engineering(1.1 * noise, "V") in text

    def test_no_noise_and_nothing_to_judge(self):
        silent = judged(noise=0.0, low=0.0, high=0.0, worst_case=0.0)
        assert summary(silent).endswith("no noisy loop causes a voltage in series with its signal.")
        assert lead(silent.sensitive[0]) is None
        assert margin(silent.sensitive[0]) == "no noise"
        assert "there is no limit to judge" in summary(replace(result(), sensitive=(), cables=()))


class TestNumbers:
    def test_shares_of_power_add_up(self):
        budget = result().sensitive[0]
        assert sum(power_share(budget, part) for part in budget.contributions) == pytest.approx(1.0)
        out = replace(budget.contributions[0], in_band=False)
        assert power_share(budget, out) is None

    @pytest.mark.parametrize(
        ("value", "half", "text"),
        [
            (1.17e-3, 2.7e-7, "1.17 mΩ ± 270 nΩ (0.023 %)"),
            (-1.4e-5, 1e-7, "−14 µΩ ± 100 nΩ (0.71 %)"),
            (5e-8, 8e-8, "50 nΩ ± 80 nΩ"),
            (0.0, 0.0, "0 Ω"),
        ],
    )
    def test_brackets(self, value, half, text):
        assert bracket(value, half) == text

    def test_how_well_a_sum_is_known(self):
        budget = result().sensitive[0]
        assert known_to(replace(budget, noise=1.0, low=0.99, high=1.01)) == "known to ±1 %"
        assert known_to(replace(budget, noise=0.0, low=0.0, high=2e-9)) == "at most 2 nV"
        assert known_to(replace(budget, noise=0.0, low=0.0, high=0.0)) == "exactly 0 V"


class TestTable:
    def test_what_is_not_computed_says_why(self):
        (decision,) = study().decisions
        first = next(option for option in decision.options if option.possible)
        unknown = replace(first, noise=None, low=None, high=None, reasons=("One.", "No input rejects that."))
        it = replace(study())
        it.__dict__["decisions"] = (replace(decision, options=(unknown, *decision.options[1:])),)
        text = " ".join(summary_table(it).split())
        assert f"{first.title}, not computed: No input rejects that." in text
        assert "not computed: " not in summary_table(study())

    def test_it_begins_with_title_and_answer(self):
        text = summary_table(study())
        assert text.startswith(f'{TITLE}\n\nSharing the plane is not tolerable for "{SENSITIVE}": 86.6 µV')
        order = [
            text.index(what)
            for what in (
                "Noise in series with",
                "Voltage between the connectors",
                "Loops:",
                REGION,
                SECTION,
                "Accuracy:",
            )
        ]
        assert order == sorted(order)
        assert text.rstrip().endswith("This is not a compliance test and does not replace a measurement.")

    def test_numbers_of_the_coupling(self):
        line = next(line for line in summary_table(study()).splitlines() if line.startswith(f"  {NOISY} "))
        part = next(part for part in result().sensitive[0].contributions if part.loop == NOISY)
        assert bracket(part.transfer, part.half_width) in line
        assert "500 mA" in line
        assert engineering(part.noise, "V") in line
        margins = [line.split() for line in summary_table(study()).splitlines() if line.startswith("  margin")]
        assert margins == [["margin,", "over", "limit", "−12.7", "dB"], ["margin,", "within", "limit", "+60.7", "dB"]]

    def test_sections_carry_their_sign(self):
        rows = [line.split() for line in summary_table(study()).splitlines() if line.startswith(f"  {NOISY} ")]
        assert any(row[-5:] == ["−100", "%", "=", "−500", "mA"] for row in rows)

    def test_columns_are_straight(self):
        lines = rows_text(["name", "value"], [["a", "1.25 V"], ["longer", "10 V"]]).splitlines()
        assert lines == ["  name     value", "  ------  ------", "  a       1.25 V", "  longer    10 V"]

    def test_with_variants_it_stays_short_details_are_those_of_the_first(self):
        text = summary_table(two_variants())
        assert text.count(", by source") == 2
        assert text.count("Loops:") == 1
        assert 'Solid plane!: Sharing the plane is not tolerable for "_weak' in text.replace("\n", " ")
        assert text.count("solid plane?  ") == 2  # noise and voltage

    def test_weighty_findings_are_told_and_the_rest_counted(self):
        found = [
            Finding(kind="edge", things=("a",), sentence=f"finding {k}", severity=4.0 - k, value=None, unit="")
            for k in range(6)
        ]
        of = replace(study())
        of.__dict__["findings"] = tuple(found)
        text = summary_table(of)
        assert [f"- finding {k}" in text for k in range(6)] == [True, True, True, False, False, False]
        assert "3 more in the report" in text
        of = replace(study())
        of.__dict__["findings"] = (replace(found[0], severity=0.01),)
        assert "findings" not in summary_table(of)

    def test_at_frequencies_the_turning_point_is_calculated(self):
        facts = at_frequencies()["as drawn"].spectral.facts
        assert engineering(facts[1].turning, "Hz") in summary_table(at_frequencies())
        assert "resistive up to about" in summary_table(study())


def test_a_bound_that_is_much_more_than_the_noise_is_what_the_margin_is_of():
    loop = Loop(name="probe", role="sensitive", inject="A", return_="B", tolerates=320e-9, signal=0.1)
    motor = Loop(name="motor", role="noisy", inject="C", return_="D", current=1.0, frequency=2.0)
    part = Coupled(
        loop=motor,
        lines=lines_of(motor),
        transfer=76.8e-9,
        half_width=220e-9,
        impedance=np.array([76.8e-9 + 0j]),
        doubt=np.array([220e-9]),
    )
    wide, close = (budget(loop, 320e-9, [replace(part, doubt=np.array([d]))]) for d in (220e-9, 1e-9))
    assert finding(wide).startswith(
        'Sharing the plane is tolerable for "probe": 76.8 nV (at most 297 nV) rms in series with its signal, limit 320 '
        "nV, 0.7 dB margin."
    )
    assert "76.8 nV rms in series with its signal, limit 320 nV, 12.4 dB margin" in finding(close)
    assert (margin(wide), margin(close)) == ("+0.7 dB", "+12.4 dB")


def test_the_accuracy_asked_for_is_that_of_the_options():
    case = read_case(EXAMPLES / "four_point_disc.toml")
    rough = run(case, Options(accuracy=0.2), only=["as drawn"])["as drawn"]
    assert rough.case.accuracy == 0.2
    assert "(asked: ±20 %)" in accuracy_sentence(rough)
