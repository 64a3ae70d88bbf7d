"""Extended commands of a Gerber image: those between percent signs."""

from __future__ import annotations

import re
from collections.abc import Callable

from returnflow_geometry.fabrication.base.budget import quoted
from returnflow_geometry.fabrication.gerber.apertures import FIRST_CODE, read_aperture
from returnflow_geometry.fabrication.gerber.macros import parse_macro
from returnflow_geometry.fabrication.gerber.number_format import REACH, decimal
from returnflow_geometry.fabrication.gerber.operations import function_of
from returnflow_geometry.fabrication.gerber.placed_shapes import matrix_of
from returnflow_geometry.fabrication.gerber.state import Frame, State

_REPEAT = re.compile(r"SR(?:X(\d{1,9}))?(?:Y(\d{1,9}))?(?:I([+-]?[\d.]+))?(?:J([+-]?[\d.]+))?\Z")
_BLOCK = re.compile(r"ABD(\d{1,9})\Z")
_PAIR = re.compile(r"[A-Z]{2}(?:A([+-]?[\d.]+))?(?:B([+-]?[\d.]+))?\Z")

_INSIDE_REGION = ("AB", "SR", "LP", "LM", "LR", "LS")  # not allowed between G36 and G37


def extended(state: State, text: str) -> None:
    """
    Take one extended command.

    Raises
    ------
    ValueError
        With what was given, the rule and what to do.
    """
    name = text[:2]
    if name not in COMMANDS:
        message = f"%{quoted(text)}% is not a command of this format; it might change the copper. Repair it."
        raise ValueError(message)
    if state.contour is not None and name in _INSIDE_REGION:
        message = f"{name} inside a region (between G36 and G37), where it is not allowed. Move it before G36."
        raise ValueError(message)
    COMMANDS[name](state, text if name in ("TF", "TA", "TO", "TD", "AM") else "".join(text.split()))


def _format(state: State, text: str) -> None:
    state.numbers.declare_format(text)


def _unit(state: State, text: str) -> None:
    state.numbers.declare_unit(text[2:])


def _aperture(state: State, text: str) -> None:
    aperture = read_aperture(text, state.macros, state.numbers, state.budget)
    state.budget.objects()
    _free(state, aperture.code)
    shape = state.shapes.fixed(aperture.shape, aperture.diameter, function_of(state))
    state.apertures[aperture.code] = shape
    if aperture.standard:
        state.standard.add(shape)


def _free(state: State, code: int) -> None:
    """Forget an aperture number that is defined a second time."""
    if state.apertures.pop(code, None) is not None or state.blocks.pop(code, None) is not None:
        state.note(f"Aperture D{code} is defined twice; each definition holds for what follows it.")


def _macro(state: State, text: str) -> None:
    macro = parse_macro(text, state.budget.limits.depth)
    state.budget.objects(1 + len(macro.statements))
    state.macros[macro.name] = macro


def _block(state: State, text: str) -> None:
    if text == "AB":
        state.close_repeat()
        frame = state.frames[-1]
        if not frame.code:
            message = "AB closes a block aperture, but none is open. Repair it."
            raise ValueError(message)
        state.frames.pop()
        _free(state, frame.code)
        state.blocks[frame.code] = frame.items
        return
    found = _BLOCK.match(text)
    if found is None or int(found.group(1)) < FIRST_CODE:
        message = f"{quoted(text)}; expected for instance ABD12. Repair it."
        raise ValueError(message)
    _deeper(state, Frame(code=int(found.group(1))))


def _deeper(state: State, frame: Frame) -> None:
    if len(state.frames) > state.budget.limits.depth:
        message = f"more than {state.budget.limits.depth} blocks inside each other. Raise the limit if it is meant."
        raise ValueError(message)
    state.frames.append(frame)


def _repeat(state: State, text: str) -> None:
    found = _REPEAT.match(text)
    if found is None:
        message = f"{quoted(text)}; expected for instance SRX2Y3I5.0J4.0. Repair it."
        raise ValueError(message)
    state.close_repeat()
    x, y, i, j = found.groups()
    copies = (int(x or 1), int(y or 1))
    if 0 in copies:
        message = f"{quoted(text)} repeats zero times; X and Y must be at least 1. Repair it."
        raise ValueError(message)
    if copies == (1, 1):
        return
    for count, step, letter in ((copies[0], i, "I"), (copies[1], j, "J")):
        if count > 1 and step is None:
            message = f"{quoted(text)} repeats without a step {letter}. Repair it."
            raise ValueError(message)
    steps = (state.numbers.length(decimal(i or "0")), state.numbers.length(decimal(j or "0")))
    for count, length in zip(copies, steps, strict=True):
        if (count - 1) * abs(length) > REACH:
            message = f"{quoted(text)} reaches farther than {REACH:g} m. Check the unit and the numbers."
            raise ValueError(message)
    _deeper(state, Frame(copies=copies, step=steps))


def _polarity(state: State, text: str) -> None:
    if text not in ("LPD", "LPC"):
        message = f"polarity {quoted(text[2:])}; it must be D or C. Repair it."
        raise ValueError(message)
    state.dark = text == "LPD"


def _mirror(state: State, text: str) -> None:
    if text[2:] not in ("N", "X", "Y", "XY"):
        message = f"mirroring {quoted(text[2:])}; it must be N, X, Y or XY. Repair it."
        raise ValueError(message)
    state.mirror = text[2:]
    state.matrix = matrix_of(state.mirror, state.rotation, state.scale)


def _rotation(state: State, text: str) -> None:
    state.rotation = decimal(text[2:])
    state.matrix = matrix_of(state.mirror, state.rotation, state.scale)


def _scale(state: State, text: str) -> None:
    scale = decimal(text[2:])
    if not 1e-6 <= scale <= 1e6:
        message = f"scale {scale:g}; it must be greater than 0 (and within 1e-6 to 1e6). Repair it."
        raise ValueError(message)
    state.scale = scale
    state.matrix = matrix_of(state.mirror, state.rotation, state.scale)


def _image_polarity(state: State, text: str) -> None:
    if text not in ("IPPOS", "IPNEG"):
        message = f"image polarity {quoted(text[2:])}; it must be POS or NEG. Repair it."
        raise ValueError(message)
    state.inverted = text == "IPNEG"
    if state.inverted:
        state.note("The image is declared negative by the old IPNEG: copper is where nothing is drawn.")


def _attribute(state: State, text: str) -> None:
    state.attribute(text)


def _name(_: State, __: str) -> None:
    """Names change nothing."""


def _only(value: float, meaning: str) -> Callable[[State, str], None]:
    """Old image commands A..B..: accepted where they change nothing."""

    def check(_: State, text: str) -> None:
        found = _PAIR.match(text)
        values = [decimal(field) for field in (found.groups() if found else ()) if field is not None]
        if found is None or any(given != value for given in values):
            message = (
                f"{quoted(text)} {meaning} the whole image, a form no longer in use that is not read. "
                "Write the file again without it."
            )
            raise ValueError(message)

    return check


def _exactly(allowed: tuple[str, ...], meaning: str) -> Callable[[State, str], None]:
    def check(_: State, text: str) -> None:
        if text not in allowed:
            message = f"{quoted(text)} {meaning}, which is not read. Write the file again without it."
            raise ValueError(message)

    return check


COMMANDS: dict[str, Callable[[State, str], None]] = {
    "FS": _format,
    "MO": _unit,
    "AD": _aperture,
    "AM": _macro,
    "AB": _block,
    "SR": _repeat,
    "LP": _polarity,
    "LM": _mirror,
    "LR": _rotation,
    "LS": _scale,
    "TF": _attribute,
    "TA": _attribute,
    "TO": _attribute,
    "TD": _attribute,
    "LN": _name,
    "IN": _name,
    "PF": _name,
    "IP": _image_polarity,
    "MI": _only(0.0, "mirrors"),
    "OF": _only(0.0, "shifts"),
    "SF": _only(1.0, "scales"),
    "IO": _only(0.0, "shifts"),
    "AS": _exactly(("ASAXBY",), "swaps the axes, a form no longer in use"),
    "IR": _exactly(("IR0",), "turns the whole image, a form no longer in use"),
    "IJ": _exactly((), "shifts the whole image, a form no longer in use"),
    "KO": _exactly(("KO",), "knocks out an area, a form no longer in use"),
    "IF": _exactly((), "includes another file"),
}
