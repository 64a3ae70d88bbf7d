"""Values that a case may have and hardly means: taken as given, and said."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import shapely
from shapely import LineString, MultiPoint

from returnflow_geometry.keys.currents import line_frequencies
from returnflow_geometry.model.board import Case, Link, Loop, Shape
from returnflow_geometry.model.numbers import engineering, mm
from returnflow_geometry.model.wording import label, named

# Common practice, no source: foil from 5 um to 12 oz per square foot, films of buried capacitors, thick single cores.
FOIL = (5e-6, 420e-6)  # m
DIELECTRIC = (8e-6, 6.5e-3)  # m
WARMTH = (-100.0, 260.0)  # degree Celsius
MOST_CURRENT = 100.0  # A: more is carried by bars
LEAST_NOISE = 1e-9  # V rms: what 50 ohm make in 1 Hz at room temperature, sqrt(4 k T R), is 0.9 nV
PLATING = 60e-6  # m: walls of holes have 18 to 25 um, heavy ones twice as much
MOST_INDUCTANCE = 0.1  # H: the largest chokes that are put on boards
MOST_CAPACITANCE = 0.1  # F: above are double-layer capacitors
FAR = 20e-3  # m: parts are rarely longer
WIRE = 0.2e-6  # H/m: a straight wire has two to five times as much


def warnings(case: Case) -> Iterator[str]:
    """
    Say which values of a case are allowed and hardly meant, one sentence each.

    Examples
    --------
    >>> from returnflow_geometry.model.board import Board, Layer
    >>> board = Board(
    ...     outline=shapely.box(0, 0, 1, 1), temperature=25, layers=(Layer(name="L1", thickness=1e-6),), coppers=()
    ... )
    >>> next(warnings(Case(title="demo", board=board, loops=())))
    'layer "L1": copper_um is 1; copper foil has 5 to 420 um; check the value and its unit.'
    """
    if not WARMTH[0] <= case.board.temperature <= WARMTH[1]:
        rule = f"boards are used from {WARMTH[0]:g} to {WARMTH[1]:g} °C"
        yield f"[board]: temperature_C is {case.board.temperature:g}; {rule}; {_CHECK}"
    layers = case.board.layers
    for n, layer in enumerate(layers):
        where = label("layer", layer.name)
        mounted = layer.off_board or (n + 1 < len(layers) and layers[n + 1].off_board)  # sheet metal, and air
        if not layer.off_board and not FOIL[0] <= layer.thickness <= FOIL[1]:
            has = f"{1e6 * FOIL[0]:g} to {1e6 * FOIL[1]:g} um"
            yield f"{where}: copper_um is {1e6 * layer.thickness:g}; copper foil has {has}; {_CHECK}"
        if layer.below is not None and not mounted and not DIELECTRIC[0] <= layer.below <= DIELECTRIC[1]:
            has = f"{mm(DIELECTRIC[0])} to {mm(DIELECTRIC[1])} mm"
            yield f"{where}: below_mm is {mm(layer.below)}; a dielectric has {has}; {_CHECK}"
    shapes = {terminal.name: terminal.shape for terminal in case.board.terminals}
    for link in case.board.links:
        yield from _of_link(shapes, link)
    for loop in case.loops:
        yield from _of_loop(loop)
    yield from _deaf(case)
    yield from _crossings(case)


_CHECK = "check the value and its unit."


def thick_platings(given: Iterable[tuple[str, float]]) -> Iterator[str]:
    """
    Say which platings are thicker than walls of holes are.

    Parameters
    ----------
    given : iterable of (str, float)
        How messages call what has it, and its metres.

    Examples
    --------
    >>> list(thick_platings([('vias "stitch"', 25e-6), ('vias "heat"', 200e-6)]))
    ['vias "heat": plating_um is 200; walls of holes have up to 60 um; check the value and its unit.']
    """
    for where, plating in given:
        if plating > PLATING:
            rule = f"walls of holes have up to {1e6 * PLATING:g} um"
            yield f"{where}: plating_um is {1e6 * plating:g}; {rule}; {_CHECK}"


def _of_loop(loop: Loop) -> Iterator[str]:
    where, lines = label("loop", loop.name), loop.spectrum or ()
    given = {"current_A": loop.current or 0.0, "a line of spectrum": max((amps for _, amps in lines), default=0.0)}
    if loop.trapezoid is not None:
        given["trapezoid.swing_A"] = loop.trapezoid.swing
        given["trapezoid.mean_A"] = abs(loop.trapezoid.mean)
    key = max(given, key=lambda each: given[each])
    if given[key] > MOST_CURRENT:
        yield f"{where}: {key} is {given[key]:g}; boards carry up to {MOST_CURRENT:g} A; {_CHECK}"
    tolerates = loop.supply.tolerates if loop.supply is not None else loop.tolerates
    if tolerates is not None and tolerates < LEAST_NOISE:
        rule = f"the heat of 50 ohm makes {1e9 * LEAST_NOISE:g} nV in 1 Hz"
        yield f"{where}: tolerates_V is {tolerates:g}; {rule}; {_CHECK}"


def _deaf(case: Case) -> Iterator[str]:
    """Loops with a band that begins above every line of all noisy loops: nothing can be in it."""
    lines = [line_frequencies(loop) for loop in case.loops if loop.role == "noisy"]
    known = [each for each in lines if each]
    if not known or len(known) < len(lines):  # what has no frequency is taken as in every band
        return
    top = max(each[-1] for each in known)
    for loop in case.loops:
        if loop.role != "noisy" and loop.radiates is None and loop.band is not None and loop.band[0] > top:
            starts, ends = engineering(loop.band[0], "Hz"), engineering(top, "Hz")
            rule = f"no noisy loop has a line above {ends}, so that nothing is in the band"
            yield f"{label('loop', loop.name)}: band_Hz begins at {starts}; {rule}; check both."


def _crossings(case: Case) -> Iterator[str]:
    """Outgoing conductors of two loops that cross on one layer, away from where either ends: that would be a short."""
    legs = [
        (loop.name, leg, LineString(leg.path))
        for loop in case.loops
        if loop.route is not None
        for leg in loop.route.legs or (loop.route,)
    ]
    if not legs:
        return
    lines, seen = [line for *_, line in legs], set()
    # Boards from fabrication data have thousands of them.
    pairs = shapely.STRtree(lines).query(lines, predicate="intersects").T.tolist()
    for (one, leg, line), (other, there, beside) in ((legs[a], legs[b]) for a, b in sorted(pairs) if a < b):
        if one == other or leg.layer != there.layer or (one, other) in seen:
            continue
        ends = shapely.MultiPoint([leg.path[0], leg.path[-1], there.path[0], there.path[-1]])
        met = shapely.difference(_points(line, beside), ends.buffer(max(leg.width, there.width)))
        if not met.is_empty:
            seen.add((one, other))
            x, y = met.representative_point().coords[0]
            yield (
                f"{label('loop', one)}: its route crosses that of {named(other)} on layer {named(leg.layer)} at "
                f"({mm(x)}, {mm(y)}) mm; two conductors of one layer that cross are one; lead one over another layer."
            )


def _points(line: LineString, beside: LineString) -> MultiPoint:
    """Where two lines meet in a point: along a stretch that both have they are one conductor, drawn twice."""
    common = shapely.get_parts(shapely.intersection(line, beside))
    return shapely.multipoints(common[shapely.get_dimensions(common) == 0])


def _of_link(shapes: Mapping[str, Shape], link: Link) -> Iterator[str]:
    where = label("link", link.name)
    if link.inductance > MOST_INDUCTANCE:
        rule = f"a via has about 1e-9 H per mm of its length, and chokes on boards up to {MOST_INDUCTANCE:g} H"
        yield f"{where}: inductance_H is {link.inductance:g}; {rule}; {_CHECK}"
    if link.capacitance is not None and link.capacitance > MOST_CAPACITANCE:
        rule = f"capacitors on boards have up to {MOST_CAPACITANCE:g} F"
        yield f"{where}: capacitance_F is {link.capacitance:g}; {rule}; {_CHECK}"
    if all(end in shapes for end in link.between):
        apart = shapely.distance(*(shapes[end] for end in link.between))
        if apart > FAR and link.inductance < WIRE * apart:
            rule = f"a via has both at one place, and a wire as long about {1e3 * apart:.0f} nH"
            advice = "check its terminals, or give the wire's inductance_H."
            yield f"{where}: its ends lie {mm(apart)} mm apart; {rule}; {advice}"
