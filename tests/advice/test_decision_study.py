"""Boards that the decision has solved, studies that fail in part or side by side, and variants compared."""

import dataclasses
import math

import pytest
from test_decision import option, resistive, study

import returnflow as rf
from returnflow.advice.from_drawing import RETURN_WIDTH
from returnflow.advice.study import AS_DRAWN, run
from returnflow.advice.trials import CLOSED, trials
from returnflow.answers import batch
from returnflow.answers.batch import solve_each
from returnflow.answers.compare import Figure, change
from returnflow.report.page import report_html
from returnflow.words.terminal import summary_table


class TestTrials:
    def test_gaps_are_closed_where_nobody_drew_that(self):
        found = study(keep=())
        assert list(found.variants) == [AS_DRAWN]
        assert next(iter(found.trials)) == CLOSED
        assert option(found.decisions[0], CLOSED).kind == "copper"
        assert found.trials[CLOSED].sensitive[0].noise == study()["solid plane"].sensitive[0].noise

    def test_a_variant_that_does_so_already_is_the_trial(self):
        assert study().trials == {}

    def test_antipads_and_connector_holes_are_no_gaps(self):
        case = rf.parse_case(
            resistive("weighing_controller", ('drop = ["slot"]', 'drop = ["antipads under the microcontroller"]'))
        )
        (closed,) = trials(case).values()
        gone = {c.name for c in case.board.cutouts} - {c.name for c in closed.board.cutouts}
        assert gone == {"slot"}


class TestStudy:
    def test_unchanged_boards_are_solved_once(self):
        case = rf.parse_case(resistive("weighing_controller"))
        cases = {AS_DRAWN: case} | {
            v.name: v.case for v in case.variants if v.name in ("solid plane", "differential input")
        }
        made = solve_each(
            cases, lambda name, case, solved: id(solved.conductors.links) and solved.solution.mesh, jobs=1
        )
        assert made["differential input"] is made[AS_DRAWN]
        assert len({id(mesh) for mesh in made.values()}) == len(cases) - 1

    def test_temperature_only_scales(self):
        hot = '\n[[variant]]\nname = "hot"\nset = { "board.temperature_C" = 85 }\n'
        found = run(rf.parse_case(resistive("weighing_controller") + hot), only=[AS_DRAWN, "hot"], jobs=1)
        # Of the case's other variants nobody asked, so that a recommendation says what it does not know.
        decision, *_ = found.decisions
        assert not decision.tolerable
        assert 'Recommended from "as drawn", "hot" alone' in found.reservation
        assert f"{len(found.case.variants) - 1} variants of the case and options that nobody drew" in found.reservation
        for text in (summary_table(found), report_html(found, {})):
            assert "so a run of everything may recommend another one." in " ".join(text.split())
        assert not dataclasses.replace(found, selected=False).reservation
        # IEC 60028 (from memory): linear law with 0.00393 per kelvin at 20 degrees.
        factor = (1 + 0.00393 * 65) / (1 + 0.00393 * 5)
        one, other = found[AS_DRAWN], found["hot"]
        assert other.whole.mid == pytest.approx(factor * one.whole.mid, rel=1e-12)
        assert other.sensitive[0].noise == pytest.approx(factor * one.sensitive[0].noise, rel=1e-12)
        assert other.whole.mesh is one.whole.mesh

    def test_side_by_side_is_as_one_after_the_other(self):
        case = rf.parse_case(resistive("weighing_controller"))
        names = [AS_DRAWN, "dedicated return, two points"]
        found = run(case, only=names, jobs=2)
        assert list(found.variants) == names
        for name in names:
            assert found[name].whole.mid == pytest.approx(study()[name].whole.mid, rel=1e-9)

    def test_a_variant_that_fails_does_not_sink_the_rest(self, monkeypatch):
        case = rf.parse_case(resistive("weighing_controller"))
        real = batch.solve_case

        def failing(case, *rest, **more):
            if len(case.board.coppers) > 1:
                message = "The linear solver left a residual of 1."
                raise rf.NumericalError(message)
            return real(case, *rest, **more)

        monkeypatch.setattr(batch, "solve_case", failing)
        found = run(case, only=["solid plane", "dedicated return, two points"], jobs=1)
        assert list(found.variants) == ["solid plane"]
        assert found.failed == {"dedicated return, two points": "The linear solver left a residual of 1."}

    def test_where_the_case_itself_fails_so_does_the_study(self):
        case = rf.parse_case(resistive("weighing_controller"))
        with pytest.raises(rf.NumericalError, match="2000 are allowed"):
            run(case, rf.Options(accuracy=1e-4, most_triangles=2000), only=[AS_DRAWN, "solid plane"], jobs=1)

    def test_a_name_the_case_does_not_have(self):
        with pytest.raises(ValueError, match=r"Invalid variants \['solid'\]"):
            run(rf.parse_case(resistive("weighing_controller")), only=["solid"])


class TestComparison:
    def test_differences_within_both_brackets_are_none(self):
        old = Figure(value=1.0, half=0.1)
        assert not change(old, Figure(value=1.19, half=0.1)).meaningful
        assert change(old, Figure(value=1.21, half=0.1)).meaningful
        assert change(old, Figure(value=2.0, half=0.1)).dB == pytest.approx(6.0206, rel=1e-4)
        assert change(old, Figure(value=0.0, half=0.0)).dB == -math.inf
        assert change(Figure(value=0.0, half=0.0), Figure(value=0.0, half=0.0)).dB == 0.0

    def test_every_figure_is_that_of_its_result(self):
        comparison = study().comparison
        (noise,) = comparison.of("noise")
        for name, figure in zip(comparison.variants, noise.figures, strict=True):
            assert figure.value == study()[name].sensitive[0].noise
        assert noise.limit == 1e-6
        (cables,) = comparison.of("cables")
        assert cables.change(1).dB < -10
        assert not cables.change(comparison.variants.index("amplifier by its connector")).meaningful
        links = {(row.loop, row.other): row.figures for row in comparison.of("link")}
        assert links["load cell", "via at U1"][0] is None
        two = comparison.variants.index("dedicated return, two points")
        assert 0.9 < links["load cell", "via at U1"][two].value < 1

    def test_the_width_assumed_for_a_return_is_said(self):
        decision, *_ = study().decisions
        assert any(f"{1e3 * RETURN_WIDTH:.1f} mm trace" in line for item in decision.options for line in item.reasons)
