"""
Return currents on circuit boards: where they flow, what they couple, and how sure the numbers are.

A case says what the board is and what is asked of it: layers, coppers, terminals, and loops, each a current that
enters the copper at one terminal and leaves it at another. It is a file (README.md lists its keys; `examples/` has
whole ones), or text:

>>> import returnflow as rf
>>> case = rf.parse_case('''
... format = 1
... title = "A strip whose middle a weak signal shares (invented)"
... board = { outline = { rect = [0, 0, 60, 10] }, temperature_C = 20 }
... layer = [{ name = "L1", copper_um = 35 }]
... copper = [{ name = "ground", layer = "L1" }]
... terminal = [
...   { name = "left", copper = "ground", shape = { rect = [0, 0, 1, 10] } },
...   { name = "right", copper = "ground", shape = { rect = [59, 0, 60, 10] } },
...   { name = "input", copper = "ground", at = [20, 0], diameter_mm = 0.5 },
...   { name = "amplifier", copper = "ground", at = [40, 0], diameter_mm = 0.5 },
... ]
... [[loop]]
... name = "motor"
... role = "noisy"
... inject = "right"
... return = "left"
... current_A = 0.1
... [[loop]]
... name = "probe"
... role = "sensitive"
... inject = "amplifier"
... return = "input"
... signal_V = 0.01
... tolerates_V = 2e-5
... ''')

`run` solves it, with its variants and sweeps. A `Study` holds a `Result` for each variant:

>>> study = rf.run(case)
>>> drawn = study["as drawn"]
>>> print(f"{1e6 * drawn.sensitive[0].noise:.0f} uV, limit {drawn.sensitive[0].verdict}")
98 uV, limit exceeded

That is two squares of 0.4926 mOhm times 0.1 A, but for the size of the two pads. Impedances are matrices, loops by
loops, and every resistance has a bracket that certainly holds it:

>>> Z = drawn.impedance(0.0)
>>> print(f"{1e3 * Z[0, 1].real:.2f} mOhm")
0.98 mOhm
>>> bool(drawn.whole.half_width[0, 1] < 0.01 * Z[0, 1].real)  # half of the bracket, ohm
True

A case is changed without editing text, as a variant of the file would change it:

>>> near = rf.run(case.changed(move={"amplifier": [24, 0]}))
>>> near["as drawn"].sensitive[0].verdict
'kept'

What to do about it, computed and in words, is in `Study.decisions`; what the layout shows in `Study.findings`; all
variants side by side in `Study.comparison`. `Result.impedance` answers at any frequency up to a gigahertz if the loops
have routes. `study.table()` and `study.plot("flow", "motor")` show themselves in a notebook; `study.save("out")` writes
what the command `returnflow run` does, and `load` reads it back; `live_page` makes the page of `returnflow live`, and
`live_widget` one that tells a notebook what was moved. Every number is in SI units; only case files use millimetres.

Below are the public names (a prompt completes these alone):

>>> [name for name in dir(rf) if name[0].islower()]
['live_page', 'live_widget', 'load', 'parse_case', 'read_case', 'run', 'solve']

The rooms behind them are the program's own affair and may change: DEVELOPERS.md has their map.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from returnflow.answers.result import Result
    from returnflow.live.page import live_page
    from returnflow.live.widget import live_widget
    from returnflow.notebook import Study, load, run
    from returnflow.report.kept import FieldsMissingError, LoadError
    from returnflow.resistive.conduction import solve
    from returnflow.resistive.linear import NumericalError
    from returnflow.resistive.solution import Conduction, Options
    from returnflow_geometry.casefile.read import CaseError, parse_case, read_case
    from returnflow_geometry.mesh.mesher import Mesh, MeshError, Plane
    from returnflow_geometry.model.board import Board, Case

    __version__: str

__all__ = [
    "Board",
    "Case",
    "CaseError",
    "Conduction",
    "FieldsMissingError",
    "LoadError",
    "Mesh",
    "MeshError",
    "NumericalError",
    "Options",
    "Plane",
    "Result",
    "Study",
    "live_page",
    "live_widget",
    "load",
    "parse_case",
    "read_case",
    "run",
    "solve",
]

# Where each public name lives: it is imported when it is first used, so that a command that needs few starts at once.
_HOMES = {
    "returnflow.answers.result": ("Result",),
    "returnflow.live.page": ("live_page",),
    "returnflow.live.widget": ("live_widget",),
    "returnflow.notebook": ("Study", "load", "run"),
    "returnflow.report.kept": ("FieldsMissingError", "LoadError"),
    "returnflow.resistive.conduction": ("solve",),
    "returnflow.resistive.solution": ("Conduction", "Options"),
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
