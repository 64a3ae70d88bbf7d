"""Tables of a case file, as read, to a Case in SI units; what is assumed where they leave something open."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import chain
from typing import Any, TypeVar

from shapely import Polygon

from returnflow_geometry.casefile.banks import with_bank
from returnflow_geometry.casefile.reader import REFUSED, TOP, Entry, declare_names
from returnflow_geometry.casefile.supplies import build_supply
from returnflow_geometry.casefile.vias import assumed_plating, build_vias, platings
from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.checks.coherence import coherence_mistakes
from returnflow_geometry.checks.plausible import thick_platings, warnings
from returnflow_geometry.keys import currents, drawn_shapes, lessons, link_table, outgoing, radiation_table
from returnflow_geometry.keys.reading import Book, Spot, read_table
from returnflow_geometry.keys.schema import LOSS_TANGENT, REQUIRED, WAYS
from returnflow_geometry.model.board import (
    Board,
    Bridge,
    Case,
    Copper,
    Cutout,
    Layer,
    Link,
    Loop,
    Region,
    Section,
    Shape,
    Terminal,
)
from returnflow_geometry.model.lessons import Lesson
from returnflow_geometry.model.material import LINEAR_RANGE
from returnflow_geometry.model.numbers import mm
from returnflow_geometry.model.wording import Unnamed, label, listed

TEMPERATURE = 25.0  # degree Celsius, where the file gives none
ACCURACY = 0.01
# A thing of these kinds that could not be read may be what joins two pieces of copper.
JOINING = ("copper", "bridge", "terminal", "link", "vias", "bank")
_Thing = TypeVar("_Thing")


@dataclasses.dataclass(frozen=True, kw_only=True)
class Reading:
    """
    What the tables of one case say.

    Attributes
    ----------
    case : Case
        Of all that could be read, with its assumptions, without variants and sweeps.
    mistakes : tuple of str
        With any, the case must not be used.
    values : dict
        What was read of each table, `Entry` lists by kind.
    incomplete : set of str
        Kinds with a thing that could not be named.
    """

    case: Case
    mistakes: tuple[str, ...]
    values: Mapping[str, Any]
    incomplete: frozenset[str] = frozenset()


def read_tables(raw: Mapping[str, object], *, whole: bool = True, incomplete: Collection[str] = ()) -> Reading:
    """
    Read the tables of a case and check where its things lie.

    Parameters
    ----------
    raw : mapping
        As parsed from TOML; items of arrays may be parts of a board instead.
    whole : bool
        False where something may be absent that should be there: leaves out what follows from that, all geometry.
    incomplete : collection of str
        Kinds of which some names are not known: an unknown one may be among them, and is no mistake.

    Returns
    -------
    reading : Reading
        Mistakes of keys first, then those of geometry.
    """
    book = Book()
    declare_names(book, raw)
    book.incomplete.update(incomplete)
    top = read_table(book, "", raw, TOP, refused=REFUSED[""])
    for kind, why in REQUIRED.items():
        if kind == "terminal" and raw.get("vias"):
            continue
        if whole and (top.lacks(kind) or raw.get(kind) == []):
            Spot(book, f"[[{kind}]]").wrong("is missing", why, "add one")
    build = Builder(book, top.values)
    case, leads = outgoing.lead_to_contacts(build.case())
    unread = {entry.name for entry in top.values.get("loop", ()) if entry.part is None and entry.fields.bad}
    book.mistakes += coherence_mistakes(case.loops, unread)
    mistakes, said = list(book.mistakes), build.assumptions + currents.heard_far_away(case.loops) + leads
    if whole:
        findings = check_case(case, connections=not build.unread)
        mistakes += findings.mistakes
        said += findings.assumptions
    return Reading(
        case=dataclasses.replace(
            case, assumptions=tuple(said), warnings=(*warnings(case), *thick_platings(platings(top.values)))
        ),
        mistakes=tuple(mistakes),
        values=top.values,
        incomplete=frozenset(book.incomplete),
    )


class Builder:
    """Case of all that could be read; what could not is absent and already noted as a mistake."""

    def __init__(self, book: Book, values: dict[str, Any]) -> None:
        self.book = book
        self.values = values
        self.assumptions: list[str] = []
        self.unread = any(kind in book.incomplete for kind in JOINING)

    def case(self) -> Case:
        """Build the case; what it lacks is a mistake already."""
        board = self._board()
        solve = self.values.get("solve", {})
        frequencies = solve.get("frequencies_Hz", (0.0,))
        if frequencies[-1] > currents.CAUTION:
            self.assumptions.append(f"[solve]: frequencies_Hz reaches {currents.caution(frequencies[-1])}")
        return Case(
            title=self.values.get("title", ""),
            board=board,
            loops=self._each("loop", self._loop),
            regions=self._each("region", _region),
            sections=self._each("section", _section),
            accuracy=solve.get("accuracy", ACCURACY),
            frequencies=frequencies,
            via_inductance=solve.get("via_inductance", False),
            steady_only="frequencies_Hz" in solve and frequencies[-1] == 0,
            lessons=self._each("lesson", self._lesson),
        )

    def _lesson(self, entry: Entry) -> Lesson | None:
        spot = Spot(self.book, f"{label('lesson', entry.name)}: ")
        return lessons.build_lesson(spot, entry.name, entry.fields.values)

    def _each(self, kind: str, build: Callable[[Entry], _Thing | None]) -> tuple[_Thing, ...]:
        entries: Sequence[Entry] = self.values.get(kind, [])
        built = [build(entry) if entry.part is None else entry.part for entry in entries]
        if kind in JOINING and any(
            thing is None or isinstance(entry.name, Unnamed) for thing, entry in zip(built, entries, strict=True)
        ):
            self.unread = True
        return tuple(thing for thing in built if thing is not None)

    def _spot(self, entry: Entry, key: str) -> Spot:
        return Spot(self.book, f"{label(entry.kind, entry.name)}: {key}")

    def _board(self) -> Board:
        fields = self.values.get("board", {})
        outline: Shape = fields.get("outline", Polygon())
        temperature = fields.get("temperature_C")
        if temperature is None:
            temperature = TEMPERATURE
            self.assumptions.append(f"[board]: temperature_C is not given, taken as {TEMPERATURE:g} °C.")
        low, high = LINEAR_RANGE
        if not low <= temperature <= high:
            self.assumptions.append(
                f"[board]: temperature_C is {temperature:g}, outside {low:g} to {high:g} °C, where the "
                "resistivity of copper is no longer close to the linear law that is used."
            )
        coppers = self._each("copper", lambda entry: self._copper(entry, outline))
        layers = self._each("layer", self._layer)
        terminals, links = self._each("terminal", self._terminal), self._each("link", self._link)
        known = {entry.name: entry.part for entry in self.values.get("terminal", [])}
        made = self._each("vias", lambda entry: self._vias(entry, coppers, layers, temperature, known))
        for contacts, barrels in made:
            terminals, links = (*terminals, *contacts), (*links, *barrels)
        board = Board(
            outline=outline,
            temperature=temperature,
            layers=layers,
            coppers=coppers,
            cutouts=tuple(
                chain.from_iterable(
                    [item] if isinstance(item, Cutout) else item for item in self._each("cutout", self._cutouts)
                )
            ),
            terminals=terminals,
            bridges=tuple(chain.from_iterable(self._each("bridge", _bridges))),
            links=links,
        )
        cuts = [cut for entry in self.values.get("section", []) if (cut := _section(entry))]
        for entry in self.values.get("bank", []):
            if self._way(entry, "bank"):
                board = with_bank(board, entry.name, entry.fields, self.book, self.assumptions, cuts)
        return board

    def _layer(self, entry: Entry) -> Layer | None:
        values = entry.fields.values
        if "copper_um" not in values:
            return None
        permittivity, loss = values.get("permittivity"), values.get("loss_tangent")
        if permittivity is not None and loss is None:
            loss = LOSS_TANGENT
            self.assumptions.append(
                f"{label('Layer', entry.name)}: loss_tangent is not given, taken as {LOSS_TANGENT:g} (usual laminate, "
                "common practice)."
            )
        elif permittivity is None and loss is not None:
            self._spot(entry, "loss_tangent").wrong(
                f"is {loss:g} without a permittivity", "loss is that of a dielectric", "give the permittivity too"
            )
        return Layer(
            name=entry.name,
            thickness=values["copper_um"],
            below=values.get("below_mm"),
            permittivity=permittivity,
            loss=loss or 0.0,
            off_board=values.get("off_board", False),
        )

    def _vias(
        self,
        entry: Entry,
        coppers: Sequence[Copper],
        layers: Sequence[Layer],
        temperature: float,
        known: Mapping[str, object],
    ) -> tuple[list[Terminal], list[Link]] | None:
        values = entry.fields.values
        if not self._way(entry, "vias") or "coppers" not in values or "drill_mm" not in values:
            return None
        if said := assumed_plating(values):
            self.assumptions.append(f"{label('Vias', entry.name)}: {said}.")

        def wrong(key: str, given: str, rule: str, advice: str) -> None:
            self._spot(entry, key).wrong(given, rule, advice)

        there = {name for name, part in known.items() if part is not None}
        made = build_vias(entry.name, values, coppers, layers, temperature, there, wrong)
        for terminal in made[0]:
            if terminal.name in known:
                given = f"gives a contact the name {listed([terminal.name])}, which a terminal has"
                wrong("name", given, "every terminal needs a name of its own", "rename one of them")
                return None
        return made

    def _copper(self, entry: Entry, outline: Shape) -> Copper | None:
        values = entry.fields.values
        shape = values.get("shape")
        if entry.fields.lacks("shape") and not outline.is_empty:
            shape = outline
            self.assumptions.append(f"Copper {listed([entry.name])}: shape is not given, taken as the board's outline.")
        if shape is None:
            return None
        return Copper(name=entry.name, layer=values.get("layer", ""), shape=shape)

    def _way(self, entry: Entry, kind: str) -> tuple[str, ...]:
        """Keys by which the thing is given; empty if they are not all good."""
        fields, ways = entry.fields, WAYS[kind]
        used = [way for way in ways.keys if any(key in entry.table for key in way)]
        if len(used) > 1:
            given = [key for way in used for key in way if key in entry.table]
            self._spot(entry, " and ".join(given)).wrong("are given together", ways.rule, "remove what does not belong")
            return ()
        if not used:
            if not any(key in fields.bad for way in ways.keys for key in way):
                self._spot(entry, ways.keys[0][0]).wrong("is missing", ways.rule, "add it")
            return ()
        needed = ways.needed(used[0])
        for key in needed:
            if fields.lacks(key):
                self._spot(entry, key).wrong("is missing", ways.rule, "add it")
        return needed if all(key in fields.values for key in needed) else ()

    def _cutouts(self, entry: Entry) -> list[Cutout] | None:
        values, way = entry.fields.values, self._way(entry, "cutout")
        if not way or "copper" not in values:
            return None
        shape = values["shape"] if way == ("shape",) else drawn_shapes.circles(values["circles"], values["diameter_mm"])
        return [Cutout(name=entry.name, copper=copper, shape=shape) for copper in values["copper"]]

    def _terminal(self, entry: Entry) -> Terminal | None:
        values, way = entry.fields.values, self._way(entry, "terminal")
        if not way or "copper" not in values:
            return None
        shape = values["shape"] if way == ("shape",) else drawn_shapes.contact(values["at"], values["diameter_mm"])
        return Terminal(name=entry.name, copper=values["copper"], shape=shape, bonded=values.get("bonded"))

    def _link(self, entry: Entry) -> Link | None:
        values, fields = entry.fields.values, entry.fields
        if all(fields.lacks(part) for part in link_table.PARTS):
            rule = f"a link has at least one of {', '.join(link_table.PARTS)}"
            self._spot(entry, link_table.PARTS[0]).wrong("is missing", rule, "add it, 0 is a short")
        if any(part in fields.bad for part in link_table.PARTS) or "between" not in values:
            return None
        if fields.lacks("resistance_ohm") and any(part in values for part in link_table.PARTS):
            self.assumptions.append(f"Link {listed([entry.name])}: resistance_ohm is not given, taken as 0.")
        return Link(
            name=entry.name,
            between=values["between"],
            resistance=values.get("resistance_ohm", 0.0),
            inductance=values.get("inductance_H", 0.0),
            capacitance=values.get("capacitance_F"),
        )

    def _loop(self, entry: Entry) -> Loop | None:
        values, fields = entry.fields.values, entry.fields
        role = values.get("role")
        signal, tolerates = values.get("signal_V"), values.get("tolerates_V")
        if signal is not None and tolerates is not None and not tolerates < signal:
            self._spot(entry, "tolerates_V").wrong(
                f"is {tolerates:g}, with signal_V {signal:g}",
                "the noise allowed must be less than the full-scale signal",
                "correct one of them",
            )
        if "limit_V" not in values:
            radiation_table.check_band(self._spot(entry, "band_Hz"), values.get("band_Hz"), values.get("radiates"))
        way = self._way(entry, role) if role in WAYS else ()
        if way == ("current_A",) and fields.lacks("frequency_Hz"):
            self.assumptions.append(
                f"Loop {listed([entry.name])}: frequency_Hz is not given, its current is taken as in the "
                "band of every sensitive loop."
            )
        if role == "sensitive" and fields.lacks("band_Hz"):
            self.assumptions.append(
                f"Loop {listed([entry.name])}: band_Hz is not given, every noisy current is taken as in its band."
            )
        drawn = entry.table.get("route")
        if "route" in values and isinstance(drawn, dict) and "width_mm" not in drawn:
            self.assumptions.append(
                f"Loop {listed([entry.name])}: route.width_mm is not given, taken as {mm(outgoing.WIDTH)} mm."
            )
        if "inject" not in values or "return" not in values:
            return None
        if values["inject"] == values["return"]:
            self._spot(entry, "return").wrong(
                f"is {listed([values['return']])}, the same terminal as inject",
                "a current must leave the copper elsewhere than it enters it",
                "name two different terminals",
            )
            return None
        supply = None
        if role == "supply":
            layers = [layer.name for layer in self.values.get("layer", [])]
            supply = build_supply(entry.name, fields, layers, self.book, self.assumptions)
        loop = Loop(
            name=entry.name,
            role="noisy" if supply else role or "cables",  # a stand-in: without a good role the case is refused anyway
            inject=values["inject"],
            return_=values["return"],
            current=values.get("current_A"),
            frequency=values.get("frequency_Hz"),
            signal=signal,
            tolerates=None if supply else tolerates,
            supply=supply,
            band=None if supply else values.get("band_Hz", radiation_table.BAND if "radiates" in values else None),
            limit=values.get("limit_V"),
            radiates=values.get("radiates"),
            route=values.get("route"),
            spectrum=values.get("spectrum"),
            trapezoid=values.get("trapezoid"),
            rejection=values.get("rejection_dB"),
            coherent_with=values.get("coherent_with"),
        )
        self.assumptions += currents.current_assumptions(loop)
        return loop


def _bridges(entry: Entry) -> list[Bridge] | None:
    values = entry.fields.values
    if "copper" not in values or "shape" not in values:
        return None
    return [Bridge(name=entry.name, copper=copper, shape=values["shape"]) for copper in values["copper"]]


def _region(entry: Entry) -> Region | None:
    values = entry.fields.values
    if "copper" not in values or "shape" not in values:
        return None
    return Region(name=entry.name, copper=values["copper"], shape=values["shape"])


def _section(entry: Entry) -> Section | None:
    values = entry.fields.values
    if "copper" not in values or "path" not in values:
        return None
    return Section(name=entry.name, copper=values["copper"], path=values["path"])
