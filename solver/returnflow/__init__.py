"""
Return currents on circuit boards: where they flow, what they couple, and how sure the numbers are.

>>> import returnflow as rf
>>> case = rf.read_case("examples/weighing_controller.toml")  # doctest: +SKIP
>>> study = rf.run(case)  # doctest: +SKIP
>>> study["as drawn"].impedance(0.0)  # doctest: +SKIP
"""

from importlib.metadata import PackageNotFoundError, version

from returnflow.advice.study import Study, run
from returnflow.answers.result import Result
from returnflow.resistive.conduction import Conduction, Options, solve
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.casefile.read import CaseError, parse_case, read_case
from returnflow_geometry.mesh.mesher import Mesh, MeshError, Plane
from returnflow_geometry.model.board import Board, Case

try:
    __version__ = version("returnflow")
except PackageNotFoundError:  # run from the source tree, not installed
    __version__ = "0+unknown"

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
