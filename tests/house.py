"""
The map of the rooms, made from their docstrings and imports.

`python tests/house.py` writes it into DEVELOPERS.md, and into each room's docstring what other rooms import from it.
"""

from __future__ import annotations

import ast
import sys
import textwrap
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SOURCES = {"returnflow_geometry": "geometry", "returnflow": "solver"}
BEGIN, END = "<!-- made by python tests/house.py -->\n", "<!-- end of what is made -->\n"
OTHERS, NOBODY = "Others import: ", "No other room imports from it."
WIDTH, COLUMN = 119, 30


@cache
def parsed(text: str) -> tuple[str, int, list[ast.Import | ast.ImportFrom]]:
    """Docstring of a module's text, the last line of its first statement (which that is), and its imports."""
    tree = ast.parse(text)
    imports = [it for it in ast.walk(tree) if isinstance(it, ast.Import | ast.ImportFrom)]
    return ast.get_docstring(tree) or "", next((it.end_lineno or 0 for it in tree.body), 0), imports


@dataclass(frozen=True)
class Module:
    """A module or a room (a package) by its dotted name."""

    name: str
    path: Path
    text: str

    @property
    def is_room(self) -> bool:
        """Whether it is a folder of modules."""
        return self.path.name == "__init__.py"

    @property
    def said(self) -> str:
        """What its docstring says, paragraph by paragraph."""
        return parsed(self.text)[0]

    @property
    def sentence(self) -> str:
        """First paragraph of its docstring on one line."""
        return " ".join(self.said.split("\n\n")[0].split())

    def imports(self, names: set[str]) -> Iterator[str]:
        """Names of modules that it imports, wherever in its text."""
        for node in parsed(self.text)[2]:
            if isinstance(node, ast.Import):
                yield from (alias.name for alias in node.names if alias.name in names)
            elif node.module in names:
                each = {f"{node.module}.{alias.name}" for alias in node.names}
                yield from each & names
                if each - names:
                    yield node.module


def modules(root: Path = ROOT) -> dict[str, Module]:
    """All modules of both packages by name, each room before what is in it and above the rooms it imports from."""
    found = {}
    for package, source in SOURCES.items():
        for path in (root / source / package).rglob("*.py"):
            parts = path.relative_to(root / source).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            found[name] = Module(name, path, path.read_text(encoding="utf-8"))
    floors = layers(root)
    return {name: found[name] for name in sorted(found, key=lambda name: order(name, floors))}


def layers(root: Path = ROOT) -> list[str]:
    """Names of all rooms as the contracts of pyproject.toml have them, from top to bottom."""
    contracts = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    return [
        f"{container}.{layer}".strip(".")
        for contract in contracts
        for container in contract.get("containers", [""])
        for layer in contract["layers"]
    ]


def order(name: str, floors: list[str]) -> list[tuple[int, str]]:
    """Where a module stands: by the contracts where they name it or its room, else by the alphabet."""
    parts = name.split(".")
    ways = [".".join(parts[: n + 1]) for n in range(len(parts))]
    return [(floors.index(way) if way in floors else len(floors), way) for way in ways]


def given(house: dict[str, Module]) -> dict[str, list[str]]:
    """By room the modules in it that modules outside import, named from the room on."""
    names = set(house)
    pairs = [(name, other) for name, module in house.items() for other in module.imports(names)]
    return {
        room: sorted(
            {other[len(room) + 1 :] for name, other in pairs if inside(other, room) and not inside(name, room)}
        )
        for room, module in house.items()
        if module.is_room and "." in room
    }


def inside(name: str, room: str) -> bool:
    """Whether a module lies in a room."""
    return name.startswith(f"{room}.")


def with_imports(module: Module, shared: list[str]) -> str:
    """Text of a room's __init__.py with what others import as the last paragraph of its docstring."""
    paragraphs = [each for each in module.said.split("\n\n") if not each.startswith((OTHERS, NOBODY))]
    last = f"{OTHERS}{', '.join(shared)}." if shared else NOBODY
    said = "\n\n".join([*paragraphs, "\n".join(textwrap.wrap(last, WIDTH, break_on_hyphens=False))])
    rest = module.text.splitlines(keepends=True)[parsed(module.text)[1] :]
    return f'"""\n{said}\n"""\n{"".join(rest)}'


def map_of(house: dict[str, Module]) -> str:
    """The map as text: every room and every module with its sentence."""
    lines = []
    for name, module in house.items():
        depth = name.count(".")
        title = name.rpartition(".")[2] + "/" * module.is_room if depth else f"{SOURCES[name]}/{name}/"
        lines += textwrap.wrap(
            module.sentence,
            WIDTH - 4,
            initial_indent=f"{'  ' * depth + title:<{COLUMN - 1}} ",
            subsequent_indent=" " * COLUMN,
            break_on_hyphens=False,
        )
    return "".join(f"    {line}\n" for line in lines)


def with_map(document: str, text: str) -> str:
    """Text of the document with the map between its marks."""
    before, _, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not end:
        message = f"DEVELOPERS.md: the lines {BEGIN.strip()} and {END.strip()} must be there."
        raise ValueError(message)
    return f"{before}{BEGIN}\n{text}\n{END}{after}"


def wanted(root: Path = ROOT) -> dict[Path, str]:
    """What each file that this script makes, or makes a part of, should hold."""
    house = modules(root)
    document = root / "DEVELOPERS.md"
    files = {house[room].path: with_imports(house[room], shared) for room, shared in given(house).items()}
    return files | {document: with_map(document.read_text(encoding="utf-8"), map_of(house))}


def stale(root: Path = ROOT) -> list[Path]:
    """Files whose text is not what it should be."""
    return [path for path, text in wanted(root).items() if path.read_text(encoding="utf-8") != text]


if __name__ == "__main__":
    for each in stale():
        each.write_text(wanted()[each], encoding="utf-8")
        sys.stdout.write(f"{each.relative_to(ROOT)}\n")
