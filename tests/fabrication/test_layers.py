"""Which file is which layer: the files' own word, then the job file's, then the case's."""

import pytest

from returnflow_geometry.fabrication.base.objects import FabricationError, JobFile
from returnflow_geometry.fabrication.board_data.layers import choose_layers, looks_like_gerber, own_attributes


def said(*function, **others):
    return {"FileFunction": function, **{name: (value,) for name, value in others.items()}}


def copper(number, side):
    return said("Copper", f"L{number}", side)


def job(files, **fields):
    return JobFile(file="x.gbrjob", layers=(), files=files, **fields)


FOUR = {"d": copper(4, "Bot"), "b": copper(2, "Inr"), "a": copper(1, "Top"), "c": copper(3, "Inr")}


class TestOrder:
    def test_by_the_files_own_numbers_whatever_their_names(self):
        choice = choose_layers(FOUR)
        assert choice.coppers == ("a", "b", "c", "d")
        assert choice.order == "the files' own attributes"
        assert choice.contradictions == ()

    def test_by_the_job_file_where_the_files_say_nothing(self):
        choice = choose_layers(
            {"x": {}, "y": {}, "edge": {}},
            [job({"x": ("Copper", "L2", "Bot"), "y": ("Copper", "L1", "Top"), "edge": ("Profile", "NP")})],
        )
        assert (choice.coppers, choice.outlines) == (("y", "x"), ("edge",))
        assert choice.order == "the job file x.gbrjob"

    def test_a_file_is_believed_before_the_job_file_and_that_is_said(self):
        wrong = {"a": ("Copper", "L4", "Bot"), "d": ("Copper", "L1", "Top"), "b": ("Copper", "L2", "Inr")}
        choice = choose_layers(FOUR, [job(wrong)])
        assert choice.coppers == ("a", "b", "c", "d")
        assert len(choice.contradictions) == 2
        assert any("a says it is copper L1, the job file x.gbrjob copper L4" in line for line in choice.contradictions)

    def test_by_the_table_of_the_case_where_nothing_else_tells(self):
        choice = choose_layers(
            {"t": {}, "b": {}, "o": {}, "h": {}, "n": {}},
            table={"t": "L1", "b": " l2 ", "o": "outline", "h": "drill", "n": "ignore"},
        )
        assert (choice.coppers, choice.outlines, tuple(choice.drills)) == (("t", "b"), ("o",), ("h",))
        assert choice.ignored == (("n", "the case says so"),)

    def test_the_case_counts_where_it_says_otherwise_and_that_is_said(self):
        choice = choose_layers({"a": copper(2, "Bot"), "b": copper(1, "Top")}, table={"a": "L1", "b": "L2"})
        assert choice.coppers == ("a", "b")
        assert len([line for line in choice.contradictions if "the case wins" in line]) == 2

    def test_a_single_layer(self):
        assert choose_layers({"a": copper(1, "Top")}).coppers == ("a",)

    def test_what_is_no_copper_is_ignored_with_its_reason(self):
        others = {
            "m": said("Soldermask", "Top"), "s": said("Legend", "Top"), "p": said("Paste", "Top"),
            "map": said("Drillmap"), "own": said("Other", "notes"), "x": {},
        }  # fmt: skip
        choice = choose_layers({**FOUR, **others})
        assert dict(choice.ignored) == {
            "m": "solder mask", "s": "legend", "p": "solder paste", "own": "of another kind",
            "map": "drill map: a picture of the holes, not the holes", "x": "nothing says what it is",
        }  # fmt: skip

    def test_image_files_of_holes(self):
        choice = choose_layers({**FOUR, "h": said("Plated", "1", "4", "PTH")})
        assert choice.drills == {"h": ("Plated", "1", "4", "PTH")}


class TestContradictions:
    def test_count_of_the_job_file(self):
        choice = choose_layers(FOUR, [job({}, copper_layers=6)])
        assert choice.contradictions == ("the job file x.gbrjob says 6 copper layers, the image files are 4",)

    def test_side_against_number(self):
        choice = choose_layers({"a": copper(1, "Bot"), "b": copper(2, "Top")})
        assert len(choice.contradictions) == 2


class TestRefused:
    @pytest.mark.parametrize(
        ("attributes", "match"),
        [
            ({}, "no file says that it is copper"),
            ({"a.gbr": {}}, r'"a.gbr" = "L1"'),
            ({"m": said("Soldermask", "Top")}, "no file says that it is copper"),
            ({"a": copper(1, "Top"), "b": copper(1, "Top")}, '"a", "b" all say they are copper L1'),
            ({"a": copper(1, "Top"), "d": copper(4, "Bot")}, "^d: is copper L4, and no file is L2, L3"),
            ({"a": copper(17, "Bot")}, "up to 16 layers"),
            ({"a": said("Copper", "L1", "Top", Part="Array")}, r"panel \(Part array\)"),
            ({"a": said("Copper", "L1", "Top", Part="FabricationPanel")}, "panel"),
            ({**FOUR, "f": said("Other", "Coverlay Top")}, "rigid-flex"),
            ({**FOUR, "f": said("Copper", "L5", "Inr", "Flex")}, "rigid-flex"),
        ],
    )
    def test_by_what_the_files_say(self, attributes, match):
        with pytest.raises(FabricationError, match=match):
            choose_layers(attributes)

    @pytest.mark.parametrize(
        ("table", "match"),
        [
            ({"z": "L1"}, "^z: is named in the case's table; the data has no such image file"),
            ({"a": "top"}, 'is "top"'),
        ],
    )
    def test_by_the_table(self, table, match):
        with pytest.raises(FabricationError, match=match):
            choose_layers(FOUR, table=table)


class TestOwnAttributes:
    def test_as_commands_and_in_comments(self):
        data = b"G04 #@! TF.FileFunction,Copper,L2,Inr*\n%TF.Part,Single*%\n%TF.FilePolarity,Negative*%"
        assert own_attributes(data) == {
            "FileFunction": ("Copper", "L2", "Inr"), "Part": ("Single",), "FilePolarity": ("Negative",)
        }  # fmt: skip

    @pytest.mark.parametrize("data", [b"", b"\xff\xfe\x00", b"%TF.FileFunction", b"%TF.FileFunction,*%"])
    def test_nothing_of_use(self, data):
        assert choose_layers_says_nothing(own_attributes(data))

    @pytest.mark.parametrize(
        ("data", "image"),
        [
            (b"%FSLAX46Y46*%\nM02*", True),
            (b"G04 old*\nG36*\nX0Y0D02*\n", True),
            (b"M48\nMETRIC\nT1C0.3\n%\nT1\nX1Y1\nM30\n", False),
            (b'{"Header": {"GeneralSpecs": "%FS*"}}', False),
            (b"<xml>%FSLAX46Y46*%</xml>", False),
            (b"317GND   U1 -1", False),
            (b"\x00%FSLAX46Y46*%", False),
        ],
    )
    def test_images_are_told_from_others(self, data, image):
        assert looks_like_gerber(data) is image


def choose_layers_says_nothing(own):
    with pytest.raises(FabricationError, match="no file says"):
        choose_layers({"a": own})
    return True
