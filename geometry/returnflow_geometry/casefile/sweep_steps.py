"""Sweeps of a case: one or two quantities changed step by step, each step read by the same reader as the case."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

from returnflow_geometry.casefile.addresses import Draft, Target, find, find_key
from returnflow_geometry.casefile.builder import Reading, read_tables
from returnflow_geometry.casefile.edits import Edit
from returnflow_geometry.casefile.motion import MOVABLE
from returnflow_geometry.casefile.reader import Entry
from returnflow_geometry.keys.quantities import MAX_STEPS, Quantity
from returnflow_geometry.model.board import Axis, Case, Step, Sweep
from returnflow_geometry.model.wording import label

LEAST_STEPS = 2
MAX_REPORTED = 3  # steps that cannot be built, of one sweep
SYMBOLS = {"um": "µm", "C": "°C", "ohm": "Ω"} | {unit: unit for unit in ("mm", "A", "V", "Hz", "s", "H", "F", "dB")}
LENGTHS = ("rect", "circle", "polygon", "slot", "width", "diameter", "at", "circles", "path")
# Lists of pairs: what one is called, and both numbers of it.
LISTS = {
    **dict.fromkeys(("slot", "polygon", "path"), ("point", ("x", "y"))),
    "circles": ("circle", ("x", "y")),
    "at": ("place", ("x", "y")),
    "spectrum": ("line", ("frequency", "current")),
    "rejection_dB": ("point", ("frequency", "rejection")),
}
# Lists of points, with the units along each.
POINTS = {"spectrum": ("Hz", "A"), "rejection_dB": ("Hz", "dB")}


class Swept(NamedTuple):
    """Sweeps that could be made, mistakes, and sentences about steps that cannot be built."""

    sweeps: tuple[Sweep, ...]
    mistakes: list[str]
    assumptions: list[str]


def read_sweeps(base: Draft, reading: Reading) -> Swept:
    """
    Make and read every step of the sweeps of a case.

    Parameters
    ----------
    base : Draft
        Tables of the case.
    reading : Reading
        What was read of them. If the case has mistakes, only those of the sweeps' own tables are looked for.
    """
    found = Swept((), [], [])
    entries: Sequence[Entry] = reading.values.get("sweep", [])
    sizes = {}
    todo = []
    for entry in entries:
        quantities = entry.fields.values.get("vary")
        if quantities is None:  # and is reported
            continue
        where = label("sweep", entry.name)
        count = math.prod(len(quantity.values) for quantity in quantities)
        sizes[where] = count
        axes = _axes(where, base, quantities, found)
        if count <= MAX_STEPS and axes is not None:
            todo.append((entry.name, quantities, axes))
    if sum(sizes.values()) > MAX_STEPS:
        each = ", ".join(f"{count} of {where}" for where, count in itertools.islice(sizes.items(), 8))
        found.mistakes.append(
            f"[[sweep]]: their steps are {sum(sizes.values())} in all ({each}); at most {MAX_STEPS} are computed; "
            "give fewer steps, or split the file"
        )
    if reading.mistakes or found.mistakes:
        return found
    sweeps = [_sweep(name, base, quantities, axes, found) for name, quantities, axes in todo]
    return found._replace(sweeps=tuple(sweeps))


def _axes(where: str, base: Draft, quantities: Sequence[Quantity], found: Swept) -> tuple[Axis, ...] | None:
    """Axes of a sweep whose addresses are good; else None, and the mistakes are noted."""
    axes: dict[tuple[object, ...], Axis] = {}
    for index, quantity in enumerate(quantities, start=1):
        inner = f"{where}: vary number {index}"
        edit = Edit(base, inner)
        named = _named(edit, base, quantity)
        if named is not None:
            change(edit, quantity, 0)  # whether the way to the key is there
        found.mistakes.extend(edit.mistakes)
        if named is None or not edit.understood:
            continue
        target, way = named
        if (target, *way) in axes:
            found.mistakes.append(
                f"{inner}: {quantity.verb} is that of number 1 again; two quantities must differ; remove one of them"
            )
            continue
        unit = unit_of(way)
        axes[target, *way] = Axis(
            label=axis_label(target, way, unit, quantity.label), unit=unit, values=quantity.values
        )
    return tuple(axes.values()) if len(axes) == len(quantities) else None


def _named(edit: Edit, base: Draft, quantity: Quantity) -> tuple[Target, list[str]] | None:
    spot = edit.spot(f"{quantity.verb} {label('', quantity.address).strip()}")
    if quantity.places is None:
        return find_key(spot, base, quantity.address)
    target = find(spot, base, quantity.address, MOVABLE, "moved")
    return None if target is None else (target, [])


def change(edit: Edit, quantity: Quantity, index: int) -> None:
    """Give a quantity one of its values."""
    if quantity.places is None:
        for address in (quantity.address, *quantity.with_it):
            edit.set(address, quantity.values[index])
    else:
        edit.move(quantity.address, quantity.places[index])


def unit_of(way: Sequence[str]) -> str:
    """
    Unit of a key, as an axis shows it; a thing that is moved has the empty way, and millimetres.

    Examples
    --------
    >>> unit_of(["copper_um"]), unit_of(["shape", "slot", "2", "1"]), unit_of(["spectrum", "3", "2"]), unit_of(["duty"])
    ('µm', 'mm', 'A', '')
    """
    keys = [step for step in way if not step.isdigit()]
    if not keys:
        return "mm"
    last = keys[-1]
    if last in POINTS and way[-1] in ("1", "2"):
        return POINTS[last][int(way[-1]) - 1]
    return "mm" if last in LENGTHS else SYMBOLS.get(last.rpartition("_")[2] if "_" in last else "", "")


def _part_of_list(way: Sequence[str]) -> str:
    """What a number in a list of the file is; empty for what is no part of a list that is known."""
    numbers = [int(step) for step in itertools.takewhile(str.isdigit, reversed(way))][::-1]
    keys = way[: len(way) - len(numbers)]
    if not numbers or not keys or len(numbers) > 2:
        return ""
    key, last = keys[-1], numbers[-1]
    if key == "rect" and len(numbers) == 1 and last <= 4:
        return f"{'xy'[(last - 1) % 2]} of its {'first' if last <= 2 else 'second'} corner"
    if key in ("circle", "at") and len(numbers) == 1 and last <= 2:
        return f"{'xy'[last - 1]} of its {'centre' if key == 'circle' else 'place'}"
    if len(numbers) == 2 and key in LISTS and last <= 2:
        of = f" of {'.'.join(keys)}" if key == "path" and len(keys) > 1 else ""
        return f"{LISTS[key][1][last - 1]} of {LISTS[key][0]} {numbers[0]}{of}"
    return ""


def axis_label(target: Target, way: Sequence[str], unit: str, said: str = "") -> str:
    """
    Quantity and its unit, for the axis of a picture: as the file calls it, or else by its address.

    Examples
    --------
    >>> axis_label(Target("layer", "L2 ground"), ["copper_um"], "µm")
    'L2 ground: copper (µm)'
    >>> axis_label(Target("terminal", "U1.AGND"), [], "mm")
    'U1.AGND: distance along its way (mm)'
    >>> axis_label(Target("bridge", "B1"), ["shape", "width"], "mm", "width of the bridge")
    'width of the bridge (mm)'
    >>> axis_label(Target("cutout", "slot"), ["shape", "slot", "2", "2"], "mm")
    'slot: y of point 2 (mm)'
    >>> axis_label(Target("loop", "pump"), ["route", "1", "path", "3", "1"], "mm")
    'pump: x of point 3 of route.1.path (mm)'
    """
    steps = [step.rpartition("_")[0] if step.rpartition("_")[2] in SYMBOLS else step for step in way]
    plain = ".".join(step or way[index] for index, step in enumerate(steps)) or "distance along its way"
    what = _part_of_list(way) or plain
    if unit and said.endswith((f", {unit}", f"({unit})", f" in {unit}")):
        return said  # it names its unit
    return (said or f"{target.name}: {what.removeprefix('shape.')}") + (f" ({unit})" if unit else "")


def _sweep(name: str, base: Draft, quantities: Sequence[Quantity], axes: tuple[Axis, ...], found: Swept) -> Sweep:
    steps: list[Step] = []
    failed: list[str] = []
    for at in itertools.product(*(range(len(quantity.values)) for quantity in quantities)):
        edit = Edit(base, "")
        for quantity, index in zip(quantities, at, strict=True):
            change(edit, quantity, index)
        edit.settle()
        step = read_tables(edit.draft.raw)
        mistakes = [*edit.mistakes, *step.mistakes]
        case: Case | None = None if mistakes else step.case
        steps.append(Step(at=at, case=case))
        if mistakes:
            where = ", ".join(f"{axis.label} = {axis.values[index]:g}" for axis, index in zip(axes, at, strict=True))
            failed.append(f"at {where}, {'; '.join(mistakes[0].split('; ')[:2])}")
    good = len(steps) - len(failed)
    if good < LEAST_STEPS:
        found.mistakes.append(
            f"{label('sweep', name)}: only {good} of its {len(steps)} steps can be built ({failed[0]}); a sweep needs "
            f"at least {LEAST_STEPS}; correct the values, or the way"
        )
    elif failed:
        shown = ". ".join(f"A{reason[1:]}" for reason in failed[:MAX_REPORTED])
        more = f". And {len(failed) - MAX_REPORTED} more" if len(failed) > MAX_REPORTED else ""
        found.assumptions.append(
            f"{label('Sweep', name)}: {len(failed)} of its {len(steps)} steps cannot be built. {shown}{more}."
        )
    return Sweep(name=name, axes=axes, steps=tuple(steps))
