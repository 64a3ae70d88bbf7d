"""The API reference: a page for every module, and no warning passed over."""

import itertools

import pytest

pytest.importorskip("pdoc")

import reference

GOOD = '''"""A package."""

from typing import NamedTuple


class Pair(NamedTuple):
    """Two of a kind."""

    first: int
    second: "Kind"


class Kind:
    """A kind."""
'''


NUMBERS = itertools.count()


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Write a package with one room and one module in it, under a name that nothing remembers."""
    monkeypatch.syspath_prepend(str(tmp_path))

    def write(text):
        name = f"sample_{next(NUMBERS)}"
        room = tmp_path / name / "room"
        room.mkdir(parents=True)
        (room.parent / "__init__.py").write_text(text, encoding="utf-8")
        (room / "__init__.py").write_text('"""A room."""\n', encoding="utf-8")
        (room / "chair.py").write_text('"""A chair."""\n', encoding="utf-8")
        return name

    return write


@pytest.mark.parametrize("public", ["", '__all__ = ["Pair"]\n'])
def test_every_module_has_a_page(package, tmp_path, public):
    name = package(GOOD + public)
    reference.write(tmp_path / "api", [name])
    pages = {path.relative_to(tmp_path / "api").as_posix() for path in (tmp_path / "api").rglob("*.html")}
    assert pages >= {f"{name}.html", f"{name}/room.html", f"{name}/room/chair.html"}
    assert "Two of a kind." in (tmp_path / "api" / f"{name}.html").read_text(encoding="utf-8")


def test_a_type_that_cannot_be_found_is_an_error(package, tmp_path):
    name = package('"""A package."""\n\n\ndef make() -> "Nowhere":\n    """Make."""\n')
    with pytest.raises(UserWarning, match="Nowhere"):
        reference.write(tmp_path / "api", [name])
