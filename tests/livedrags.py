"""Random drags on a live page's mathematics, and what full solves of the moved geometry say of the same."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from livepage import node
from returnflow.answers.coupling import peak_currents, region_shares, section_currents
from returnflow.live.board import LiveBoard
from returnflow.live.moves import changes_of
from returnflow.live.parts import NANO, Sheet
from returnflow.live.payload import board_data, pack
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options, reference
from returnflow_geometry.casefile.read import CaseError
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

CLEAR = 2e-3  # m from edges: nearer, the page says less
PART = 0.7  # of how far the end of a slot may go
AT_ONCE = 10  # drags asked of the page's script
AT_END = 1e-3  # m: a peak as near is that at the slot's end
DRAG = """
const board = boardOf(await unpack("DATA")), rows = (it) => it.map((row) => [...row]);
const told = (it, t) => [1e3 * (it.x + t * it.dx), 1e3 * (it.y + t * it.dy)];
console.log(JSON.stringify(MOVES.map(([kind, which, to]) => {
  const message = { places: {}, ends: [], bridges: [] };
  let undo, end = null;
  if (kind === "contact") {
    const t = board.data.terminals.findIndex(({ name }) => name === which), home = board.place(t);
    board.move(t, ...to);
    undo = () => { board.allowed = () => true; board.move(t, ...home); delete board.allowed; };
    message.places[which] = board.place(t).map((v) => 1e3 * v);
  } else {
    const sheet = which[0], it = board.sheets[sheet][kind][which[1]];
    board.stretch(sheet, it, to);
    undo = () => board.stretch(sheet, it, kind === "slots" ? 0 : [0, 0]);
    if (kind === "slots") { end = told(it, it.by); message.ends.push([it.name, told(it, 0), end]); }
    else {
      const now = [it.from + it.by[0], it.to + it.by[1]].map((t) => told(it, t));
      message.bridges.push([it.name, [told(it, it.from), told(it, it.to)], now]);
    }
  }
  const { currents, resistance } = board.read(), { shares, sections } = board.watch(currents);
  const peaks = end && board.data.loops.map((_, n) => board.peak(currents, n));
  const answer = { message, end, R: rows(resistance), shares: rows(shares), sections: rows(sections), peaks };
  undo();
  return answer;
})));
"""


@dataclass(frozen=True)
class Errors:
    """
    How far a page is off after one drag.

    Attributes
    ----------
    what : str
        What was dragged.
    transfer : float
        Largest of a resistance, of the entry or of 1 % of sqrt(R_ii R_jj).
    share : float
        Largest of a region's or a section's.
    peak : float
        Largest of a peak at the end of a dragged slot, of the peak; 0 where there is none.
    """

    what: str
    transfer: float
    share: float
    peak: float


def drags(case: Case, count: int, kinds: tuple[str, ...], seed: int = 20261126, accuracy: float = 2e-3) -> list[Errors]:
    """
    Drag random things to random places, one at a time, and compare with full solves.

    Parameters
    ----------
    case : Case
    count : int
    kinds : tuple of "contact", "slots", "bridges"
    seed : int
    accuracy : float
        Of the full solves.
    """
    board = LiveBoard.of(case)
    data = board_data(board, "x")
    moves = _random(board, data, kinds, np.random.default_rng(seed))
    found: list[Errors] = []
    while len(found) < count:
        asked = [next(moves) for _ in range(min(AT_ONCE, count - len(found)))]
        answers = node(DRAG.replace("DATA", pack(data)).replace("MOVES", json.dumps(asked)))
        for (kind, which, _), answer in zip(asked, answers, strict=True):
            try:
                moved = case.changed(**changes_of(answer["message"], case))
            except CaseError:  # a section passes there, or it is where it was
                continue
            found.append(_compare(f"{kind} {which}", moved, answer, accuracy))
    return found


def random_places(case: Case, count: int, seed: int = 20261126) -> Iterator[dict[str, list[float]]]:
    """One contact after the other at a random place, as `Case.changed` takes it."""
    board = LiveBoard.of(case)
    moves = _random(board, board_data(board, "x"), ("contact",), np.random.default_rng(seed))
    while count:
        _, name, (x, y) = next(moves)
        move = {name: [1e3 * x, 1e3 * y]}
        with contextlib.suppress(CaseError):  # a section passes there
            case.changed(move=move)
            count -= 1
            yield move


def _random(board: LiveBoard, data: dict[str, Any], kinds: tuple[str, ...], rng: np.random.Generator) -> Iterator[Any]:
    """Things and where to: contacts anywhere clear of edges and of others, slots and bridges as far as they go."""
    names = board.conductors.terminals
    moving = [n for n, mine in enumerate(board.of_terminal) if mine and board.moves(mine)]
    clear = [board.conductors.planes[n].copper.buffer(-CLEAR) for n in range(len(board.conductors.names))]
    places: dict[str, list[tuple[int, int]]] = {
        kind: [(s, k) for s, sheet in enumerate(data["sheets"]) for k in range(len(sheet[kind]))]
        for kind in ("slots", "bridges")
    }
    while True:
        kind = kinds[int(rng.integers(len(kinds)))]
        if kind == "contact":
            terminal = moving[int(rng.integers(len(moving)))]
            port = board.ports[board.of_terminal[terminal][0]]
            copper = clear[board.sheets[port.sheet].copper]
            x0, y0, x1, y1 = copper.bounds
            x, y = rng.uniform([x0, y0], [x1, y1])
            others = [p.place for p in board.ports if p.terminal != terminal and p.sheet == port.sheet]
            free = all(np.hypot(x - a, y - b) > 2 * CLEAR for a, b in others)
            if free and shapely.contains_xy(copper, x, y) and _on(board.sheets[port.sheet], x, y):
                yield kind, names[terminal], [round(float(x), 6), round(float(y), 6)]
            continue
        s, k = places[kind][int(rng.integers(len(places[kind])))]
        it = data["sheets"][s][kind][k]
        if kind == "slots":
            yield kind, [s, k], float(rng.uniform(-PART, PART) * (it["reach"] - 3 * it["wide"]))
            continue
        low, begin, end, high = (it[key] for key in ("low", "from", "to", "high"))
        width = float(rng.uniform(0.4, 1.8) * (end - begin))
        at = float(rng.uniform(low + 0.3 * (begin - low), high - 0.3 * (high - end) - width))
        yield kind, [s, k], [at - begin, at + width - end]


def _on(sheet: Sheet, x: float, y: float) -> bool:
    """Whether a place lies on that piece of the copper."""
    corners = sheet.points[sheet.triangles] * NANO
    ahead, to = np.roll(corners, -1, axis=1) - corners, np.array([x, y]) - corners
    return bool(np.any(np.all(ahead[..., 0] * to[..., 1] - ahead[..., 1] * to[..., 0] >= 0, axis=1)))


def _compare(what: str, moved: Case, answer: dict[str, Any], accuracy: float) -> Errors:
    conductors = Conductors.of(moved)
    truth = solve(conductors, conductors.ends(moved), options=Options(accuracy=accuracy))
    off = np.abs(np.array(answer["R"]) - truth.mid) / reference(truth.mid)
    pairs = [
        (answer["shares"], region_shares(truth, conductors.contact_inside())),
        (answer["sections"], section_currents(truth)),
    ]
    shares = [np.max(np.abs(np.abs(np.array(a)) - np.abs(b)), initial=0.0) for a, b in pairs if len(a)]
    peak = 0.0
    if answer["end"]:
        x, y = 1e-3 * np.array(answer["end"])
        for own, full in zip(answer["peaks"], peak_currents(truth, range(len(moved.loops))), strict=True):
            if np.hypot(full.x - x, full.y - y) < AT_END:
                peak = max(peak, abs(own / full.value - 1))
    return Errors(what, float(off.max()), float(max(shares, default=0.0)), float(peak))
