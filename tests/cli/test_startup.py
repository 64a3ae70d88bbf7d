"""What a command loads before it answers: an option that is mistyped does not wait for a solver."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import returnflow
from returnflow import cli
from returnflow.cli import BAD_INPUT, main
from returnflow.console import TRACEBACK

EXAMPLE = Path(__file__).parents[2] / "examples/four_point_disc.toml"
HEAVY = {"matplotlib", "skfem", "joblib", "meshio", "ezdxf", "defusedxml", "pythoncdt", "jinja2"}


def loaded(code, *arguments):
    """Modules in a fresh interpreter after some code, and its exit status."""
    report = "import sys, json; print('\\n' + json.dumps(sorted(sys.modules)))"
    text = f"import sys; sys.argv[1:] = {list(arguments)!r}\n{code}\n{report}"
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    return set(json.loads(done.stdout.splitlines()[-1])), done.stdout


def tops(modules):
    return {name.partition(".")[0] for name in modules}


RUN = "from returnflow.cli import main; status = main()"


class TestOnlyWhatIsUsedIsLoaded:
    @pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["run", "--help"], ["run", "--colour"]])
    def test_help_and_mistyped_options_need_no_library_at_all(self, arguments):
        modules, _ = loaded(RUN, *arguments)
        assert not tops(modules) & (HEAVY | {"numpy", "scipy", "shapely", "returnflow_geometry"})

    def test_check_of_a_drawn_case_needs_neither_solver_nor_readers_nor_pictures(self):
        modules, said = loaded(RUN, "check", str(EXAMPLE))
        assert "The case is complete." in said
        assert not tops(modules) & HEAVY
        rooms = {name for name in modules if name.startswith("returnflow.")}
        light = {"answers", "answers.missing", "answers.spectra", "resistive", "resistive.foil"}
        assert rooms == {"returnflow.cli", "returnflow.console", *(f"returnflow.{name}" for name in light)}
        assert not any("gerber" in name or "board_data" in name for name in modules)

    def test_importing_the_package_loads_no_library(self):
        modules, _ = loaded("import returnflow as rf; dir(rf)")
        assert not tops(modules) & (HEAVY | {"numpy", "scipy", "shapely", "returnflow_geometry"})

    def test_solving_needs_no_pictures(self):
        modules, _ = loaded("import returnflow as rf; rf.run")
        assert not tops(modules) & {"matplotlib", "meshio", "jinja2"}
        assert "skfem" in tops(modules)


class TestPublicNames:
    def test_dir_shows_them_and_nothing_else(self):
        assert dir(returnflow) == sorted([*returnflow.__all__, "__version__"])

    def test_every_one_is_there(self):
        for name in dir(returnflow):
            assert getattr(returnflow, name) is not None

    def test_another_name_is_refused_as_of_any_module(self):
        with pytest.raises(AttributeError, match=r"module 'returnflow' has no attribute 'solv'"):
            returnflow.solv  # noqa: B018  the look-up is what is tested


class TestDefects:
    @pytest.fixture
    def broken(self, monkeypatch):
        def fail(*_):
            message = "boom"
            raise ZeroDivisionError(message)

        monkeypatch.setattr("returnflow_geometry.casefile.read.read_case", fail)

    def test_one_ends_with_2_and_says_how_to_see_where_it_came_from(self, broken, capsys):
        assert main(["check", "x.toml"]) == BAD_INPUT
        said = capsys.readouterr().err
        assert "error: ZeroDivisionError: boom (at test_startup.py, line" in said
        assert f"{TRACEBACK}=1" in said
        assert "Traceback" not in said

    def test_asked_for_it_is_traced(self, broken, capsys, monkeypatch):
        monkeypatch.setenv(TRACEBACK, "1")
        assert main(["check", "x.toml"]) == BAD_INPUT
        assert "Traceback (most recent call last)" in capsys.readouterr().err


@pytest.mark.parametrize(("given", "used"), [(None, "1"), ("3", "3")])
def test_numpy_has_no_threads_of_its_own_unless_somebody_wants_them(monkeypatch, given, used):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    if given is not None:
        monkeypatch.setenv("OPENBLAS_NUM_THREADS", given)
    seen = []
    monkeypatch.setattr(cli, "main", lambda: seen.append(os.environ["OPENBLAS_NUM_THREADS"]) or cli.DONE)
    monkeypatch.setattr(cli.signal, "signal", lambda *_: None)
    with pytest.raises(SystemExit):
        cli.entry()
    assert seen == [used]


def test_numpy_is_not_there_before_it_is_told():
    """What it reads when it is imported comes too late otherwise."""
    code = "import sys, returnflow.cli; sys.exit('numpy' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
