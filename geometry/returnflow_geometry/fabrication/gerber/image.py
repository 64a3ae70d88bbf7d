"""Gerber images (RS-274X with X2 and X3 attributes) to areas per net, pads, strokes and flashes."""

from __future__ import annotations

import re

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow_geometry.fabrication.base.budget import Budget, quoted, shapes_of, text_of
from returnflow_geometry.fabrication.base.objects import Artwork, FabricationError, Limits, Pad
from returnflow_geometry.fabrication.base.painting import paint, partition
from returnflow_geometry.fabrication.gerber.centrelines import centre_lines
from returnflow_geometry.fabrication.gerber.extended import extended
from returnflow_geometry.fabrication.gerber.placed_shapes import Item
from returnflow_geometry.fabrication.gerber.state import State, Tag
from returnflow_geometry.fabrication.gerber.tokens import line_of, words
from returnflow_geometry.model.numbers import square_millimetres

LOOK = 65_536  # bytes looked at to tell the format
FARTHEST = 100.0  # m
SLIVER = 1e-15  # m2: an overlap of nets below is rounding
_SIGNS = re.compile(
    r"%\s*(?:FS[LTD]?[AI]X\d\d|MO(?:IN|MM)\*|ADD\d+[A-Za-z_.$]|AM[^*%\s]+\*|LP[DC]\*|TF\.|IP(?:POS|NEG)\*|SRX\d)"
)


def looks_like_gerber(data: bytes) -> bool:
    r"""
    Tell whether data is a Gerber image, from its extended commands.

    Examples
    --------
    >>> looks_like_gerber(b"%FSLAX46Y46*%"), looks_like_gerber(b"M48\nMETRIC\n%\nX1Y1\n")
    (True, False)
    """
    head = data[:LOOK]
    return b"\x00" not in head[:1024] and _SIGNS.search(head.decode("latin-1")) is not None


def read_gerber(data: bytes | str, file: str, limits: Limits | None = None) -> Artwork:
    """
    Read one Gerber image.

    Parameters
    ----------
    data : bytes or str
        The whole file.
    file : str
        Base name, for messages.
    limits : Limits, optional
        What reading may use up.

    Returns
    -------
    artwork : Artwork
        Areas in metres. Copper marked as belonging to no net, empty or ``N/C``, is under the name "". Where nets
        overlap, a name wins over none and the first in the file over later ones; a note says so.

    Raises
    ------
    FabricationError
        With the line, what was found, the rule and what to do.

    Examples
    --------
    >>> art = read_gerber("%FSLAX33Y33*%%MOMM*%%ADD10R,2X3*%%TO.N,GND*%D10*X0Y0D03*M02*", "top.gbr")
    >>> {net: round(shape.area * 1e6, 9) for net, shape in art.nets.items()}
    {'GND': 6.0}
    """
    budget = Budget(file, limits or Limits())
    if isinstance(data, bytes):
        budget.data(data)
        text = text_of(data)
    else:
        text = data
        budget.data(text.encode("utf-8", "replace"))
    state = State(budget)
    _run(state, text, budget)
    with shapes_of(budget.file):
        return _artwork(state, file, budget)


def _run(state: State, text: str, budget: Budget) -> None:
    """Feed all commands to the state machine, adding the line to what it refuses."""
    for position, kind, command in words(text, budget):
        try:
            if state.ended:
                state.note("Text after the end of the image (M02) was ignored.")
                break
            if kind == "word":
                state.word(command)
            elif kind == "comment":
                state.comment(command)
            elif kind == "extended":
                extended(state, command)
            else:
                state.note(
                    f"Partial data: the file stops in the middle of a command, {quoted(command)}; the rest is missing."
                )
        except FabricationError as error:
            message = str(error).removeprefix(f"{budget.file}: ")
            if message.startswith("line "):
                raise
            raise FabricationError(budget.file, f"line {line_of(text, position)}: {message}") from None
        except ValueError as error:
            raise FabricationError(budget.file, f"line {line_of(text, position)}: {error}") from None
    if not state.ended:
        state.note("Partial data: the end of the image (M02) is missing; the file may have been cut short.")
    if state.contour is not None:
        state.note("Partial data: the last region is not closed (G37 is missing) and was left out.")
    while len(state.frames) > 1:
        state.close_repeat()
        if len(state.frames) > 1:
            state.note("Partial data: a block aperture is not closed (AB is missing) and was left out.")
            state.frames.pop()
    if state.numbers.unit is None and not state.frames[0].items:
        state.note("No unit and nothing drawn: is this a Gerber image?")


def _artwork(state: State, file: str, budget: Budget) -> Artwork:
    items = state.frames[0].items
    if not items:
        state.note("Nothing is drawn.")
    built = state.shapes.build()
    for _ in state.shapes.crossing:
        state.note("A contour crosses itself, which is not allowed; what it covers an odd number of times was taken.")
    shapes = _placed(items, built, budget)
    tags = list(state.tags)
    dark = np.array([item.dark for item in items], dtype=bool)
    names, owners = _owners(tags, np.array([item.tag for item in items], dtype=np.int64))
    areas, overlaps = partition(paint(shapes, dark, owners, budget), budget)
    for kept, lost, area in overlaps:
        if area > SLIVER:
            state.note(
                f"Nets {quoted(names[kept])} and {quoted(names[lost])} overlap by {square_millimetres(area)}; "
                f"it was given to {quoted(names[kept])}."
            )
    ties = tuple(tag.nets for tag in tags if len(tag.nets) > 1)
    for nets in ties:
        state.note(
            f"One object is said to belong to {len(nets)} nets, {', '.join(map(quoted, nets))}; the first has it."
        )
    strokes, widths, functions = centre_lines(items, state.shapes)
    flashes = []
    pads = []
    for item, shape in zip(items, shapes, strict=True):
        if item.kind != "flash" or not item.dark:
            continue
        diameter = state.shapes.diameter[item.shape]
        if diameter:
            flashes.append((item.x, item.y, diameter, state.shapes.function[item.shape]))
        tag = tags[item.tag]
        if tag.pin:
            refdes, pin, function = (*tag.pin, "", "")[:3]
            net = tag.nets[0] if tag.nets else ""
            pads.append(Pad(refdes=refdes, pin=pin, function=function, net=net, at=(item.x, item.y), shape=shape))
    return Artwork(
        file=file,
        attributes=dict(state.attributes.file),
        negative=_negative(state, budget),
        nets={names[owner]: area for owner, area in sorted(areas.items())},
        pads=tuple(pads),
        strokes=strokes,
        flashes=tuple(flashes),
        notes=tuple(text if count == 1 else f"{text} ({count} times)" for text, count in state.notes.items()),
        stroke_widths=widths,
        stroke_functions=functions,
        ties=ties,
    )


def _placed(items: list[Item], built: NDArray[np.object_], budget: Budget) -> NDArray[np.object_]:
    """All shapes where they belong, in order."""
    numbers = np.array([item.shape for item in items], dtype=np.int64)
    shift = np.array([(item.x, item.y) for item in items], dtype=float).reshape(-1, 2)
    shapes = built[numbers] if len(items) else np.empty(0, dtype=object)
    budget.vertices(int(shapely.get_num_coordinates(shapes).sum()))
    moved = np.flatnonzero(shift.any(axis=1))
    if len(moved):
        points, owner = shapely.get_coordinates(shapes[moved], return_index=True)
        shapes[moved] = shapely.set_coordinates(shapes[moved], points + shift[moved][owner])
    # Corners closer together than a coordinate's rounding cross when they are moved.
    broken = ~shapely.is_valid(shapes)
    shapes[broken] = shapely.make_valid(shapes[broken], method="structure", keep_collapsed=False)
    if np.nanmax(np.abs(shapely.bounds(shapes)), initial=0.0) > FARTHEST:
        raise FabricationError(
            budget.file, f"something is drawn more than {FARTHEST:g} m away. Check the unit, scale and number format."
        )
    return shapes


def _owners(tags: list[Tag], tag_of: NDArray[np.int64]) -> tuple[list[str], NDArray[np.int64]]:
    """Names in order of appearance, that of no net last, and for each object the place of its name among them."""
    used = [tags[tag].nets[0] for tag in dict.fromkeys(tag_of.tolist()) if tags[tag].nets]
    names = [*dict.fromkeys(used), ""]
    place = {name: i for i, name in enumerate(names)}
    owner_of_tag = np.array([place.get(tag.nets[0] if tag.nets else "", -1) for tag in tags], dtype=np.int64)
    return names, owner_of_tag[tag_of]


def _negative(state: State, budget: Budget) -> bool:
    """Whether what is drawn is not copper."""
    said = state.attributes.file.get("FilePolarity", ("Positive",))[0].strip().lower()
    if said not in ("positive", "negative"):
        raise FabricationError(budget.file, f"FilePolarity {quoted(said)}; it must be Positive or Negative. Repair it.")
    if state.inverted and said == "negative":
        raise FabricationError(
            budget.file,
            "declared negative twice, by IPNEG and by FilePolarity; whether that cancels is not defined. "
            "Write the file again with one of them.",
        )
    return state.inverted or said == "negative"
