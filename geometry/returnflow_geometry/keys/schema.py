"""The keys of a case file: one table per kind of thing, from which both the reader and its messages work."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from returnflow_geometry.keys import (
    changes,
    currents,
    drawn_shapes,
    lessons,
    link_table,
    outgoing,
    quantities,
    radiation_table,
    rejection,
)
from returnflow_geometry.keys.reading import (
    Key,
    Spot,
    as_number,
    choice,
    number,
    read_flag,
    read_name,
    read_table,
    read_text,
    read_whole,
    reference,
    references,
)
from returnflow_geometry.model.board import ROLES
from returnflow_geometry.model.material import COLDEST
from returnflow_geometry.model.numbers import MM
from returnflow_geometry.model.wording import listed, show

UM = 1e6  # micrometres per metre
LOSS_TANGENT = 0.02  # of usual laminate (common practice), where the file gives a permittivity and no loss
MOST_VIAS = 10_000  # of one table
MOST_CAPACITORS = 500  # of one table


class Ways(NamedTuple):
    """Ways to give a thing: the keys of exactly one of them are given, of which the optional ones may be left out."""

    verb: str
    keys: tuple[tuple[str, ...], ...]
    optional: tuple[str, ...] = ()

    def needed(self, way: tuple[str, ...]) -> tuple[str, ...]:
        """Keys of one way that must be there."""
        return tuple(key for key in way if key not in self.optional)

    @property
    def rule(self) -> str:
        """The ways as a message names them."""
        each = []
        for way in self.keys:
            extra = [key for key in way if key in self.optional]
            each.append(" with ".join(self.needed(way)) + (f" (and perhaps {', '.join(extra)})" if extra else ""))
        return f"{self.verb} {' or '.join(each)}"


def _inline(name: str, example: str, build: Callable[[Spot, Mapping[str, Any]], Any]) -> Callable[[Spot, object], Any]:
    """Make a reader of a table inside a table, such as a loop's route; `build` makes a thing of its good values."""

    def read(spot: Spot, value: object) -> Any:
        if not isinstance(value, dict):
            spot.wrong(f"is {show(value)}", "must be a table", f"write {example}")
            return None
        before = len(spot.book.mistakes)
        fields = read_table(spot.book, f"{spot.where}.", value, INLINE[name])
        # A bad reference may be no mistake of its own, when what it names is reported already.
        good = len(spot.book.mistakes) == before and not fields.bad
        return build(spot, fields.values) if good else None

    return read


def _read_band(spot: Spot, value: object) -> tuple[float, float] | None:
    numbers = [as_number(item) for item in value] if isinstance(value, list) else []
    good = [item for item in numbers if item is not None and item >= 0]
    if len(numbers) != 2 or len(good) != 2 or not good[0] <= good[1]:
        spot.wrong(
            f"is {show(value)}",
            "must be [low, high], two numbers in hertz, at least 0 and rising",
            "write it as [low, high]",
        )
        return None
    return (good[0], good[1])


def _read_route(spot: Spot, value: object) -> Any:
    if value == "auto" or (isinstance(value, dict) and "auto" in value):
        rule = "a way is found on fabrication data, and the case names none as its source"
        spot.wrong(f"is {show(value)}", rule, "draw it as { layer, path, width_mm }, or as a list of these")
        return None
    one = _inline("route", '{ layer = "L1", path = [[x, y], ...], width_mm = w }', outgoing.build_route)
    if not isinstance(value, list) or not value:
        return one(spot, value)
    legs = [one(spot.within(f" number {k}"), item) for k, item in enumerate(value, start=1)]
    return None if None in legs else outgoing.build_legs(spot, legs)


def _read_count(spot: Spot, value: object) -> tuple[int, int] | None:
    match value:
        case [int(nx), int(ny)] if not isinstance(nx, bool) and not isinstance(ny, bool) and min(nx, ny) >= 1:
            if nx * ny <= MOST_VIAS:
                return (nx, ny)
    spot.wrong(
        f"is {show(value)}", f"must be two whole numbers, at least 1, of at most {MOST_VIAS} places", "give [nx, ny]"
    )
    return None


# the keys themselves

NAME = Key(read=read_name, required=True, rule="everything needs a name of its own", advice="add a name")
_COPPER = Key(read=reference("copper"), required=True, advice="name the [[copper]] it belongs to")
_COPPERS = Key(
    read=references("copper"), required=True, advice='name the [[copper]] it belongs to, or several as ["A", "B"]'
)
_SHAPE = Key(read=drawn_shapes.read_shape, advice="draw it, such as { rect = [x0, y0, x1, y1] }")
_NEEDED_SHAPE = dataclasses.replace(_SHAPE, required=True)
_OUTLINE = dataclasses.replace(
    _NEEDED_SHAPE, read=drawn_shapes.shape_reader(("rect", "polygon", "circle")), rule="every board needs one"
)
_DIAMETER = Key(read=drawn_shapes.read_extent, advice="give the diameter in millimetres")
NO_RETURN = "every current needs a return path"
_POSITIVE = number(above=0)
CASE_ROLES = (*ROLES, "supply")  # as a case file names them: a supply is a noisy loop of which a device asks something

SINGLE: dict[str, dict[str, Key]] = {
    "board": {
        "outline": _OUTLINE,
        "temperature_C": Key(read=number(above=COLDEST, most=400), advice="give the copper's temperature"),
        "plating_um": Key(read=number(least=1, most=200), advice="give the copper on hole walls of a source"),
        "simplify_um": Key(
            read=number(above=0, most=100), advice="give how far outlines of a source may move to be simpler"
        ),
    },
    "solve": {
        "accuracy": Key(read=number(least=1e-4, most=0.2), advice="give a fraction, such as 0.01"),
        "frequencies_Hz": Key(read=currents.read_frequencies, advice="give a list, such as [0, 1e6]"),
        "via_inductance": Key(read=read_flag, advice="say whether the length of vias and pins counts"),
    },
}
INLINE: dict[str, dict[str, Key]] = {
    "route": {
        "layer": Key(read=reference("layer"), required=True, advice="name the [[layer]] it lies on"),
        "path": Key(
            read=outgoing.read_route_path,
            required=True,
            advice="give its points as [[x, y], [x, y]], from the return end to the inject end",
        ),
        "width_mm": Key(
            read=number(least=drawn_shapes.MIN_FEATURE, most=outgoing.MAX_WIDTH, per=MM),
            advice="give the trace's width",
        ),
    },
    "array": {
        "corner": Key(read=drawn_shapes.read_point, required=True, advice="give the first place as [x, y]"),
        "step": Key(read=drawn_shapes.read_point, required=True, advice="give the steps as [dx, dy] in millimetres"),
        "count": Key(read=_read_count, required=True, advice="give how many there are as [nx, ny]"),
    },
    "trapezoid": {
        "frequency_Hz": Key(
            read=currents.frequency_reader(above=0), required=True, advice="give how often it repeats in a second"
        ),
        "swing_A": Key(
            read=number(above=0, advice="for a current of opposite sign swap inject and return"),
            required=True,
            advice="give the current from low to high",
        ),
        "rise_s": Key(read=number(least=1e-12), required=True, advice="give the time from 0 to 100 % of the swing"),
        "duty": Key(read=number(above=0, below=1), advice="give the part of the period that it is high, such as 0.5"),
        "mean_A": Key(read=number(), advice="give its mean, if it has one"),
        "unipolar": Key(read=currents.read_unipolar, advice="say why it never reverses, as in a resistive load"),
    },
    "radiates": {
        "limit": Key(read=radiation_table.read_limit, required=True, advice="name one of the limits"),
        "distance_m": Key(
            read=number(least=1, most=30), required=True, advice="give the distance of the antenna that measures"
        ),
        "cable_length_m": Key(
            read=number(least=0.05, most=100), required=True, advice="give the length of the longer cable"
        ),
        "cable_diameter_mm": Key(read=number(least=0.1, most=100, per=MM), advice="give the cable's diameter"),
    },
}
KEYS: dict[str, dict[str, Key]] = {
    "layer": {
        "name": NAME,
        "copper_um": Key(
            read=number(least=0.1, most=5000, per=UM), required=True, advice="give the copper's thickness"
        ),
        "below_mm": Key(
            read=number(least=0.001, most=1000, per=MM),
            required=True,
            rule="every layer but the last needs it",
            advice="give the thickness of the dielectric to the next layer",
        ),
        "permittivity": Key(read=number(least=1, most=1000), advice="give that of the dielectric below, such as 4.3"),
        "off_board": Key(read=read_flag, advice="say whether it is no part of the board, but of what it is mounted in"),
        "loss_tangent": Key(read=number(least=0, below=1), advice="give the loss tangent of the dielectric below"),
    },
    "copper": {
        "name": NAME,
        "layer": Key(read=reference("layer"), required=True, advice="name the [[layer]] it lies on"),
        "shape": _SHAPE,
    },
    "cutout": {
        "name": NAME,
        "copper": _COPPERS,
        "shape": _SHAPE,
        "circles": Key(read=drawn_shapes.read_centres, advice="give their centres as [[x, y], ...]"),
        "diameter_mm": _DIAMETER,
    },
    "bridge": {"name": NAME, "copper": _COPPERS, "shape": _NEEDED_SHAPE},
    "terminal": {
        "name": NAME,
        "copper": _COPPER,
        "at": Key(read=drawn_shapes.read_point, advice="give its centre as [x, y] in millimetres"),
        "diameter_mm": _DIAMETER,
        "shape": _SHAPE,
        "bonded": Key(read=read_text, advice="say why this bond cannot be lifted"),
    },
    "link": {
        "name": NAME,
        "between": Key(
            read=link_table.read_between, required=True, advice='name the two terminals it joins, as ["A", "B"]'
        ),
        "resistance_ohm": Key(read=number(least=0, most=link_table.MOST_OHM), advice="give its resistance"),
        "inductance_H": Key(read=number(least=0, most=link_table.MOST_H), advice="give its inductance"),
        "capacitance_F": Key(
            read=number(least=link_table.LEAST_F, most=link_table.MOST_F), advice="give its capacitance"
        ),
    },
    "vias": {
        "name": NAME,
        "coppers": Key(
            read=references("copper", 2), required=True, advice='name the [[copper]] tables they join, as ["A", "B"]'
        ),
        "at": Key(read=drawn_shapes.read_centres, advice="give their places as [[x, y], ...] in millimetres"),
        "array": Key(
            read=_inline("array", "{ corner = [x, y], step = [dx, dy], count = [nx, ny] }", lambda _, values: values),
            advice="give the first place, the steps along x and y, and how many there are each way",
        ),
        "drill_mm": Key(
            read=number(least=drawn_shapes.MIN_FEATURE, most=10, per=MM),
            required=True,
            advice="give the diameter of the finished holes",
        ),
        "plating_um": Key(read=number(least=1, most=200, per=UM), advice="give the copper on their walls"),
    },
    "bank": {
        "name": NAME,
        "coppers": Key(
            read=references("copper", 2), required=True, advice='name the two [[copper]] they join, as ["A", "B"]'
        ),
        "at": Key(read=drawn_shapes.read_centres, advice="give their places as [[x, y], ...] in millimetres"),
        "pins": Key(read=references("terminal"), advice="name the terminals that each gets one beside"),
        "everywhere": Key(read=read_whole(1, MOST_CAPACITORS), advice="give how many are spread over the coppers"),
        "capacitance_F": Key(
            read=number(least=link_table.LEAST_F, most=link_table.MOST_F),
            required=True,
            advice="give the capacitance of each",
        ),
        "resistance_ohm": Key(read=number(least=0, most=link_table.MOST_OHM), advice="give the resistance of each"),
        "inductance_H": Key(read=number(least=0, most=link_table.MOST_H), advice="give the inductance of the part"),
        "mounting_H": Key(
            read=number(least=0, most=link_table.MOST_H), advice="give the inductance of its pads, traces and vias"
        ),
        "via_mm": Key(
            read=number(least=drawn_shapes.MIN_FEATURE, most=10, per=MM), advice="give the diameter of its vias"
        ),
    },
    "loop": {
        "name": NAME,
        "role": Key(read=choice(CASE_ROLES), required=True, advice=f"give one of {listed(CASE_ROLES)}"),
        "inject": Key(
            read=reference("terminal"),
            required=True,
            rule=NO_RETURN,
            advice="name the terminal where the return current enters the copper",
        ),
        "return": Key(
            read=reference("terminal"),
            required=True,
            rule=NO_RETURN,
            advice="name the terminal where the return current leaves the copper",
        ),
        "route": Key(
            read=_read_route,
            advice="give the layer and path of its outgoing conductor",
        ),
    },
    "region": {"name": NAME, "copper": _COPPER, "shape": _NEEDED_SHAPE},
    "section": {
        "name": NAME,
        "copper": _COPPER,
        "path": Key(read=drawn_shapes.read_path, required=True, advice="give its points as [[x, y], [x, y]]"),
    },
    "variant": {
        "name": dataclasses.replace(NAME, read=changes.read_variant_name),
        "drop": Key(read=changes.read_drop, advice="name what it removes"),
        "add": Key(read=changes.read_add, advice="give what it adds"),
        "move": Key(read=changes.read_moves, advice="give new places"),
        "set": Key(read=changes.read_settings, advice="give new values"),
    },
    "sweep": {
        "name": NAME,
        "vary": Key(
            read=quantities.read_vary,
            required=True,
            advice='say what varies, as [ { set = "name.key", values = [...] } ]',
        ),
    },
    "lesson": lessons.KEYS,
}
ROLE_KEYS: dict[str, dict[str, Key]] = {
    "noisy": {
        "current_A": Key(read=_POSITIVE, advice="give its current, rms"),
        "frequency_Hz": Key(read=currents.frequency_reader(), advice="give the frequency of its current"),
        "spectrum": Key(read=currents.read_spectrum, advice="give its lines as [[f, A], ...], amperes rms"),
        "trapezoid": Key(
            read=_inline(
                "trapezoid", "{ frequency_Hz = f, swing_A = A, rise_s = t, duty = 0.5 }", currents.build_trapezoid
            ),
            advice="give its frequency, swing and rise time",
        ),
        "coherent_with": Key(
            read=reference("loop"), advice="name the noisy [[loop]] whose current is in phase with this one"
        ),
    },
    "sensitive": {
        "signal_V": Key(
            read=_POSITIVE,
            required=True,
            rule="a sensitive loop needs it",
            advice="give the full-scale signal",
        ),
        "tolerates_V": Key(
            read=_POSITIVE,
            required=True,
            rule="a sensitive loop needs it",
            advice="give the noise allowed in series with the signal",
        ),
        "band_Hz": Key(read=_read_band, advice="give [low, high]"),
        "rejection_dB": Key(
            read=rejection.read_rejection, advice="give its common-mode rejection, or [[f, dB], ...]", unit="decibels"
        ),
    },
    "cables": {
        "limit_V": Key(read=_POSITIVE, advice="give the voltage allowed between the two cables"),
        "radiates": Key(
            read=_inline(
                "radiates",
                '{ limit = "CISPR 32 class B", distance_m = 3, cable_length_m = 1 }',
                radiation_table.build_radiates,
            ),
            advice="give the limit of radiated emission, the distance and the length of the cables",
        ),
        "band_Hz": Key(read=_read_band, advice="give [low, high]"),
    },
}
ROLE_KEYS["supply"] = {
    **ROLE_KEYS["noisy"],
    "on": Key(read=reference("layer"), advice="name the [[layer]] that the device sits on"),
    "tolerates_V": Key(read=_POSITIVE, advice="give the noise its supply may have, V rms"),
    "target_ohm": Key(read=_POSITIVE, advice="give the impedance its supply may have"),
    "band_Hz": Key(read=_read_band, advice="give [low, high]"),
}


# Things that are given in one way of several, by kind or role.
WAYS: dict[str, Ways] = {
    "cutout": Ways("it is drawn by", (("shape",), ("circles", "diameter_mm"))),
    "terminal": Ways("it is drawn by", (("at", "diameter_mm"), ("shape",))),
    "vias": Ways("they are placed by", (("at",), ("array",))),
    "bank": Ways("they are placed by", (("at",), ("pins",), ("everywhere",))),
    "cables": Ways("its limit is given by", (("limit_V",), ("radiates",))),
    "noisy": Ways(
        "its current is given by", (("current_A", "frequency_Hz"), ("spectrum",), ("trapezoid",)), ("frequency_Hz",)
    ),
    "supply": Ways(
        "its current is given by", (("current_A", "frequency_Hz"), ("spectrum",), ("trapezoid",)), ("frequency_Hz",)
    ),
}
REQUIRED = {
    "layer": "copper lies on a layer",
    "copper": "there must be copper to carry current",
    "terminal": "a current enters and leaves the copper at terminals",
    "loop": "a case asks about at least one loop",
}
