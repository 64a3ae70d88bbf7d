"""
Return currents on circuit boards: where they flow, what they couple, and how sure the numbers are.

>>> import returnflow as rf
>>> case = rf.read_case("examples/weighing_controller.toml")  # doctest: +SKIP
>>> study = rf.run(case)  # doctest: +SKIP
>>> study["as drawn"].impedance(0.0)  # doctest: +SKIP
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from returnflow.advice.study import Study, run
    from returnflow.answers.result import Result
    from returnflow.resistive.conduction import Conduction, Options, solve
    from returnflow.resistive.linear import NumericalError
    from returnflow_geometry.casefile.read import CaseError, parse_case, read_case
    from returnflow_geometry.mesh.mesher import Mesh, MeshError, Plane
    from returnflow_geometry.model.board import Board, Case

    __version__: str

__all__ = [
    "Board",
    "Case",
    "CaseError",
    "Conduction",
    "Mesh",
    "MeshError",
    "NumericalError",
    "Options",
    "Plane",
    "Result",
    "Study",
    "parse_case",
    "read_case",
    "run",
    "solve",
]

# Where each public name lives: it is imported when it is first used, so that a command that needs few starts at once.
_HOMES = {
    "returnflow.advice.study": ("Study", "run"),
    "returnflow.answers.result": ("Result",),
    "returnflow.resistive.conduction": ("Conduction", "Options", "solve"),
    "returnflow.resistive.linear": ("NumericalError",),
    "returnflow_geometry.casefile.read": ("CaseError", "parse_case", "read_case"),
    "returnflow_geometry.mesh.mesher": ("Mesh", "MeshError", "Plane"),
    "returnflow_geometry.model.board": ("Board", "Case"),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        value = _version()
    elif name in _HOME:
        value = getattr(import_module(_HOME[name]), name)
    else:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return [*__all__, "__version__"]


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("returnflow")
    except PackageNotFoundError:  # run from the source tree, not installed
        return "0+unknown"
