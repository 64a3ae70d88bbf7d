"""What a run leaves behind reads back as it was; what does not is refused in one clear line."""

import dataclasses
import io
import json
import math
import zipfile

import numpy as np
import pytest
import shapely
from scipy.sparse import csr_array

from reporting import at_frequencies, layered, study, two_variants, varied
from returnflow.advice.study import Study
from returnflow.answers.compare import Figure
from returnflow.notebook import load
from returnflow.report import kept
from returnflow.report.kept import FieldsMissingError, LoadError, packed, unpacked
from returnflow.report.record import numbers, to_json
from returnflow.words.terminal import summary_table
from returnflow_geometry.model.board import Terminal


def written(folder, of, **options):
    for name, content in numbers(of, **options).items():
        (folder / name).write_bytes(content)
    return folder / "result.json"


class TestReadsBack:
    @pytest.mark.parametrize("make", [study, at_frequencies, two_variants, varied])
    def test_numbers_tables_and_the_case_are_the_same(self, tmp_path, make):
        before = make()
        after = load(written(tmp_path, before))
        assert to_json(after) == to_json(before)
        assert summary_table(after) == summary_table(before)
        assert after.case == before.case
        assert after.variants.keys() == before.variants.keys()

    def test_the_folder_will_do(self, tmp_path):
        written(tmp_path, study())
        assert to_json(load(tmp_path)) == to_json(study())

    def test_impedances_at_frequencies_that_nobody_asked_for(self, tmp_path):
        before, after = at_frequencies(), load(written(tmp_path, at_frequencies()))
        for f in (0.0, 123.0, 4.5e6):
            np.testing.assert_array_equal(after["as drawn"].impedance(f), before["as drawn"].impedance(f))

    def test_links_of_several_layers(self):
        before = layered()
        after = unpacked(packed(before, fields=True))
        np.testing.assert_array_equal(after.whole.link_current, before.whole.link_current)
        assert after.conductors.names == before.conductors.names

    def test_fields_bit_by_bit_where_they_are_kept(self, tmp_path):
        before, after = study()["as drawn"], load(written(tmp_path, study(), fields=True))["as drawn"]
        np.testing.assert_array_equal(after.solution.current(0), before.solution.current(0))

    def test_fields_of_gigabytes_are_left_out_and_the_numbers_are_the_same(self, tmp_path, monkeypatch):
        monkeypatch.setattr(kept, "LARGE", 1000)  # the board is small
        without = len(packed(study()))
        assert len(packed(study(), fields=True)) > 1.3 * without
        monkeypatch.setattr(kept, "MOST_FIELDS", without)
        assert len(packed(study(), fields=True)) == pytest.approx(without, rel=0.01)
        assert to_json(load(written(tmp_path, study(), fields=True))) == to_json(study())

    def test_a_loaded_case_can_be_changed_and_compared(self, tmp_path):
        after = load(written(tmp_path, study()))
        assert after.case.changed(drop=["slot"]) == study().case.changed(drop=["slot"])


class TestWithoutFields:
    @pytest.fixture
    def bare(self, tmp_path, monkeypatch):
        monkeypatch.setattr(kept, "LARGE", 1000)  # the board is small
        return load(written(tmp_path, study()))

    def test_maps_say_what_they_need(self, bare):
        for kind in ("flow", "coupling", "placement", "why"):
            with pytest.raises(FieldsMissingError, match=r"rf\.run\(study\.case\).*without brief"):
                bare.plot(kind)

    def test_boards_and_charts_are_drawn(self, bare):
        for kind in ("board", "noise"):
            assert bare.plot(kind).axes

    def test_numbers_are_all_there(self, bare):
        assert to_json(bare) == to_json(study())

    def test_kept_again_it_is_still_the_same(self, bare, tmp_path):
        assert to_json(load(written(tmp_path, bare))) == to_json(study())

    def test_no_operation_passes_an_absent_array_off_as_one(self, bare):
        absent = bare["as drawn"].solution.potential
        assert isinstance(absent, kept.Absent)
        for use in (
            lambda: absent[0],
            lambda: 2 * absent,
            lambda: absent @ np.ones(3),
            lambda: np.ones(3) + absent,
            lambda: np.asarray(absent),
            lambda: list(absent),
            lambda: absent.sum,
            lambda: np.abs(absent),
            lambda: -absent,
        ):
            with pytest.raises(FieldsMissingError):
                use()
        assert absent.shape == study()["as drawn"].solution.potential.shape


class TestRefuses:
    @pytest.fixture
    def result(self, tmp_path):
        return written(tmp_path, study())

    def told(self, path):
        with pytest.raises(LoadError) as caught:
            load(path)
        (line,) = str(caught.value).splitlines()
        return line

    def test_a_file_that_is_not_there(self, tmp_path):
        assert "result.json: cannot be read (no such file or directory); give the result.json" in self.told(tmp_path)

    def test_numbers_alone(self, result):
        result.with_name("study.npz").unlink()
        assert "study.npz: cannot be read (no such file" in self.told(result)

    def test_another_format(self, result):
        content = json.loads(result.read_text(encoding="utf-8"))
        result.write_text(json.dumps(content | {"format": 2}), encoding="utf-8")
        assert self.told(result).endswith(
            "result.json: has format 2, and this version of returnflow reads 1; run the case again"
        )

    @pytest.mark.parametrize("text", ["", "{", "[]", '{"format": null}'])
    def test_damaged_numbers(self, result, text):
        result.write_text(text, encoding="utf-8")
        assert "result.json: " in self.told(result)
        assert self.told(result).endswith("run the case again")

    def test_numbers_of_another_run(self, result):
        result.write_text(result.read_text(encoding="utf-8") + "\n", encoding="utf-8")
        assert "study.npz: is of another run than result.json beside it" in self.told(result)

    @pytest.mark.parametrize("at", [0.0, 0.1, 0.5, 0.9, 0.999])
    def test_a_file_that_is_cut_short_or_overwritten(self, result, at):
        file = result.with_name("study.npz")
        data = file.read_bytes()
        cut = int(at * len(data))
        file.write_bytes(data[:cut])
        assert "study.npz: is damaged, or was not written by returnflow" in self.told(result)
        file.write_bytes(data[:cut] + bytes(64) + data[cut + 64 :])
        assert "study.npz: " in self.told(result)

    @pytest.mark.parametrize(
        "name",
        ["os:system", "returnflow.cli:main", "returnflow.__main__:entry", "returnflow.advice.study:run", "nothing"],
    )
    def test_what_is_no_record_of_ours(self, name):
        with pytest.raises(LoadError, match="which this version of returnflow does not know"):
            unpacked(with_head([{"of": name, "has": {}}]))

    def test_fields_that_another_version_has_not(self):
        things = [{"of": "returnflow.answers.compare:Figure", "has": {"value": 1.0}}]
        with pytest.raises(LoadError, match=r"^has no Figure\.half, .*; run the case again"):
            unpacked(with_head(things))

    def test_what_it_does_not_know_is_not_kept(self):
        with pytest.raises(TypeError, match="function cannot be kept"):
            packed(Figure(value=len_of, half=0.1))


def with_head(things):
    """File of some things, the first of which is what was kept."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as place:
        head = {"format": kept.FORMAT, "mark": "", "root": {"thing": 0}, "things": things}
        place.writestr(kept.HEAD, json.dumps(head))
    return buffer.getvalue()


def len_of():
    """Nothing that could be kept."""


@dataclasses.dataclass
class Holder:
    """Stands for a record of ours."""

    value: object


class TestEveryKindOfValue:
    @pytest.fixture(autouse=True)
    def ours(self, monkeypatch):
        monkeypatch.setattr(Holder, "__module__", "returnflow.holder")
        monkeypatch.setattr(kept, "_class", lambda _: Holder)

    @pytest.mark.parametrize(
        "value",
        [
            None, True, 3, -2.5e-300, math.inf, -math.inf, 1 + 2j, "ü\n", (), (1, (2.0, "x")), [1, [2]], {1, 2},
            {"a": (1, 2), 3: None, (0, 1): "pair"}, Terminal(name="t", copper="c", shape=shapely.box(0, 0, 1, 2)).shape,
        ],
    )  # fmt: skip
    def test_comes_back_as_it_was(self, value):
        back = unpacked(packed(Holder(value))).value
        assert back == value
        assert type(back) is type(value)

    def test_nan(self):
        assert math.isnan(unpacked(packed(Holder(math.nan))).value)

    @pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int64, bool, np.complex128])
    def test_arrays(self, dtype):
        array = np.arange(12).reshape(3, 4)[:, ::2].astype(dtype)
        back = unpacked(packed(Holder(array))).value
        np.testing.assert_array_equal(back, array)
        assert back.dtype == array.dtype

    def test_what_is_all_digits_is_not_compressed_and_all_else_is(self):
        digits, alike = np.random.default_rng(1).random(40_000), np.repeat([0.0, 1.0], 20_000)
        data = packed(Holder((digits, alike)), fields=True)
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            whole, small = file.infolist()[1:]
        assert whole.compress_size == whole.file_size
        assert small.compress_size < 0.02 * small.file_size
        for back, array in zip(unpacked(data).value, (digits, alike), strict=True):
            np.testing.assert_array_equal(back, array)

    def test_sparse_arrays(self):
        matrix = csr_array(np.eye(3)[[0, 2]])
        np.testing.assert_array_equal(unpacked(packed(Holder(matrix))).value.toarray(), matrix.toarray())

    def test_one_thing_in_two_places_stays_one(self):
        shared = np.arange(3.0)
        first, second = unpacked(packed(Holder((shared, shared)))).value
        assert first is second


def test_what_is_loaded_is_a_study(tmp_path):
    assert isinstance(load(written(tmp_path, study())), Study)
