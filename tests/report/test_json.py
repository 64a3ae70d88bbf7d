"""What result.json says: strict JSON by the contract, with the numbers of the study."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from reporting import (
    BOARD,
    CABLES,
    NOISY,
    REGION,
    SECOND,
    SECTION,
    SENSITIVE,
    WEAK,
    at_frequencies,
    layered,
    noisy,
    result,
    strict,
    study,
    varied,
)
from returnflow.advice.study import run
from returnflow.answers.verdict import finding
from returnflow.report.files import (
    to_dict,
    to_json,
)
from returnflow_geometry.casefile.read import parse_case

LOOPS = [SENSITIVE, NOISY, WEAK, CABLES]


class TestJson:
    def test_it_follows_the_contract(self):
        data = strict(to_json(study()))
        assert list(data) == [
            "format", "title", "versions", "variants", "comparison", "failed", "findings", "sweeps",
        ]  # fmt: skip
        assert (data["format"], data["title"]) == (1, study().case.title)
        variant = data["variants"][0]
        assert list(variant)[:8] == [
            "name", "loops", "frequencies_Hz", "impedance_ohm", "resistance_ohm", "shares", "sections", "sensitive",
        ]  # fmt: skip
        assert {
            "cables", "mesh", "peaks", "seconds", "assumptions", "cautions", "changes", "coppers", "left_out", "idle",
            "links",
        } <= set(variant)  # fmt: skip
        assert variant["loops"] == LOOPS
        assert variant["frequencies_Hz"] == [0]
        sensitive = variant["sensitive"][0]
        assert {
            "loop", "noise_V", "low_V", "high_V", "worst_case_V", "allowed_V", "margin_dB", "verdict", "contributions",
            "options", "recommendation", "placement",
        } <= set(sensitive)  # fmt: skip
        assert {"loop", "voltage_V", "limit_V", "worst", "contributions"} <= set(variant["cables"][0])

    def test_numbers_are_those_of_the_solution(self):
        variant = to_dict(study())["variants"][0]
        solution = result().solution
        lower, mid, upper = (np.array(variant["resistance_ohm"][k]) for k in ("lower", "mid", "upper"))
        np.testing.assert_array_equal(mid, solution.mid)
        np.testing.assert_allclose(mid - lower, solution.half_width, rtol=1e-6)
        np.testing.assert_allclose(np.diag(lower), np.diag(solution.lower), rtol=1e-12)
        np.testing.assert_allclose(np.diag(upper), np.diag(solution.upper), rtol=1e-12)
        assert np.array(variant["impedance_ohm"]["real"]).shape == (1, 4, 4)
        assert not np.any(variant["impedance_ohm"]["imag"])
        noise = variant["sensitive"][0]["contributions"]
        assert math.hypot(*(part["noise_V"] for part in noise)) == pytest.approx(variant["sensitive"][0]["noise_V"])
        assert sum(part["power_share"] for part in noise) == pytest.approx(1.0)
        section = next(s for s in variant["sections"] if s["loop"] == NOISY)
        assert (section["section"], section["real"], section["imag"]) == (SECTION, [pytest.approx(-1.0)], [0.0])
        share = next(s for s in variant["shares"] if s["loop"] == NOISY)
        assert (share["region"], share["magnitude"]) == (REGION, [result().shares[0, 1]])
        peak = variant["peaks"][1]
        assert peak["sheet_A_per_m"] == pytest.approx(0.5 * peak["per_ampere_A_per_m"])
        assert variant["peaks"][0]["sheet_A_per_m"] is None
        assert variant["mesh"]["passes"][-1]["triangles"] == variant["mesh"]["triangles"]
        cables = variant["cables"][0]
        assert cables["worst"] == {"loop": NOISY, "voltage_V": max(p["noise_V"] for p in cables["contributions"])}
        assert cables["voltage_V"] == [pytest.approx(cables["noise_V"])]

    def test_decisions_stand_with_the_case_as_drawn(self):
        data = strict(to_json(varied()))
        (decision,) = varied().decisions
        first, *others = (variant["sensitive"][0] for variant in data["variants"])
        assert first["recommendation"] == decision.recommendation
        assert first["finding"] == decision.finding
        assert first["rests_on"] == list(decision.rests_on)
        assert [option["title"] for option in first["options"]] == [option.title for option in decision.options]
        assert first["options"][first["chosen"]]["title"] == decision.chosen.title
        for shown, option in zip(first["options"], decision.options, strict=True):
            assert (shown["noise_V"], shown["meets"], shown["variant"]) == (option.noise, option.meets, option.variant)
            assert shown["reasons"] == list(option.reasons)
            if option.noise:
                assert shown["margin_dB"] == pytest.approx(20 * math.log10(option.limit / option.noise))
        last = replace(decision, chosen=decision.options[-1])
        of = replace(varied())
        of.__dict__["decisions"] = (last,)
        assert to_dict(of)["variants"][0]["sensitive"][0]["chosen"] == len(decision.options) - 1
        for other, result_of in zip(others, list(varied().variants.values())[1:], strict=True):
            assert (other["options"], other["chosen"]) == ([], None)
            assert other["recommendation"] == finding(result_of.sensitive[0])

    def test_the_comparison_is_that_of_the_study(self):
        data = strict(to_json(varied()))
        comparison = data["comparison"]
        assert comparison["variants"] == [variant["name"] for variant in data["variants"]] + list(varied().proved)
        assert len(comparison["rows"]) == len(varied().comparison.rows)
        noise = next(row for row in comparison["rows"] if row["kind"] == "noise")
        values = [varied()[name].sensitive[0].noise for name in comparison["variants"]]
        assert [figure["value"] for figure in noise["figures"]] == values
        assert noise["changes"][2]["dB"] == pytest.approx(20 * math.log10(values[2] / values[0]))
        assert noise["changes"][2]["percent"] == pytest.approx(100 * (values[2] / values[0] - 1))
        assert [change["meaningful"] for change in noise["changes"]][:4] == [False, True, True, False]
        assert data["variants"][1]["changes"] == ['cutout "slot" is dropped']

    def test_failed_variants_and_findings_are_listed(self):
        data = strict(to_json(replace(varied(), failed={"gone": "No way."})))
        assert data["failed"] == [{"name": "gone", "reason": "No way."}]
        assert [finding["sentence"] for finding in data["findings"]] == [f.sentence for f in varied().findings]

    def test_links_and_coppers(self):
        of = layered()
        data = strict(to_json(replace(study(), variants={"as drawn": of})))
        variant = data["variants"][0]
        assert [copper["name"] for copper in variant["coppers"]] == ["ground", "back", "return"]
        assert variant["left_out"] == []
        assert variant["idle"] == ["spare"]
        links = {link["name"]: link for link in variant["links"]}
        n = of.whole.links.names.index("via 1")
        driver = links["via 1"]["currents"][0]
        above = of.spectral.model.link_currents(1e6)[of.spectral.model.system.stack.links.names.index("via 1"), 0]
        assert driver == {
            "loop": "driver",
            "real": [of.whole.link_current[0, n], above.real],
            "imag": [0.0, above.imag],
        }
        assert (links["capacitor"]["at_rest"], links["capacitor"]["currents"][0]["real"][0]) == ("open", 0.0)
        assert links["idle"]["currents"][0]["real"] == [None, None]
        assert variant["peaks"][0]["copper"] == of.conductors.names[of.peaks[0].copper]

    def test_sweeps_are_listed_step_by_step(self):
        sweep = f"""
[[sweep]]
name = "current"
vary = [{{ set = '{NOISY}.current_A', values = [0.1, 0.5] }}]
"""
        of = run(parse_case(BOARD + noisy() + SECOND + sweep))
        (swept,) = strict(to_json(of))["sweeps"]
        assert swept["name"] == "current"
        assert swept["axes"][0]["values"] == [0.1, 0.5]
        loop = next(loop for loop in swept["loops"] if loop["loop"] == SENSITIVE)
        assert loop["noise_V"][1] == pytest.approx(of["as drawn"].sensitive[0].noise, rel=1e-6)
        assert loop["noise_V"][0] < loop["noise_V"][1]

    def test_what_is_no_number_is_null(self):
        silent = replace(result().sensitive[0], noise=0.0, contributions=())
        empty = replace(result().cables[0], contributions=(), noise=0.0)
        odd = replace(result(), sensitive=(silent,), cables=(empty,))
        of = replace(study(), variants={"as drawn": odd})
        of.__dict__["findings"] = ()  # which need a contribution of every noisy loop
        variant = strict(to_json(of))["variants"][0]
        assert variant["sensitive"][0]["margin_dB"] is None
        assert variant["cables"][0]["worst"] is None

    def test_it_is_the_same_every_time_but_for_the_seconds(self):
        first, second = strict(to_json(study())), strict(to_json(study()))
        for data in (first, second):
            for variant in data["variants"]:
                assert variant.pop("seconds")
        assert json.dumps(first) == json.dumps(second)

    def test_lists_follow_the_frequencies(self):
        of = at_frequencies()["as drawn"]
        variant = strict(to_json(at_frequencies()))["variants"][0]
        assert variant["frequencies_Hz"] == [0, 1e6]
        Z = np.array(variant["impedance_ohm"]["real"]) + 1j * np.array(variant["impedance_ohm"]["imag"])
        np.testing.assert_array_equal(Z[1], of.impedance(1e6))
        assert Z[1, 1, 1].imag > 10 * Z[1, 1, 1].real
        facts = {item["loop"]: item for item in variant["crossovers"]}
        assert facts[NOISY]["low_inductance_H"] > facts[NOISY]["high_inductance_H"] > 0
        assert len(facts[NOISY]["near_route"]) == 2
        assert facts[SENSITIVE]["near_route"] == [None, None]
        assert to_dict(study())["variants"][0]["crossovers"] == []

    def test_cable_voltages_are_given_at_every_frequency(self):
        of = at_frequencies()["as drawn"]
        noisy_row = of.sensitive[0]
        pair = replace(of, cables=(noisy_row,), sensitive=())
        cables = to_dict(replace(at_frequencies(), variants={"as drawn": pair}))["variants"][0]["cables"][0]
        i, j = of.index(SENSITIVE), of.index(NOISY)
        assert cables["voltage_V"] == [pytest.approx(0.5 * abs(of.impedance(f)[i, j])) for f in (0, 1e6)]
