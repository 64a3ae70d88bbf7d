"""A case file for the command line, and how it is called."""

import pytest

from cases import written
from returnflow.cli import main


@pytest.fixture
def case(tmp_path):
    return written(tmp_path)


@pytest.fixture
def call(capsys, monkeypatch, tmp_path):
    """Run the command line in an empty directory; return the exit status, stdout and stderr."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")

    def run(*arguments):
        status = main([str(argument) for argument in arguments])
        return status, *capsys.readouterr()

    return run
