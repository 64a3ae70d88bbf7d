"""The command line: exit status, what goes to stdout and what to stderr, and nothing half-written."""

import json
import re

import pytest

import returnflow
from cases import EXAMPLES, written
from returnflow.cli import BAD_INPUT, DONE, EXCEEDED
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.mesh.mesher import MeshError


@pytest.fixture
def no_pictures(monkeypatch):
    """Pictures take most of the time, and are tested elsewhere."""
    monkeypatch.setattr("returnflow.pictures.jobs.pictures", lambda result, say, extent: [])


def listing(folder):
    return sorted(path.name for path in folder.iterdir())


def replaced(monkeypatch, where, error):
    """Let a function of the library fail."""

    def fail(*_, **__):
        raise error

    monkeypatch.setattr(where, fail)


class TestRun:
    def test_everything_is_written_and_the_table_printed(self, call, case, tmp_path):
        out = tmp_path / "report"
        status, stdout, stderr = call("run", case, "-o", out)
        assert status == DONE
        assert {"report.html", "result.json", "fields.vtu", "board.png"} <= set(listing(out))
        assert stdout.startswith("strip of copper\n")
        assert 'not tolerable for "sensor"' in stdout
        assert "over limit" in stdout
        # Progress, and where the report is, on stderr only.
        for line in stderr.splitlines():
            assert re.match(r"\[ *\d+\.\d s\] ", line)
        assert "triangles" in stderr
        assert f"wrote {out / 'report.html'}" in stderr
        assert " s] " not in stdout
        assert listing(tmp_path / "here") == []

    @pytest.mark.usefixtures("no_pictures")
    def test_json_on_stdout_is_the_result_file_and_nothing_else(self, call, case, tmp_path):
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--format", "json")
        assert status == DONE
        printed = json.loads(stdout)
        assert printed == json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
        assert printed["variants"][0]["loops"] == ["motor", "sensor"]
        assert "triangles" in stderr

    @pytest.mark.usefixtures("no_pictures")
    def test_quiet_says_nothing_on_stderr(self, call, case, tmp_path):
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--quiet")
        assert (status, stderr) == (DONE, "")
        assert "over limit" in stdout

    @pytest.mark.usefixtures("no_pictures")
    def test_directory_is_named_after_the_case_by_default(self, call, case, tmp_path):
        assert call("run", case)[0] == DONE
        assert listing(tmp_path / "here") == ["strip-report"]
        assert "report.html" in listing(tmp_path / "here" / "strip-report")

    @pytest.mark.usefixtures("no_pictures")
    @pytest.mark.parametrize(
        ("tolerates", "options", "status"),
        [("1e-4", ["--strict"], EXCEEDED), ("1e-4", [], DONE), ("0.5", ["--strict"], DONE)],
    )
    def test_strict_tells_whether_a_limit_is_exceeded(self, call, tmp_path, tolerates, options, status):
        case = written(tmp_path, tolerates)
        assert call("run", case, "-o", tmp_path / "out", "--quiet", *options)[0] == status
        # Exceeded or not, the report is there.
        assert "report.html" in listing(tmp_path / "out")

    @pytest.mark.usefixtures("no_pictures")
    def test_the_one_variant_there_is_may_be_named(self, call, case, tmp_path):
        assert call("run", case, "-o", tmp_path / "out", "--variant", "as drawn")[0] == DONE

    def test_another_variant_is_an_error(self, call, case, tmp_path):
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--variant", "solid plane")
        assert (status, stdout) == (BAD_INPUT, "")
        assert stderr.startswith("error: --variant solid plane")
        assert not (tmp_path / "out").exists()


class TestMistakes:
    def test_one_line_per_mistake_and_no_directory(self, call, case, tmp_path):
        text = case.read_text(encoding="utf-8")
        case.write_text(text.replace("copper_um", "copper_mm").replace('"noisy"', '"loud"'), encoding="utf-8")
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out")
        assert (status, stdout) == (BAD_INPUT, "")
        lines = stderr.splitlines()
        assert len(lines) >= 2
        assert all(line.startswith("error: ") for line in lines)
        assert any("copper_mm" in line for line in lines)
        assert any("loud" in line for line in lines)
        assert not (tmp_path / "out").exists()

    def test_mistakes_are_the_same_for_check(self, call, case, tmp_path):
        case.write_text(case.read_text(encoding="utf-8").replace("copper_um", "copper_mm"), encoding="utf-8")
        status, stdout, stderr = call("check", case)
        assert (status, stdout) == (BAD_INPUT, "")
        assert stderr == call("run", case, "-o", tmp_path / "out")[2]

    @pytest.mark.parametrize("command", ["run", "check"])
    def test_a_case_that_is_not_there(self, call, tmp_path, command):
        status, stdout, stderr = call(command, tmp_path / "nothing.toml")
        assert (status, stdout) == (BAD_INPUT, "")
        assert stderr.startswith("error: ")
        assert stderr.count("\n") == 1
        assert "nothing.toml" in stderr
        assert "cannot write" not in stderr
        assert listing(tmp_path / "here") == []

    def test_output_that_is_a_file_is_refused_before_the_solve(self, call, case, tmp_path, monkeypatch):
        replaced(monkeypatch, "returnflow.advice.study.run", AssertionError("solved in vain"))
        (tmp_path / "out").write_text("mine", encoding="utf-8")
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out")
        assert (status, stdout) == (BAD_INPUT, "")
        assert re.fullmatch(r"error: cannot write the results: .*out: is not a directory\. .* -o\.\n", stderr)
        assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"

    @pytest.mark.usefixtures("no_pictures")
    def test_output_below_a_file_cannot_be_written(self, call, case, tmp_path):
        (tmp_path / "file").write_text("mine", encoding="utf-8")
        status, stdout, stderr = call("run", case, "-o", tmp_path / "file" / "out", "--quiet")
        assert (status, stdout) == (BAD_INPUT, "")
        assert re.match(r"error: cannot write the results: \S.*[^:]: ", stderr)
        assert stderr.count("\n") == 1
        assert "-o" in stderr
        assert (tmp_path / "file").read_text(encoding="utf-8") == "mine"

    @pytest.mark.usefixtures("no_pictures")
    def test_a_full_disk_is_told_with_the_place(self, call, case, tmp_path, monkeypatch):
        replaced(
            monkeypatch,
            "returnflow.report.files.place_files",
            OSError(28, "No space left on device", "/there/report.html"),
        )
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--quiet")
        assert (status, stdout) == (BAD_INPUT, "")
        assert stderr.startswith("error: cannot write the results: /there/report.html: No space left on device.")
        assert not (tmp_path / "out").exists()

    @pytest.mark.usefixtures("no_pictures")
    def test_files_of_somebody_else_are_left_alone(self, call, case, tmp_path):
        out = tmp_path / "out"
        out.mkdir()
        (out / "result.json").write_text("{}", encoding="utf-8")
        status, stdout, stderr = call("run", case, "-o", out, "--quiet")
        assert (status, stdout) == (BAD_INPUT, "")
        assert stderr.startswith("error: ")
        assert "result.json" in stderr
        assert listing(out) == ["result.json"]
        assert (out / "result.json").read_text(encoding="utf-8") == "{}"

    @pytest.mark.parametrize("error", [NumericalError("the reason why"), MeshError("the reason why")])
    def test_an_answer_that_could_not_be_had(self, call, case, tmp_path, monkeypatch, error):
        replaced(monkeypatch, "returnflow.advice.study.run", error)
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--quiet")
        assert (status, stdout, stderr) == (BAD_INPUT, "", "error: the reason why\n")
        assert not (tmp_path / "out").exists()

    def test_out_of_memory(self, call, case, tmp_path, monkeypatch):
        replaced(monkeypatch, "returnflow.advice.study.run", MemoryError())
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--quiet")
        assert (status, stdout) == (BAD_INPUT, "")
        assert stderr.startswith("error: out of memory")
        assert not (tmp_path / "out").exists()

    def test_a_bug_is_told_and_is_not_a_limit_exceeded(self, call, case, tmp_path, monkeypatch):
        replaced(monkeypatch, "returnflow.advice.study.run", ZeroDivisionError("a bug"))
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--strict", "--quiet")
        assert (status, stdout) == (BAD_INPUT, "")
        assert re.match(r"error: ZeroDivisionError: a bug \(at test_cli\.py, line \d+\)\.\nThis is a defect", stderr)
        assert not (tmp_path / "out").exists()

    def test_what_could_not_be_drawn_is_told_and_the_numbers_are_there(self, call, case, tmp_path, monkeypatch):
        replaced(monkeypatch, "returnflow.pictures.jobs.pictures", ZeroDivisionError("a bug"))
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--quiet", "--strict")
        assert status == BAD_INPUT
        assert "over limit" in stdout
        assert stderr == "error: No picture could be drawn (ZeroDivisionError: a bug).\n"
        assert listing(tmp_path / "out") == ["details.html", "report.html", "result.json", "study.npz"]

    @pytest.mark.usefixtures("no_pictures")
    def test_brief_leaves_the_details_out(self, call, case, tmp_path):
        assert call("run", case, "-o", tmp_path / "out", "--quiet", "--brief")[0] == DONE
        assert listing(tmp_path / "out") == ["fields.vtu", "report.html", "result.json", "study.npz"]

    @pytest.mark.usefixtures("no_pictures")
    def test_fast_takes_coarser_meshes(self, call, tmp_path):
        triangles, case = [], tmp_path / "slot.toml"
        text = (EXAMPLES / "strip_with_slot.toml").read_text(encoding="utf-8")
        case.write_text(text + "\n[solve]\naccuracy = 1e-4\n", encoding="utf-8")
        for more in ([], ["--fast"]):
            where = tmp_path / f"out{len(more)}"
            assert call("run", case, "-o", where, "--quiet", "--brief", *more)[0] == DONE
            record = json.loads((where / "result.json").read_text(encoding="utf-8"))
            triangles.append(record["variants"][0]["mesh"]["triangles"])
        assert triangles[1] < triangles[0]


class TestCheck:
    def test_counts_and_assumptions(self, call, case, tmp_path):
        status, stdout, stderr = call("check", case)
        assert (status, stderr) == (DONE, "")
        first, *assumed, last = stdout.splitlines()
        assert first == "strip of copper: 1 layer, 2 terminals, 0 cutouts, 2 loops"
        assert last == "The case is complete."
        assert assumed
        assert all(line.startswith("assumed: ") for line in assumed)
        assert any("temperature_C is not given" in line for line in assumed)
        assert any("shape is not given" in line for line in assumed)
        assert listing(tmp_path / "here") == []

    def test_it_does_not_solve(self, call, case, monkeypatch):
        replaced(monkeypatch, "returnflow.advice.study.run", AssertionError("solved"))
        assert call("check", case)[0] == DONE

    def test_what_only_a_variant_hardly_means_is_told_with_its_name(self, call, case):
        loud = '[[variant]]\nname = "loud"\nset = { "motor.current_A" = 300 }\n'
        case.write_text(case.read_text(encoding="utf-8") + loud, encoding="utf-8")
        status, stdout, _ = call("check", case)
        said = [line for line in stdout.splitlines() if line.startswith("warning")]
        assert (status, len(said)) == (DONE, 1)
        assert said[0].startswith('warning: variant "loud": loop "motor": current_A is 300; boards carry up to 100 A')


class TestUsage:
    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            ([], "COMMAND"),
            (["fly"], "fly"),
            (["run"], "CASE"),
            (["run", "case.toml", "--format", "xml"], "xml"),
            (["check", "case.toml", "--strict"], "--strict"),
        ],
    )
    def test_what_is_not_understood(self, call, arguments, said):
        status, stdout, stderr = call(*arguments)
        assert (status, stdout) == (BAD_INPUT, "")
        assert said in stderr
        assert "usage: returnflow" in stderr

    @pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["check", "--help"]])
    def test_help(self, call, arguments):
        status, stdout, stderr = call(*arguments)
        assert (status, stderr) == (DONE, "")
        assert "usage: returnflow" in stdout

    def test_version(self, call):
        assert call("--version") == (DONE, f"returnflow {returnflow.__version__}\n", "")
