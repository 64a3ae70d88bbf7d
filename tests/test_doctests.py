"""Every example in a docstring runs, in every module of both packages."""

import doctest
import importlib
import pkgutil
from pathlib import Path

import pytest

import returnflow
import returnflow_geometry

ROOT = Path(__file__).parents[1]
PACKAGES = (returnflow, returnflow_geometry)
NOT_IMPORTED = {"returnflow.__main__"}  # runs the program
MODULES = sorted(
    {package.__name__ for package in PACKAGES}
    | {found.name for package in PACKAGES for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")}
    - NOT_IMPORTED
)


def examples(module):
    """Tests of a module's docstrings that have examples."""
    found = doctest.DocTestFinder(exclude_empty=True).find(module)
    return [test for test in found if test.examples]


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name, monkeypatch):
    monkeypatch.chdir(ROOT)  # examples name example files as seen from there
    module = importlib.import_module(name)
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS)
    report = []
    for test in examples(module):
        runner.run(test, out=report.append)
    assert runner.failures == 0, "".join(report)


@pytest.mark.parametrize("name", MODULES)
def test_every_example_in_the_source_is_found(name):
    # An example that the finder does not see (in a comment, or behind a decorator) would never run.
    module = importlib.import_module(name)
    written = Path(module.__file__).read_text(encoding="utf-8").count(">>> ")
    assert sum(len(test.examples) for test in examples(module)) == written


def test_there_are_examples_at_all():
    assert sum(len(examples(importlib.import_module(name))) for name in MODULES) > 15


def test_a_wrong_example_fails():
    # The judge judged.
    wrong = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0)
    assert doctest.DocTestRunner(verbose=False).run(wrong, out=lambda _: None).failed == 1
