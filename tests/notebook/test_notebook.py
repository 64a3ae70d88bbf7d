"""Studies at a prompt and in a notebook: tables and pictures by name, and what a wrong name is answered with."""

import dataclasses

import pytest
from matplotlib.figure import Figure

import returnflow as rf
from reporting import CABLES, NOISY, SENSITIVE, at_frequencies, study, two_variants
from returnflow.notebook import Study
from returnflow.pictures.plots import KINDS


@pytest.fixture(scope="module")
def one():
    return Study.of(study())


@pytest.fixture(scope="module")
def above():
    return Study.of(at_frequencies())


@pytest.fixture(scope="module")
def two():
    return Study.of(two_variants())


class TestTables:
    def test_one_variant_shows_its_loops(self, above):
        alone = dataclasses.replace(above, trials={})
        assert "own resistance" in alone.table()
        assert "own resistance" in alone.table()._repr_html_()

    def test_several_are_compared(self, two):
        first, *_ = two.variants
        assert f"against {first}" in two.table()
        for name in two.variants:
            assert name in two.table()

    def test_a_prompt_shows_the_text_and_a_notebook_a_table(self, two):
        assert repr(two.table()) == str(two.table())
        html = two.table()._repr_html_()
        assert "<table" in html
        assert "<br><small>" in html
        assert "<b>&" not in html  # names are escaped
        assert two._repr_html_() == html


class TestPictures:
    @pytest.mark.parametrize("kind", ["why", "board", "flow", "coupling", "placement", "noise"])
    def test_of_any_study(self, one, kind):
        figure = one.plot(kind)
        assert isinstance(figure, Figure)
        assert figure._repr_png_().startswith(b"\x89PNG")

    @pytest.mark.parametrize("kind", ["strip", "shares", "transfer"])
    def test_over_frequency(self, above, kind):
        assert above.plot(kind).axes

    def test_of_all_variants(self, two):
        assert two.plot("comparison").axes

    def test_of_another_variant_loop_or_frequency(self, two, above):
        name = list(two.variants)[1]
        assert two.plot("board", variant=name).axes
        assert NOISY[:4] in two.plot("flow", NOISY, variant=name).texts[0].get_text()
        words = [text.get_text() for text in above.plot("flow", NOISY, frequency=1e6).texts]
        assert any("1 MHz" in text for text in words)

    def test_a_coupling_of_two(self, one):
        figure = one.plot("coupling", CABLES, noisy=NOISY)
        assert CABLES[:6] in "".join(text.get_text() for text in figure.texts)


class TestWrongNames:
    def test_kinds(self, one):
        with pytest.raises(ValueError, match=r'Invalid kind "map". Give one of why, board, flow') as caught:
            one.plot("map")
        assert all(kind in str(caught.value) for kind in KINDS)

    def test_loops(self, one):
        with pytest.raises(KeyError, match=r"no loop .*stepper.*there are"):
            one.plot("flow", "stepper")
        with pytest.raises(KeyError, match="is not a loop with a limit; there are"):
            one.plot("placement", NOISY)
        with pytest.raises(KeyError, match=r"no noisy loop .*; there are"):
            one.plot("coupling", SENSITIVE, noisy="stepper")

    def test_variants(self, two):
        for use in (lambda: two["solid"], lambda: two.plot(variant="solid")):
            with pytest.raises(KeyError, match=r'"solid" is not a variant; there are "Solid plane!"'):
                use()

    def test_what_a_case_has_not(self, one):
        with pytest.raises(ValueError, match="There is no sweep to show"):
            one.plot("sweep")
        with pytest.raises(ValueError, match="list frequencies_Hz"):
            one.plot("impedance")


class TestShort:
    def test_results_and_studies_are_shown_on_one_line(self, two):
        for thing in (two, next(iter(two.variants.values())), two.case):
            assert "\n" not in repr(thing)
            assert len(repr(thing)) < 500
        assert "2 variants" in repr(two)

    def test_public_names_come_from_here(self):
        assert rf.Study is Study
