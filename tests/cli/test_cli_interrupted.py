"""The command line that is interrupted, and what it writes where nobody reads or nothing but ASCII is known."""

import io
import json
import os
import subprocess
import sys
import time

import psutil
import pytest
from test_cli import listing, replaced

import returnflow
from cases import EXAMPLES, written
from reporting import varied
from returnflow.advice import study
from returnflow.answers import batch
from returnflow.cli import EXCEEDED, INTERRUPTED, main
from returnflow.resistive.linear import NumericalError
from returnflow.words.terminal import summary_table


class TestInterrupted:
    def test_before_anything_is_solved_nothing_is_left(self, call, case, tmp_path, monkeypatch):
        replaced(monkeypatch, "returnflow.answers.batch.solve_case", KeyboardInterrupt())
        status, stdout, stderr = call("run", case, "-o", tmp_path / "out", "--quiet")
        assert (status, stdout) == (INTERRUPTED, "")
        assert stderr.startswith("interrupted")
        assert listing(tmp_path) == ["here", "strip.toml"]
        assert listing(tmp_path / "here") == []

    def test_what_is_solved_is_kept(self, call, case, tmp_path, monkeypatch):
        monkeypatch.setattr("returnflow.pictures.jobs.pictures", lambda result, say, extent: [])
        more = """
[[variant]]
name = "weaker"
add = { cutout = [{ name = "hole", copper = "strip", shape = { circle = [50, 10], diameter = 5 } }] }
"""
        case.write_text(case.read_text(encoding="utf-8") + more, encoding="utf-8")
        solve, count = batch.solve_case, iter(range(9))

        def stopped(*given, **named):
            if next(count):
                raise KeyboardInterrupt
            return solve(*given, **named)

        monkeypatch.setattr(batch, "solve_case", stopped)
        status, _, stderr = call("run", case, "-o", tmp_path / "out", "--quiet", "--jobs", "1")
        assert status == INTERRUPTED
        assert 'variant "weaker" failed and is left out: Interrupted' in stderr
        assert stderr.endswith("interrupted; what was solved until then is written.\n")
        data = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
        assert [variant["name"] for variant in data["variants"]] == ["as drawn"]
        assert "Interrupted" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")

    @pytest.mark.skipif(sys.platform == "win32", reason="a process is ended there without a word to it")
    def test_who_ends_the_program_gets_the_same_and_no_process_stays(self, tmp_path):
        case = str(EXAMPLES / "weighing_controller.toml")
        command = [sys.executable, "-m", "returnflow", "run", case, "-o", "out", "--jobs", "2"]
        streams = {"stderr": subprocess.PIPE, "stdout": subprocess.DEVNULL, "text": True}
        with subprocess.Popen(command, cwd=tmp_path, **streams) as run:
            for line in run.stderr:
                if "at a time" in line:
                    break
            workers = []
            until = time.monotonic() + 30
            while len(workers) < 2 and time.monotonic() < until:
                workers = psutil.Process(run.pid).children(recursive=True)
                time.sleep(0.05)
            run.terminate()
            said = run.stderr.read()
        assert run.returncode == INTERRUPTED
        assert "interrupted; what was not yet written is lost." in said
        assert "Traceback" not in said
        assert workers
        assert not psutil.wait_procs(workers, timeout=10)[1]
        assert not (tmp_path / "out").exists()

    def test_a_variant_is_kept_although_the_case_as_drawn_is_not_solved(self, monkeypatch):
        solved = varied()["no <slot>"]

        def stopped(cases, *_, **__):
            return {name: NumericalError(batch.STOPPED) for name in cases} | {"no <slot>": solved}

        monkeypatch.setattr(study, "solve_each", stopped)
        it = study.run(varied().case)
        assert it.stopped
        assert list(it.variants) == ["no <slot>"]
        assert summary_table(it).splitlines()[2].startswith("no <slot>: ")

    def test_while_pictures_are_drawn_the_numbers_are_kept(self, call, case, tmp_path, monkeypatch):
        replaced(monkeypatch, "returnflow.pictures.jobs.pictures", KeyboardInterrupt())
        status, _, stderr = call("run", case, "-o", tmp_path / "out", "--quiet")
        assert status == INTERRUPTED
        assert "Interrupted while pictures were drawn" in stderr
        assert listing(tmp_path / "out") == ["details.html", "report.html", "result.json", "study.npz"]


class TestStreams:
    def test_a_reader_that_closes_the_pipe_is_no_error(self, case, tmp_path, monkeypatch, capsys):
        class Closed(io.StringIO):
            def write(self, text):
                raise BrokenPipeError(32, "Broken pipe")

        monkeypatch.setattr("returnflow.pictures.jobs.pictures", lambda result, say, extent: [])
        monkeypatch.setattr(sys, "stdout", Closed())
        assert main(["run", str(case), "-o", str(tmp_path / "out"), "--quiet", "--strict"]) == EXCEEDED
        assert capsys.readouterr().err == ""
        assert "report.html" in listing(tmp_path / "out")

    def test_as_a_module_in_a_terminal_that_knows_ascii_only(self, tmp_path):
        # The one test of a real process: version, and signs that the stream cannot show.
        case = written(tmp_path, copper="\N{LEFT DOUBLE QUOTATION MARK}Ω\N{RIGHT DOUBLE QUOTATION MARK}")
        environment = os.environ | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}

        def process(*arguments):
            command = [sys.executable, "-m", "returnflow", *arguments]
            return subprocess.run(command, capture_output=True, env=environment, check=False, timeout=60)

        version, check = process("--version"), process("check", str(case))
        assert (version.returncode, version.stdout.decode().strip()) == (0, f"returnflow {returnflow.__version__}")
        assert (check.returncode, check.stderr) == (0, b"")
        assert check.stdout.startswith(b"strip of ???: 1 layer")
