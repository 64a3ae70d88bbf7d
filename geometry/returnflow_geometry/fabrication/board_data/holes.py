"""Holes of all drill files: which reading of their numbers fits the copper, from image files, without doubles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import STRtree

from returnflow_geometry.fabrication.base.objects import (
    CHORD,
    Artwork,
    Drilling,
    FabricationError,
    Hole,
    LayerCopper,
    Plating,
)
from returnflow_geometry.fabrication.copper.connectivity import axis, reaches
from returnflow_geometry.model.numbers import percent

LEAST_HITS = 0.9  # share of plated holes that must meet copper
FEW_HITS = 0.5  # less than this, and the file belongs to another board or another origin
ENOUGH = 10  # holes: fewer say nothing about the format
SAME = 1e-6  # m
NEAR = 20e-6  # m: rounding of netlists, and of drill files with few digits


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """Holes of one drill file, the share of its plated ones that meet copper (None without such), and remarks."""

    holes: tuple[Hole, ...]
    rate: float | None
    notes: tuple[str, ...] = ()


def fitting(
    drilling: Drilling,
    layers: Sequence[LayerCopper],
    contradictions: list[str],
    places: Sequence[tuple[float, float]] = (),
) -> Fitted:
    """
    Holes of a drill file; of several possible readings the one that fits the copper.

    Where planes take every reading, the one counts that puts most holes on `places`: centres of pads, and where a
    netlist says that a hole is (m).

    Raises
    ------
    FabricationError
        If the file does not declare its numbers and no reading, or more than one, brings nine of ten plated holes onto
        copper; or if it does and most of the holes miss it.
    """
    if not drilling.undecided:
        rate = hit_rate(drilling.holes, layers)
        if rate is not None and rate < LEAST_HITS:
            said = f"only {percent(rate)} of its plated holes meet copper"
            if rate < FEW_HITS and len(drilling.holes) >= ENOUGH:
                message = f"{said}; holes belong on pads; check that its origin and unit are those of the image files"
                raise FabricationError(drilling.file, message)
            contradictions.append(f"{drilling.file}: {said}")
        return Fitted(holes=drilling.holes, rate=rate)
    rates = {name: hit_rate(holes, layers) for name, holes in drilling.undecided.items()}
    known = {name: rate for name, rate in rates.items() if rate is not None}
    tried = ", ".join(f"{name}: {percent(rate)}" for name, rate in known.items())
    best = max(known, key=lambda name: known[name], default=None)
    if best is None:
        message = (
            "does not declare its number format, and has no plated holes to tell it by; state the format in the file"
        )
        raise FabricationError(drilling.file, message)
    good = [name for name, rate in known.items() if rate >= min(LEAST_HITS, known[best])]
    placed = {name: _placed(drilling.undecided[name], places) for name in good}
    best = max(good, key=lambda name: (placed[name], known[name]))
    rivals = [
        name
        for name in good
        if (placed[name], known[name]) == (placed[best], known[best])
        and not _same(drilling.undecided[name], drilling.undecided[best])
    ]
    if known[best] < LEAST_HITS or rivals:
        message = (
            f"does not declare its number format; holes on copper by reading: {tried}; one reading must bring "
            f"{percent(LEAST_HITS)} of them onto copper, and no other as many; state the format in the file"
        )
        raise FabricationError(drilling.file, message)
    note = f"{drilling.file}: its number format is not declared; read as {best}, holes on copper by reading: {tried}."
    return Fitted(holes=drilling.undecided[best], rate=known[best], notes=(note,))


def hit_rate(holes: Sequence[Hole], layers: Sequence[LayerCopper]) -> float | None:
    """Share of the holes not said to be unplated that meet copper on some layer they pass; None if there are none."""
    plated = [hole for hole in holes if hole.plating != "unplated"]
    if not plated:
        return None
    hit = np.zeros(len(plated), dtype=bool)
    axes = np.array([axis(hole) for hole in plated], dtype=object)
    sizes: dict[float, list[int]] = {}
    for k, hole in enumerate(plated):
        sizes.setdefault(hole.diameter, []).append(k)
    for number, layer in enumerate(layers):
        areas = np.array([part for area in layer.nets.values() for part in shapely.get_parts(area)], dtype=object)
        if not len(areas):
            continue
        shapely.prepare(areas)
        for size, members in sizes.items():
            left = [k for k in members if not hit[k] and reaches(plated[k], number)]
            if left:
                found = STRtree(axes[left]).query(areas, predicate="dwithin", distance=size / 2 + CHORD)
                hit[np.array(left)[found[1]]] = True
    return float(hit.mean())


def _placed(holes: Sequence[Hole], places: Sequence[tuple[float, float]]) -> float:
    """Share of the holes whose centre is at one of the places, in steps of a tenth: a few more or less say nothing."""
    if not places or not holes:
        return 0.0
    tree = STRtree(shapely.points(places))
    found = tree.query([shapely.centroid(axis(hole)) for hole in holes], predicate="dwithin", distance=NEAR)
    return round(10 * len(np.unique(found[0])) / len(holes)) / 10


def drilled_images(image: Artwork, function: tuple[str, ...]) -> Drilling:
    """
    Holes from an image file whose function is holes: each round flash is one, each round stroke a slot.

    `function` is such as ``("Plated", "1", "4", "PTH")``; without it nothing is known about plating and layers.
    """
    word = function[0].strip().lower() if function else ""
    plating: Plating = "plated" if word == "plated" else "unplated" if word == "nonplated" else "unknown"
    numbers = [int(item) for item in function[1:3] if item.strip().isdigit() and len(item) < 4]
    span = (min(numbers), max(numbers)) if len(numbers) == 2 else None
    holes = [
        Hole(path=np.array([[x, y]]), diameter=diameter, plating=plating, span=span)
        for x, y, diameter, _ in image.flashes
    ]
    holes += [
        Hole(path=stroke, diameter=width, plating=plating, span=span)
        for stroke, width in zip(image.strokes, image.stroke_widths, strict=False)
        if width > 0 and len(stroke) > 1
    ]
    return Drilling(file=image.file, attributes=image.attributes, holes=tuple(holes))


def without_doubles(files: Sequence[Sequence[Hole]], notes: list[str]) -> tuple[Hole, ...]:
    """All holes; one that a later file repeats at the same place and of the same diameter is left out."""
    seen: set[tuple[object, ...]] = set()
    kept: list[Hole] = []
    doubled = 0
    for holes in files:
        own = []
        for hole in holes:
            key = (
                tuple(np.round(hole.path / SAME).astype(np.int64).ravel().tolist()),
                round(hole.diameter / SAME),
                hole.span,
            )
            if key in seen:
                doubled += 1
            else:
                kept.append(hole)
            own.append(key)
        seen.update(own)
    if doubled:
        notes.append(f"{doubled} holes are in more than one drill file and count once.")
    return tuple(kept)


def _same(one: Sequence[Hole], other: Sequence[Hole]) -> bool:
    return len(one) == len(other) and all(
        a.path.shape == b.path.shape and np.allclose(a.path, b.path, atol=SAME) and abs(a.diameter - b.diameter) < SAME
        for a, b in zip(one, other, strict=True)
    )
