"""What the page is given: a live board as numbers in arrays, packed into a few hundred kilobytes of text."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.answers.adding import Key, companies, keys_of
from returnflow.answers.budget import band_mask, passed
from returnflow.answers.result import LEAST_AREA
from returnflow.answers.spectra import lines_of
from returnflow.live.board import LiveBoard
from returnflow.live.parts import NANO, Sheet
from returnflow.live.slots import bridges, slot_ends
from returnflow.live.stitching import GRAIN, Stitching
from returnflow_geometry.model.board import Loop, Shape
from returnflow_geometry.model.outgoing import Outgoing

TYPES = {
    "uint8": np.uint8, "int8": np.int8, "uint16": np.uint16, "int16": np.int16, "int32": np.int32,
    "float32": np.float32, "float64": np.float64,
}  # fmt: skip


def board_data(board: LiveBoard, name: str, frequencies: dict[str, Any] | None = None) -> dict[str, Any]:
    """A live board as the page's scripts want it; places in metres, drawn lines in millimetres."""
    case, conductors = board.case, board.conductors
    coppers = {copper: n for n, copper in enumerate(conductors.names)}
    first = [mine[0] if mine else -1 for mine in board.of_terminal]
    number = conductors.number
    widest = max(plane.copper.area for plane in conductors.planes)
    return {
        "name": name,
        "temperature": case.board.temperature,
        "coppers": [
            {
                "name": copper,
                "layer": case.board.copper(copper).layer,
                "um": 1e6 * float(thickness),
                "wide": plane.copper.area >= LEAST_AREA * widest,
            }
            for copper, thickness, plane in zip(conductors.names, conductors.thickness, conductors.planes, strict=True)
        ],
        "sheets": [
            {
                "copper": sheet.copper,
                "resistance": sheet.resistance,
                "mesh": sheet.code.data() if sheet.code else None,
                "rings": np.array([ring[0] for ring in sheet.rings]),
                "runs": [_stretches(run) for run in sheet.runs],
                "drain": sheet.drain,
                "regions": [[n, edges] for n, edges in sheet.regions],
                "sections": [[n, edges, signs] for n, edges, signs in sheet.sections],
                **_of_sheet(board, sheet),
            }
            for sheet in board.sheets
        ],
        "ports": [[p.terminal, p.sheet, *p.place, p.radius, p.strength] for p in board.ports],
        "terminals": [
            {
                "name": terminal,
                "copper": coppers[case.board.terminal(terminal).copper],
                "bonded": case.board.terminal(terminal).bonded,
                "ports": list(mine),
                "lines": []
                if all(board.ports[p].radius for p in mine)
                else _lines(case.board.terminal(terminal).shape),
            }
            for terminal, mine in zip(conductors.terminals, board.of_terminal, strict=True)
        ],
        "links": [list(link) for link in board.links],
        "linkNames": list(board.names),
        "loops": [
            {
                "name": loop.name,
                "role": loop.role,
                "ends": [number[loop.inject], number[loop.return_]],
                "ports": [first[number[loop.inject]], first[number[loop.return_]]],
                "amps": lines_of(loop).rms if loop.role == "noisy" else 1.0,
                "routes": [_mm(np.array(leg.path)) for leg in _legs(loop)],
            }
            for loop in case.loops
        ],
        "regions": [
            {"name": r.name, "copper": coppers.get(r.copper, -1), "lines": _lines(r.shape)} for r in case.regions
        ],
        "sections": [
            {"name": s.name, "copper": coppers.get(s.copper, -1), "path": _mm(np.array(s.path))} for s in case.sections
        ],
        "victims": _victims(case.loops),
        "frequencies": frequencies,
        **({"stitching": _stitching(board.stitching)} if board.stitching else {}),
    }


def _of_sheet(board: LiveBoard, sheet: Sheet) -> dict[str, Any]:
    """What can be dragged along slots; on a board with pins, which would go with it, what is not in the mesh."""
    if board.stitching is None:
        return {"slots": slot_ends(board, sheet), "bridges": bridges(board, sheet)}
    more = None if sheet.conductivity is None else np.round(sheet.conductivity * GRAIN).astype(np.int64)
    return {"slots": [], "bridges": [], "conductivity": more, "holes": sheet.holes.ravel()}


def _stitching(it: Stitching) -> dict[str, Any]:
    """Pins and joints as arrays."""
    place = np.round(np.array([pin.place for pin in it.pins]) / NANO).astype(np.int64)
    one, other = np.array([joint[:2] for joint in it.joints], dtype=np.int64).reshape(-1, 2).T
    return {
        "pins": {
            **{key: np.array([getattr(pin, key) for pin in it.pins]) for key in ("sheet", "triangle", "radius")},
            "x": place[:, 0],
            "y": place[:, 1],
        },
        "joints": {"one": one, "other": other, "siemens": np.array([g for _, _, g in it.joints])},
        "vias": it.vias,
    }


def _legs(loop: Loop) -> tuple[Outgoing, ...]:
    """Legs of the outgoing conductor, from the return end on."""
    return () if loop.route is None else loop.route.legs or (loop.route,)


def _stretches(run: NDArray[np.int64]) -> list[list[int]]:
    """Runs of edges along contacts: where each begins and stops, and its port."""
    cuts = [0, *(np.flatnonzero(np.diff(run)) + 1).tolist(), len(run)]
    return [[a, b, int(run[a])] for a, b in pairwise(cuts) if run[a] >= 0]


def _mm(points: NDArray[np.float64]) -> list[list[float]]:
    found: list[list[float]] = np.round(1e3 * points, 4).tolist()
    return found


def _lines(shape: Shape) -> list[list[list[float]]]:
    """Closed lines round a shape, millimetres."""
    rings = [ring for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)]
    return [_mm(np.asarray(ring.coords)[:, :2]) for ring in rings]


def _victims(loops: tuple[Loop, ...]) -> list[dict[str, Any]]:
    """What is heard in every loop with a limit: of each noisy current the lines in its band, and what they add to."""
    noisy = [n for n, loop in enumerate(loops) if loop.role == "noisy"]
    company = companies([loops[n] for n in noisy])
    victims = []
    for number, victim in enumerate(loops):
        limit = {"sensitive": victim.tolerates, "cables": victim.limit}.get(victim.role)
        if limit is None:
            continue
        keys: dict[Key, int] = {}
        parts = []
        for n, group in zip(noisy, company, strict=True):
            lines = lines_of(loops[n])
            mask = band_mask(lines, victim)
            heard = passed(lines, victim) * lines.current
            named = [keys.setdefault(key, len(keys)) for key in keys_of(lines, group)]
            rows = [[named[k], float(lines.frequency[k]), float(heard[k])] for k in np.flatnonzero(mask).tolist()]
            parts.append({"loop": n, "lines": rows})
        victims.append({"loop": number, "role": victim.role, "limit": limit, "band": victim.band, "parts": parts})
    return victims


def pack(tree: Mapping[str, Any]) -> str:
    """
    A tree of numbers, texts and arrays as text: JSON and the arrays' bytes behind it, gzip, base64.

    Equal arrays are kept once: variants share most of their copper. Of whole numbers of several bytes all first bytes
    come first, then all second ones: most of these are alike.

    Examples
    --------
    >>> unpack(pack({"a": [np.arange(3), "b"]}))
    {'a': [array([0, 1, 2], dtype=uint8), 'b']}
    """
    blobs: dict[tuple[str, bytes], list[Any]] = {}
    end = 0

    def take(value: Any) -> Any:
        nonlocal end
        if isinstance(value, np.ndarray):
            array = _narrow(value)
            key = (array.dtype.name, _planes(array).tobytes())
            if key not in blobs:
                end += -end % 8
                blobs[key] = [key[0], end, len(array)]
                end += len(key[1])
            return {"$": blobs[key]}
        if isinstance(value, Mapping):
            return {name: take(item) for name, item in value.items()}
        return [take(item) for item in value] if isinstance(value, list | tuple) else value

    text = json.dumps(take(tree), ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    body = bytearray(end)
    for (_, raw), (_, start, _) in blobs.items():
        body[start : start + len(raw)] = raw
    head = len(text).to_bytes(8, "little") + text
    packed = gzip.compress(head + bytes(-len(head) % 8) + bytes(body), compresslevel=9, mtime=0)
    return base64.b64encode(packed).decode()


def unpack(text: str) -> Any:
    """The tree again."""
    raw = gzip.decompress(base64.b64decode(text))
    size = int.from_bytes(raw[:8], "little")
    body = raw[8 + size + -(8 + size) % 8 :]

    def give(value: Any) -> Any:
        if isinstance(value, dict):
            if "$" in value:
                name, start, count = value["$"]
                kind = np.dtype(TYPES[name])
                raw_bytes = np.frombuffer(body, np.uint8, count * kind.itemsize, start)
                whole = raw_bytes.reshape(kind.itemsize, count).T if kind.kind in "iu" else raw_bytes
                return np.frombuffer(whole.tobytes(), kind)
            return {name: give(item) for name, item in value.items()}
        return [give(item) for item in value] if isinstance(value, list) else value

    return give(json.loads(raw[8 : 8 + size]))


def _planes(array: NDArray[Any]) -> NDArray[np.uint8]:
    """Bytes of whole numbers by their places, of others as they are."""
    flat = np.frombuffer(array.tobytes(), np.uint8)
    return flat.reshape(-1, array.itemsize).T.ravel() if array.dtype.kind in "iu" else flat


def _narrow(array: NDArray[Any]) -> NDArray[Any]:
    """The same whole numbers in as few bytes as hold them."""
    if array.dtype.kind == "f":
        return np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
    low, high = (int(array.min()), int(array.max())) if len(array) else (0, 0)
    for name, (least, most) in {
        "uint8": (0, 255),
        "int8": (-128, 127),
        "uint16": (0, 65535),
        "int16": (-32768, 32767),
    }.items():
        if least <= low and high <= most:
            return array.astype(TYPES[name])
    return array.astype(np.int32)
