"""What is recommended and nobody drew, as a variant at the end of the case file: solved again it is the same board."""

from dataclasses import replace
from functools import cache

import pytest
from test_proofs import text_of

import solved
from returnflow.advice.study import run
from returnflow.pictures.jobs import DrawnStudy
from returnflow.report import files
from returnflow.report.files import write_all
from returnflow.report.page import AS_VARIANTS, details_html, report_html
from returnflow.words.variant_text import recommended_text, recommended_variants
from returnflow_geometry.casefile.difference import NoVariantError
from returnflow_geometry.casefile.read import parse_case

TEXT = text_of(tolerated="2e-6")


def study():
    return solved.study(TEXT)


@cache
def again():
    # On its own: what is compared is solved twice.
    return run(parse_case(TEXT + recommended_text(study())), jobs=1)


def noise(result):
    return result.sensitive[0].noise


class TestPasted:
    def test_a_board_that_nobody_drew_is_recommended(self):
        (decision,) = study().decisions
        assert decision.chosen.variant in study().trials

    def test_solved_again_it_gives_the_same_noise(self):
        (name,) = study().proved
        assert name in again().variants
        assert noise(again()[name]) == pytest.approx(noise(study()[name]), rel=1e-6)
        assert noise(study()[name]) < 0.2 * noise(study()["as drawn"])

    def test_it_is_what_is_recommended_then_and_nothing_else_is_drawn(self):
        (name,) = study().proved
        assert again().decisions[0].chosen.variant == name
        assert not again().proved
        assert len(again().trials) < len(study().trials)

    def test_python_makes_the_same_board_of_its_changes(self):
        (name,) = study().proved
        case = study().case.changed(**study().as_variant(name))
        assert case.loop("weak") == again()[name].case.loop("weak")

    def test_a_board_that_was_drawn_is_not_taken_for_the_file_it_came_from(self):
        (name,) = study().proved
        with pytest.raises(ValueError, match="was not read from a case file"):
            study()[name].case.changed(drop=["slot"])


class TestWritten:
    @pytest.fixture(autouse=True)
    def undrawn(self, monkeypatch):
        """Pictures have no part in it."""
        monkeypatch.setattr(files, "draw", lambda *_, **__: DrawnStudy())

    def test_the_file_has_one_table_for_each_and_both_pages_name_it(self, tmp_path):
        written = write_all(study(), tmp_path)
        text = (tmp_path / "recommended.toml").read_text()
        assert tmp_path / "recommended.toml" in written.paths
        assert text == recommended_text(study())
        assert text.count("[[variant]]") == len(study().proved) == 1
        assert all(line in text for name in study().proved for line in study().changes[name])
        assert 'href="recommended.toml"' in report_html(study(), {})
        assert AS_VARIANTS in details_html(study(), {})
        assert "[[variant.add.copper]]" in details_html(study(), {})

    def test_it_goes_with_the_run_that_recommended_it(self, tmp_path):
        write_all(study(), tmp_path)
        write_all(again(), tmp_path)
        assert not (tmp_path / "recommended.toml").exists()
        assert 'href="recommended.toml"' not in report_html(again(), {})

    def test_what_no_table_says_is_said_instead(self):
        bare = replace(study(), case=replace(study().case, editor=None))
        (name,) = bare.proved
        with pytest.raises(NoVariantError):
            bare.as_variant(name)
        text = recommended_variants(bare)[name]
        assert text.startswith("# ")
        assert text.endswith("cannot be given as a variant: the case was not read from a case file.\n")

    def test_a_name_that_a_case_file_would_refuse_is_cut(self):
        """Boards with everything at once have the names of all their parts."""
        (name,) = study().proved
        long = f"{name}, together with {' and '.join(200 * ['x'])}"
        trials = {long: study().trials[name], f"{long}!": study().trials[name]}
        it = replace(study(), trials=trials, changes={})
        it.__dict__["proved"] = trials
        one, other = parse_case(TEXT + recommended_text(it)).variants
        assert one.name.startswith(name[:20])
        assert len(one.name) <= 200
        assert one.name != other.name
        taken = replace(it, case=replace(it.case, variants=(one,)))
        taken.__dict__["proved"] = {long: trials[long]}
        assert parse_case(TEXT + recommended_text(taken)).variants[0].name == f"{one.name[:97]}…{long[-97:]}, 2"

    def test_its_name_is_one_that_the_case_has_not(self):
        (name,) = study().proved
        taken = replace(study().case, variants=(replace(again().case.variants[-1], name=name.upper()),))
        text = recommended_variants(replace(study(), case=taken))[name]
        assert parse_case(TEXT + text).variants[0].name != name
