"""What fabrication files say, before anything is concluded from it (SI units, y up, seen from the top)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.model.board import Shape

Floats = NDArray[np.float64]
Plating = Literal["plated", "unplated", "unknown"]

CHORD = 5e-6  # m: arcs become chords at most this far from them


class FabricationError(ValueError):
    """
    A file cannot be used; one message says which file, where, what was found, the rule and what to do.

    Attributes
    ----------
    file : str
        Base name of the file.
    """

    def __init__(self, file: str, message: str) -> None:
        # A name on disk or in an archive may hold anything, such as a line end.
        self.file = file if file.isprintable() else ascii(file)[1:-1]
        super().__init__(f"{self.file}: {message}")


@dataclass(frozen=True, kw_only=True)
class Limits:
    """
    What one reader may use up: files are untrusted.

    Attributes
    ----------
    bytes : int
        Size of one file, unpacked.
    objects : int
        Objects (flashes, draws, regions, holes, records) of one file, after every repetition is expanded.
    vertices : int
        Points of all outlines of one file.
    depth : int
        Nesting of step-repeat, block apertures, macros' parentheses, XML elements.
    seconds : float
        Time one file may take.
    members : int
        Files of one folder or archive.
    total_bytes : int
        Size of all files of one folder or archive together, unpacked.
    """

    bytes: int = 256_000_000
    objects: int = 2_000_000
    vertices: int = 20_000_000
    depth: int = 16
    seconds: float = 120.0
    members: int = 2_000
    total_bytes: int = 1_000_000_000


@dataclass(frozen=True, kw_only=True)
class Pad:
    """
    One pad of a pin on one layer.

    `refdes`, `pin`, `function`, `net` are empty where the file does not say; `at` is the place it was flashed (m).
    """

    refdes: str
    pin: str
    function: str
    net: str
    at: tuple[float, float]
    shape: Shape


@dataclass(frozen=True, kw_only=True)
class Artwork:
    """
    One image file (one layer) as polygons.

    Attributes
    ----------
    file : str
        Base name.
    attributes : dict
        File attributes without the leading dot, for instance ``{"FileFunction": ("Copper", "L2", "Inr")}``.
    negative : bool
        The image shows what is NOT copper.
    nets : dict
        Net name to area, m. The key "" holds what the file gives no net.
    pads : tuple of Pad
    strokes : tuple of arrays, shape (k, 2), metres
        Centre lines of everything drawn (arcs as chords), in order: a board outline is joined from these.
    flashes : tuple of (x, y, diameter, function), metres
        Round flashes: a drill file in this format is read from these.
    notes : tuple of str
        What was assumed, ignored or odd, one plain sentence each.
    stroke_widths : tuple of float, metres
        Per stroke the diameter it was drawn with, 0 where the aperture is not round: slots are read from these.
    stroke_functions : tuple of str
        Per stroke the function of its aperture.
    ties : tuple of tuple of str
        Sets of net names the file gives to one object; its area is under the first name.
    """

    file: str
    attributes: dict[str, tuple[str, ...]]
    negative: bool
    nets: dict[str, Shape]
    pads: tuple[Pad, ...] = ()
    strokes: tuple[Floats, ...] = ()
    flashes: tuple[tuple[float, float, float, str], ...] = ()
    notes: tuple[str, ...] = ()
    stroke_widths: tuple[float, ...] = ()
    stroke_functions: tuple[str, ...] = ()
    ties: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Hole:
    """
    One drilled hole or routed slot.

    `path` has the shape (1, 2) for a round hole and (k, 2) for a slot milled along a polyline (m). `span` are the first
    and last copper layer counted from 1 at the top, None for all.
    """

    path: Floats
    diameter: float  # m, of the finished hole
    plating: Plating = "unknown"
    span: tuple[int, int] | None = None
    net: str = ""
    refdes: str = ""
    pin: str = ""


@dataclass(frozen=True, kw_only=True)
class Drilling:
    """
    One drill file.

    `undecided` holds further readings of the same file (number formats) when the file does not declare its digits:
    whoever knows the copper picks the one whose holes fall on it. `decided` is False then.
    """

    file: str
    attributes: dict[str, tuple[str, ...]]
    holes: tuple[Hole, ...]
    decided: bool = True
    undecided: dict[str, tuple[Hole, ...]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class NetPoint:
    """
    One record of a netlist file: a pin or via and the net it belongs to.

    `layers` are the outer layers it can be reached from: "top", "bottom" or "both".
    """

    net: str
    refdes: str
    pin: str
    at: tuple[float, float]
    drill: float | None = None  # m
    plated: bool = True
    layers: Literal["top", "bottom", "both"] = "both"


@dataclass(frozen=True, kw_only=True)
class Netlist:
    """One netlist file. `cut` tells that names may have been cut short or upper-cased by the format."""

    file: str
    points: tuple[NetPoint, ...]
    cut: bool = True
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class StackLayer:
    """One layer of a stackup, top to bottom. `file` names its image file if the data does."""

    name: str
    kind: Literal["copper", "dielectric", "other"]
    thickness: float | None  # m
    file: str = ""


@dataclass(frozen=True, kw_only=True)
class JobFile:
    """What a job file says about the board as a whole."""

    file: str
    layers: tuple[StackLayer, ...]
    files: dict[str, tuple[str, ...]]  # base name of each listed file to its function attribute
    copper_layers: int | None = None
    thickness: float | None = None  # m, of the whole board
    size: tuple[float, float] | None = None  # m
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class LayerCopper:
    """
    One copper layer of a board, after painting: net name to area ("" where unknown), and its pads.

    `strokes` are the centre lines (m, shape (k, 2)) of what it draws as lines, with their widths (m; 0 if not round).
    """

    name: str
    nets: dict[str, Shape]
    pads: tuple[Pad, ...] = ()
    strokes: tuple[tuple[Floats, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class PlacedPart:
    """Where a placement file puts the middle of a part (m), how it is turned (degrees), and whether it lies below."""

    name: str
    at: tuple[float, float]
    rotation: float = 0.0
    bottom: bool = False


@dataclass(frozen=True, kw_only=True)
class BoardData:
    """
    Everything one self-contained file (IPC-2581) or a set of files says about a board.

    `layers` are the copper layers from top to bottom, `stackup` all layers with their thickness; `outline` is None if
    no file gives it. The last fields say how the data came about, for the report before solving: what each file was
    used for, which were ignored and why, where the order of the layers came from, how far apart ends of the outline
    were joined (m), per drill file which share of its plated holes meets copper, and where sources contradict.
    """

    files: tuple[str, ...]
    outline: Shape | None
    layers: tuple[LayerCopper, ...]
    stackup: tuple[StackLayer, ...]
    holes: tuple[Hole, ...]
    points: tuple[NetPoint, ...] = ()
    notes: tuple[str, ...] = ()
    used: tuple[tuple[str, str], ...] = ()
    ignored: tuple[tuple[str, str], ...] = ()
    order: str = ""
    joining: float | None = None  # m
    hits: tuple[tuple[str, float], ...] = ()
    contradictions: tuple[str, ...] = ()
    proposed: tuple[tuple[str, str], ...] = ()  # what files that do not say it were taken for
    parts: tuple[tuple[str, str], ...] = ()  # what a parts list says of a part
    placed: tuple[PlacedPart, ...] = ()  # what a placement file says

    @property
    def origin(self) -> str:
        """How a message calls the data as a whole: the one file, or all of them."""
        return self.files[0] if len(self.files) == 1 else "fabrication data"


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """One hand drawing (DXF): name of each layer to the area it encloses, m."""

    file: str
    layers: dict[str, Shape]
    notes: tuple[str, ...] = ()
