"""Gerber job files: stack by its order, thickness however it is written, and no number made up."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.texts.jobfile import looks_like_job, read_job

# All files here are invented. Keys: the Gerber job format specification, from memory.
LIMITS = Limits()
JOB = {
    "Header": {"CreationDate": "2026-01-01T00:00:00Z"},
    "GeneralSpecs": {"Size": {"X": 50.0, "Y": "40.5"}, "LayerNumber": 2, "BoardThickness": 1.6},
    "FilesAttributes": [
        {"Path": "out/top.gbr", "FileFunction": "Copper,L1,Top", "FilePolarity": "Positive"},
        {"Path": "out\\bottom.gbr", "FileFunction": "Copper,L7,Bot"},
        {"Path": "edge.gbr", "FileFunction": "Profile,NP"},
    ],
    "MaterialStackup": [
        {"Type": "SolderMask", "Thickness": "0.02", "Name": "mask"},
        {"Type": "Copper", "Thickness": 0.035, "Name": "top"},
        {"Type": "Dielectric", "Thickness": "1.5", "DielectricConstant": "4.3", "Name": "core"},
        {"Type": "Copper", "Thickness": 0, "Name": "bottom"},
    ],
}


def read(job, limits=LIMITS):
    text = job if isinstance(job, str) else json.dumps(job)
    return read_job(text.encode(), "a.gbrjob", limits)


def changed(path, value):
    job = json.loads(json.dumps(JOB))
    owner = job
    for key in path[:-1]:
        owner = owner[key]
    owner[path[-1]] = value
    return job


class TestContents:
    def test_stack_in_its_order_with_numbers_written_as_strings(self):
        layers = read(JOB).layers
        assert [layer.kind for layer in layers] == ["other", "copper", "dielectric", "copper"]
        assert [layer.name for layer in layers] == ["mask", "top", "core", "bottom"]
        assert [layer.thickness for layer in layers] == pytest.approx([20e-6, 35e-6, 1.5e-3, None])

    def test_thickness_nought_is_not_a_thickness(self):
        assert any("'bottom'" in note and "thickness 0" in note for note in read(JOB).notes)

    def test_board(self):
        job = read(JOB)
        assert job.size == pytest.approx((50e-3, 40.5e-3))
        assert job.thickness == pytest.approx(1.6e-3)
        assert job.copper_layers == 2

    def test_files_by_base_name_with_their_function_as_written(self):
        assert read(JOB).files == {
            "top.gbr": ("Copper", "L1", "Top"),
            "bottom.gbr": ("Copper", "L7", "Bot"),
            "edge.gbr": ("Profile", "NP"),
        }

    def test_contradictions_are_noted_not_settled(self):
        assert any(
            "4 copper layers are declared" in note for note in read(changed(("GeneralSpecs", "LayerNumber"), 4)).notes
        )
        thick = changed(("MaterialStackup", 3, "Thickness"), 0.035)
        thick["GeneralSpecs"]["BoardThickness"] = 0.8
        assert any("adds up" in note for note in read(thick).notes)
        twice = changed(("FilesAttributes", 2, "Path"), "top.gbr")
        assert any("listed twice" in note for note in read(twice).notes)
        assert read(twice).files["top.gbr"] == ("Copper", "L1", "Top")

    def test_what_is_absent_is_none(self):
        job = read({"GeneralSpecs": {"LayerNumber": "2"}})
        assert (job.thickness, job.size, job.layers, job.files) == (None, None, (), {})
        assert job.copper_layers == 2


class TestRefusals:
    @pytest.mark.parametrize(
        ("job", "message"),
        [
            ("{", "no valid JSON"),
            ("[]", "object in braces"),
            ("{}", "none of GeneralSpecs"),
            ("[" * 500 + "]" * 500, "nested too deeply"),
            ('{"GeneralSpecs": {"BoardThickness": NaN}}', "NaN is not a number"),
            ('{"GeneralSpecs": {"BoardThickness": 1e999}}', "is a number from 0"),
            ('{"GeneralSpecs": {"LayerNumber": ' + "9" * 5000 + "}}", "no valid JSON"),
            (changed(("GeneralSpecs", "BoardThickness"), "thick"), "BoardThickness in GeneralSpecs is 'thick'"),
            (changed(("GeneralSpecs", "BoardThickness"), -1), "BoardThickness in GeneralSpecs is '-1'"),
            (changed(("GeneralSpecs", "BoardThickness"), True), "BoardThickness"),
            (changed(("GeneralSpecs", "LayerNumber"), 2.5), "whole number"),
            (changed(("GeneralSpecs", "Size"), 4), "Size in GeneralSpecs"),
            (changed(("MaterialStackup", 1, "Thickness"), "35 um"), "row 2 of MaterialStackup"),
            (changed(("MaterialStackup",), {"a": 1}), "MaterialStackup is not a list"),
            (changed(("FilesAttributes",), ["x"]), "FilesAttributes is not a list"),
        ],
    )
    def test_what_cannot_be_read_is_refused_with_its_key(self, job, message):
        with pytest.raises(FabricationError, match=message):
            read(job)

    def test_rows_and_bytes_are_capped(self):
        with pytest.raises(FabricationError, match="more than 3 objects"):
            read(JOB, Limits(objects=3))
        with pytest.raises(FabricationError, match="limit of 10"):
            read(JOB, Limits(bytes=10))


class TestRecognition:
    def test_job_files(self):
        assert looks_like_job(json.dumps(JOB).encode())

    @pytest.mark.parametrize("data", [b"", b'{"other": 1}', b"M48", b'["GeneralSpecs"]'])
    def test_other_files(self, data):
        assert not looks_like_job(data)


class TestFuzz:
    @settings(max_examples=100, deadline=None)
    @given(data=st.data())
    def test_only_its_own_error_leaves_the_reader(self, data):
        raw = bytearray(json.dumps(JOB).encode())
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.integers(0, 8))] = data.draw(
                st.one_of(st.binary(max_size=3), st.sampled_from([b"null", b"[]", b"{}", b"1e999", b'"', b"\\ud800"]))
            )
        looks_like_job(bytes(raw))
        try:
            job = read_job(bytes(raw), "a.gbrjob", LIMITS)
        except FabricationError:
            return
        assert all(layer.thickness is None or 0 < layer.thickness <= 10 for layer in job.layers)

    @settings(max_examples=200, deadline=None)
    @given(
        place=st.sampled_from(
            [
                ("GeneralSpecs",),
                ("GeneralSpecs", "Size"),
                ("GeneralSpecs", "LayerNumber"),
                ("MaterialStackup", 1),
                ("MaterialStackup", 1, "Name"),
                ("FilesAttributes", 0, "Path"),
                ("FilesAttributes", 0, "FileFunction"),
            ]
        ),
        value=st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
            max_leaves=5,
        ),
    )
    def test_any_value_anywhere(self, place, value):
        try:
            read(changed(place, value))
        except FabricationError:
            return
