"""
The guide and the API reference as web pages, made from the docstrings: `python tests/reference.py FOLDER`.

A warning (a type that cannot be found, a docstring that cannot be read) is an error. Needs pdoc, of the `dev` extra.
"""

import inspect
import pkgutil
import sys
import warnings
from importlib import import_module
from pathlib import Path
from typing import get_type_hints

import pdoc

PACKAGES = ("returnflow", "returnflow_geometry")


def write(folder: Path, packages=PACKAGES) -> None:
    """Write a page for each package and for every module in them."""
    for name in modules(packages):
        name_types(import_module(name))
    # A package that lists its public names must have its rooms listed beside it, or they would have no page.
    rooms = [name for name in modules(packages) if name.count(".") == 1]
    listed = [package for package in packages if hasattr(import_module(package), "__all__")]
    specs = [*packages, *(room for room in rooms if room.partition(".")[0] in listed)]
    pdoc.render.configure(docformat="numpy", math=True, show_source=False)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pdoc.pdoc(*specs, output_directory=folder)


def modules(packages=PACKAGES) -> list[str]:
    """Names of the packages and of all modules in them that may be imported without running the program."""
    return [*packages] + [
        found.name
        for package in packages
        for found in pkgutil.walk_packages(import_module(package).__path__, f"{package}.")
        if not found.name.endswith(".__main__")
    ]


def name_types(module) -> None:
    """Give constructors of named tuples their types: they know names only, in a module where nobody finds them."""
    for _, thing in inspect.getmembers(module, inspect.isclass):
        if issubclass(thing, tuple) and hasattr(thing, "_fields"):
            thing.__new__.__annotations__ = get_type_hints(thing)


if __name__ == "__main__":
    write(Path(sys.argv[1]))
