"""What the page for picking asks for: loops, and what is drawn on imported copper, checked as a case file is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import shapely

from returnflow.live.moves import RefusedError, RequestError
from returnflow.live.picking_forms import DRAWN, drawn_table, filled, loop_table, proposal, route_table, shape_value
from returnflow_geometry.casefile.found_routes import MAX_LEAD
from returnflow_geometry.casefile.read import CaseError, parse_case
from returnflow_geometry.casefile.source import Source
from returnflow_geometry.casefile.toml_text import toml_text, toml_value
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError
from returnflow_geometry.fabrication.board_data.starter import Starter
from returnflow_geometry.fabrication.copper.connectivity import Connectivity
from returnflow_geometry.fabrication.copper.merged import copper_name
from returnflow_geometry.fabrication.copper.pins import find_pin, pins_of
from returnflow_geometry.fabrication.copper.touching import LEAST_AREA
from returnflow_geometry.fabrication.copper.ways import find_way
from returnflow_geometry.keys.drawn_shapes import read_shape
from returnflow_geometry.keys.reading import Book, Spot
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.files import write_whole
from returnflow_geometry.model.numbers import MM, mm, square_millimetres
from returnflow_geometry.model.overlay import intersection, shapes_of
from returnflow_geometry.model.wording import brief, label, listed

MADE_HERE = "# Picked and drawn by hand on the page of the import."
MOST_MADE = 500  # things


@dataclass(frozen=True)
class Made:
    """One thing that was made: a `loop` or one of `DRAWN`, its table, and the proposal it came from."""

    kind: str
    table: dict[str, Any]
    proposal: str = ""

    @property
    def name(self) -> str:
        """Its name."""
        return str(self.table.get("name", ""))

    @property
    def label(self) -> str:
        """How messages call it."""
        return label(self.kind, self.name)


@dataclass
class _State:
    """What was made so far; what is wrong with the case as it stands, and what is odd."""

    made: tuple[Made, ...] = ()
    dismissed: tuple[str, ...] = ()
    mistakes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


class PickDesk:
    """
    Answers what the page for picking asks for; nothing is written before it asks to save.

    Parameters
    ----------
    data, connectivity
        What the files say.
    starter : Starter
        The case that is begun.
    path : Path
        Case file to write.
    replace : bool
        Whether it may be written over one that is there.
    """

    def __init__(
        self, data: BoardData, connectivity: Connectivity, starter: Starter, path: Path, *, replace: bool = False
    ) -> None:
        self.data, self.connectivity, self.starter = data, connectivity, starter
        self.path, self.replace = path, replace
        self.written: str | None = None
        self.now = _State()
        self.now = self._state(())

    @cached_property
    def coppers(self) -> dict[str, int]:
        """Names of all copper, with the number of its layer."""
        layers = self.data.layers
        return {copper_name(one.net, layers[one.layer].name): one.layer for one in self.connectivity.islands}

    @property
    def unsaved(self) -> bool:
        """Whether something was made that no file holds."""
        return bool(self.now.made or self.now.dismissed) and self.text() != self.written

    def answer(self, what: str, message: object) -> dict[str, Any]:
        """
        Answer a message: `state`, `add`, `remove`, `dismiss`, `recall`, `under`, `way` or `save`.

        Raises
        ------
        RefusedError
            With all that is wrong with what was filled in, a line each; nothing has changed then.
        RequestError
            If the message is none that the page sends.
        """
        answers: dict[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
            "state": self._told,
            "add": self._add,
            "remove": self._remove,
            "dismiss": self._dismiss,
            "recall": self._recall,
            "under": self._under,
            "way": self._way,
            "save": self._save,
        }
        if what not in answers or not isinstance(message, dict):
            text = f"There is no request {what!r} with this content."
            raise RequestError(text)
        return answers[what](message)

    def text(self, made: Sequence[Made] | None = None, dismissed: Sequence[str] | None = None) -> str:
        """Text of the case as it stands, or as it would be."""
        things = self.now.made if made is None else made
        gone = {*(self.now.dismissed if dismissed is None else dismissed), *(thing.proposal for thing in things)}
        left = [item for item in self.starter.proposals if item.name not in gone]
        tables: dict[str, list[dict[str, Any]]] = {}
        for thing in things:
            tables.setdefault(thing.kind, []).append(thing.table)
        return self.starter.text(MADE_HERE + toml_text(tables).rstrip("\n") if tables else "", left)

    def _state(self, made: Sequence[Made]) -> _State:
        """State with these things, checked as the file would be."""
        source = Source(self.path.parent, known=(self.data, self.connectivity))
        mistakes: tuple[str, ...] = ()
        remarks: tuple[str, ...] = ()
        try:
            case = parse_case(self.text(made), origin=self.path.name, supply=source)
            own = tuple(thing.label.casefold() for thing in made)
            remarks = (*case.warnings, *(one for one in case.assumptions if one.casefold().startswith(own)))
        except CaseError as error:
            mistakes = error.mistakes
        return _State(tuple(made), self.now.dismissed, mistakes, remarks)

    def _told(self, _: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """All that the page shows of what was made."""
        now = self.now
        gone = {*now.dismissed, *(thing.proposal for thing in now.made)}
        return {
            "made": [self._shown(thing) for thing in now.made],
            "open": [item.name for item in self.starter.proposals if item.name not in gone],
            "dismissed": len(now.dismissed),
            "mistakes": list(now.mistakes),
            "remarks": list(now.remarks),
            "text": self.text(),
            "unsaved": self.unsaved,
        }

    def _shown(self, thing: Made) -> dict[str, Any]:
        shown: dict[str, Any] = {"kind": thing.kind, "name": thing.name}
        if thing.kind == "loop":
            return shown | filled(thing.table) | {"proposal": thing.proposal}
        coppers = _names(thing.table["copper"])
        shape = read_shape(Spot(Book(), ""), thing.table["shape"])
        return shown | {
            "coppers": coppers,
            "layers": sorted({self.coppers[name] for name in coppers}),
            "shape": toml_value(thing.table["shape"]),
            "lines": [] if shape is None else _lines(shape),
        }

    def _add(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Take one more thing in, or one instead of another of its kind, if the case with it has no mistake of it."""
        kind, from_ = message.get("kind"), message.get("proposal", "")
        if kind not in ("loop", *DRAWN):
            text = f"kind must be one of loop, {', '.join(DRAWN)}."
            raise RequestError(text)
        if from_ and from_ not in {item.name for item in self.starter.proposals}:
            text = "proposal must be the name of a proposed loop."
            raise RequestError(text)
        places = [
            k for k, other in enumerate(self.now.made) if (other.kind, other.name) == (kind, message.get("instead"))
        ]
        if message.get("instead") is not None and not places:
            text = "instead must be the name of a thing of that kind."
            raise RequestError(text)
        if len(self.now.made) >= MOST_MADE:
            text = f"There are {MOST_MADE} things already: save the case, and go on in the file."
            raise RefusedError(text)
        thing = Made(kind, loop_table(message) if kind == "loop" else drawn_table(message), str(from_))
        unknown = [] if kind == "loop" else [n for n in _names(thing.table["copper"]) if n not in self.coppers]
        if unknown:
            text = f"{thing.label}: copper is {listed(unknown)}; the files have no copper of that name; choose another."
            raise RequestError(text)
        made = list(self.now.made)
        made[places[0] if places else len(made) :] = [thing, *(made[places[0] + 1 :] if places else [])]
        then = self._state(made)
        new = [one for one in then.mistakes if one not in self.now.mistakes]
        if kind == "loop":
            # Only with it can be judged what was drawn before: that is then to be mended, and no fault of the loop.
            drawn = [other.label for other in made if other.kind in DRAWN]
            new = [one for one in new if not any(name in one for name in drawn)]
        elif kind == "terminal":
            # It waits for the next one on its copper, and for a loop.
            new = [one for one in new if one.startswith(thing.label)]
        if new:
            raise RefusedError("\n".join(new))
        self.now = then
        return self._told()

    def _remove(self, message: Mapping[str, Any]) -> dict[str, Any]:
        kind, name = message.get("kind"), message.get("name")
        left = [thing for thing in self.now.made if (thing.kind, thing.name) != (kind, name)]
        if len(left) == len(self.now.made):
            text = "There is nothing of that kind and name."
            raise RequestError(text)
        self.now = self._state(left)
        return self._told()

    def _dismiss(self, message: Mapping[str, Any]) -> dict[str, Any]:
        name = message.get("name")
        if not isinstance(name, str) or name not in {item.name for item in self.starter.proposals}:
            text = "name must be that of a proposed loop."
            raise RequestError(text)
        if name not in self.now.dismissed:
            self.now.dismissed += (name,)
        return self._told()

    def _recall(self, _: Mapping[str, Any]) -> dict[str, Any]:
        self.now.dismissed = ()
        return self._told()

    def _under(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Copper of a layer that a shape covers, most first; and whether a corner of the shape lies in it."""
        layer, book = message.get("layer"), Book()
        if not isinstance(layer, int) or isinstance(layer, bool) or not 0 <= layer < len(self.data.layers):
            text = "layer must be the number of a layer."
            raise RequestError(text)
        shape = read_shape(Spot(book, "shape"), shape_value(message))
        if shape is None:
            raise RefusedError("\n".join(book.mistakes))
        members, tree = self.connectivity.on_layer.get(layer, ([], None))
        corners = shapely.MultiPoint(shapely.get_coordinates(shape))
        areas: dict[str, float] = {}
        cornered: set[str] = set()
        with shapes_of("shape"):
            for k in [] if tree is None else tree.query(shape, predicate="intersects").tolist():
                island = self.connectivity.islands[members[k]]
                name = copper_name(island.net, self.data.layers[layer].name)
                areas[name] = areas.get(name, 0.0) + float(intersection(island.shape, shape).area)
                cornered |= {name} if shapely.intersects(island.shape, corners) else set()
        found = sorted((name for name, area in areas.items() if area > LEAST_AREA), key=lambda name: -areas[name])
        return {
            "coppers": [
                {"name": name, "area": square_millimetres(areas[name]), "corner": name in cornered} for name in found
            ],
            "lines": _lines(shape),
        }

    def _way(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Whether a route can be found between the parts of two pins, and where it goes or why not."""
        route = route_table(message.get("route", {}))
        asked = route if isinstance(route, dict) else {}
        signals = asked.get("pins")
        try:
            start, end = (find_pin(self._pins, str(message.get(key, ""))) for key in ("return", "inject"))
            if signals is not None and len(signals) != 2:
                return {"found": False, "said": "pins: name two, or none"}
            way = find_way(
                self.data, self.connectivity, self._pins, (start, end),
                through=asked.get("through", ()), signals=signals,
            )  # fmt: skip
        except FabricationError as error:
            return {"found": False, "said": str(error).removeprefix(f"{error.file}: ")}
        for name, pin, at in (("return", start, way.legs[0].path[0]), ("inject", end, way.legs[-1].path[-1])):
            away = min((float(c.shape.distance(shapely.Point(at))) for c in pin.contacts), default=0.0)
            if away > MAX_LEAD:
                rule = f"it ends {mm(away)} mm from {listed([pin.name])}; a return's pin lies within {mm(MAX_LEAD)} mm"
                return {"found": False, "said": f"{rule} of its signal's; name a nearer one as {name}"}
        path = [[[round(MM * x, 3), round(MM * y, 3)] for x, y in leg.path] for leg in way.legs]
        return {"found": True, "said": way.said, "path": path}

    @cached_property
    def _pins(self) -> dict[str, Any]:
        return pins_of(self.data)

    def _save(self, _: Mapping[str, Any]) -> dict[str, Any]:
        """Write the case, whole or not at all, and over no other file unless that is allowed."""
        text, name = self.text(), brief(self.path.name)
        if self.replace or (self.written is not None and self._holds(self.written)):
            write_whole(text, self.path)
        else:
            try:
                with self.path.open("x", encoding="utf-8") as file:
                    file.write(text)
            except FileExistsError:
                reason = (
                    f"{name} exists already and is left as it is. Take it away, or start the import again with "
                    "--replace or another name after -o; what was made here is lost then."
                )
                raise RefusedError(reason) from None
            except OSError:
                self.path.unlink(missing_ok=True)
                raise
        self.written = text
        return self._told() | {"written": brief(str(self.path), 200)}

    def _holds(self, text: str) -> bool:
        """Whether the file is as this page left it."""
        try:
            return self.path.read_text(encoding="utf-8") == text
        except (OSError, ValueError):
            return False


def _names(copper: str | list[str]) -> list[str]:
    return [copper] if isinstance(copper, str) else copper


def _lines(shape: Shape) -> list[list[list[float]]]:
    """Borders of a shape, mm."""
    rings = [ring for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)]
    return [[[round(MM * x, 3), round(MM * y, 3)] for x, y in ring.coords] for ring in rings]


def proposals(starter: Starter) -> list[dict[str, Any]]:
    """Proposed loops as the page shows them."""
    return [proposal(item) for item in starter.proposals]
