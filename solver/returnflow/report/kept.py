"""A study as one file that reads back: every dataclass by its fields, arrays as they are, nothing to execute."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any, NoReturn

import numpy as np
import shapely
from scipy.sparse import csr_array

FORMAT = 1
HEAD = "returnflow.json"  # first in the file, which so names its maker near its start
MOST_FIELDS = 600e6  # bytes of all arrays; where they are more, fields are left out: a file of gigabytes helps nobody
QUICK = 1  # of nine levels of compression: a sixth faster than the usual one, and a hundredth larger
SAMPLE, SAMPLES, WORTH = 8_000, 8, 0.7  # bytes at so many places tell whether compressing leaves less than this part
LARGE = 20_000  # numbers; an array of more is a field on a mesh
OURS = re.compile(r"(returnflow|returnflow_geometry)(\.[a-z0-9_]+)+")
# What only solving needs, or is soon made again.
UNUSED = {
    "Space": {"stiffness", "shape_gradients"},
    "System": {"dissipation", "drive", "foils", "panels"},
    "Topology": {"neighbours", "insulated", "piece"},
}
_OPERATIONS = """
add radd sub rsub mul rmul truediv rtruediv matmul rmatmul pow neg abs eq ne lt le gt ge getitem setitem iter array
float complex
"""


class LoadError(ValueError):
    """Results that cannot be read back; the message says why and what to do."""


class FieldsMissingError(RuntimeError):
    """Something needs fields that were not kept."""


class Absent:
    """Stands for an array that was not kept: it knows its shape, and all else says that the case must be run again."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.shape = shape

    def __len__(self) -> int:
        """Length of the array."""
        return self.shape[0]

    def __reduce__(self) -> tuple[type, tuple[tuple[int, ...]]]:
        """Travels as it is."""
        return (Absent, (self.shape,))

    def __getattr__(self, name: str) -> NoReturn:
        if name.startswith("__"):
            raise AttributeError(name)
        self._refuse()

    def _refuse(self, *_: object, **__: object) -> NoReturn:
        message = (
            "This needs the fields on the mesh, which were not kept with the numbers. Run the case again, "
            "rf.run(study.case), or save it without brief, or fewer variants at a time."
        )
        raise FieldsMissingError(message)


for _name in _OPERATIONS.split():
    setattr(Absent, f"__{_name}__", Absent._refuse)
Absent.__hash__ = object.__hash__  # type: ignore[method-assign]


def packed(thing: object, mark: str = "", *, fields: bool = False) -> bytes:
    """
    Content of a file that `unpacked` reads.

    Parameters
    ----------
    thing : dataclass of ours
        With everything in it: dataclasses of ours, containers, numbers, texts, arrays, shapes.
    mark : str
        Tells this file from others.
    fields : bool
        Keep arrays on meshes too, up to `MOST_FIELDS`: they are most of it, and only maps need them.
    """
    packer = _Packer(fields=fields)
    root = packer.pack(thing)
    if fields and sum(array.nbytes for array in packer.arrays) > MOST_FIELDS:
        packer = _Packer(fields=False)
        root = packer.pack(thing)
    head = {"format": FORMAT, "mark": mark, "root": root, "things": packer.things}
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=QUICK) as file:
        file.writestr(HEAD, json.dumps(head, separators=(",", ":")))
        for number, array in enumerate(packer.arrays):
            content = io.BytesIO()
            np.lib.format.write_array(content, array, allow_pickle=False)
            how = zipfile.ZIP_DEFLATED if _shrinks(content.getbuffer()) else zipfile.ZIP_STORED
            file.writestr(f"{number}.npy", content.getbuffer(), how)
    return buffer.getvalue()


def _shrinks(content: memoryview) -> bool:
    """Whether compressing is worth its time: fields are all digits, and would keep nine tenths of their size."""
    step = max(SAMPLE, len(content) // SAMPLES)
    some = b"".join(content[begin : begin + SAMPLE] for begin in range(0, len(content), step))
    return len(zlib.compress(some, QUICK)) < WORTH * len(some)


def unpacked(data: bytes, mark: str = "") -> Any:
    """
    What was packed with that mark.

    Raises
    ------
    LoadError
        For anything that `packed` has not written, or that another version of it has.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            head = json.loads(file.read(HEAD))
            _check(head, mark)
            return _Unpacker(file, head["things"]).unpack(head["root"])
    except (LoadError, MemoryError):
        raise
    except Exception as error:
        message = f"is damaged, or was not written by returnflow ({type(error).__name__}: {error}); run the case again"
        raise LoadError(message) from error


def _check(head: Mapping[str, Any], mark: str) -> None:
    if head["format"] != FORMAT:
        message = f"has format {head['format']!r}, and this version of returnflow reads {FORMAT}; run the case again"
        raise LoadError(message)
    if head["mark"] != mark:
        message = "is of another run than result.json beside it, or that was edited; run the case again"
        raise LoadError(message)


class _Packer:
    """Writes each thing once, however often it is referred to."""

    def __init__(self, *, fields: bool) -> None:
        self.fields = fields
        self.things: list[Any] = []
        self.arrays: list[np.ndarray[Any, Any]] = []
        self._known: dict[int, tuple[object, Any]] = {}  # keeps what it has seen alive, so that no identity returns

    def pack(self, value: Any) -> Any:
        if value is None or type(value) in (bool, int, str):
            return value
        if isinstance(value, float):
            return float(value) if np.isfinite(value) else {"float": str(value)}
        if isinstance(value, complex):
            return {"complex": [self.pack(value.real), self.pack(value.imag)]}
        if type(value) is tuple:
            return [self.pack(item) for item in value]
        if id(value) not in self._known:
            number = len(self.things)
            self.things.append(None)
            self._known[id(value)] = (value, {"thing": number})
            self.things[number] = self._thing(value)
        return self._known[id(value)][1]

    def _thing(self, value: Any) -> Any:
        kind = type(value)
        if isinstance(value, np.ndarray | np.generic):
            return self._array(np.asarray(value))
        if isinstance(value, Absent):
            return {"absent": list(value.shape)}
        if kind is csr_array:
            parts = [self.pack(getattr(value, name)) for name in ("data", "indices", "indptr")]
            return {"sparse": parts, "shape": [int(n) for n in value.shape]}
        if isinstance(value, shapely.Geometry):
            return {"shape": self._array(np.frombuffer(shapely.to_wkb(value), dtype=np.uint8))}
        if kind in (list, set, frozenset):
            return {kind.__name__: [self.pack(item) for item in value]}
        if isinstance(value, Mapping):
            return {"dict": [[self.pack(key), self.pack(item)] for key, item in value.items()]}
        if OURS.fullmatch(kind.__module__):
            return {"of": f"{kind.__module__}:{kind.__qualname__}", "has": dict(self._attributes(value))}
        message = f"{kind.__module__}.{kind.__qualname__} cannot be kept"
        raise TypeError(message)

    def _array(self, array: np.ndarray[Any, Any]) -> Any:
        if array.size > LARGE and not self.fields and array.dtype != np.uint8:
            return {"absent": list(array.shape)}
        self.arrays.append(array)
        return {"array": len(self.arrays) - 1}

    def _attributes(self, value: Any) -> Iterator[tuple[str, Any]]:
        """Fields of a thing, and what it has worked out of them, as far as that is not merely for solving."""
        names = value._fields if hasattr(value, "_fields") else [field.name for field in dataclasses.fields(value)]
        unused = UNUSED.get(type(value).__name__, set())
        for name in names:
            yield name, None if name in unused else self.pack(getattr(value, name))
        for name in getattr(value, "__dict__", {}).keys() - set(names) - unused:
            before = len(self.things), len(self.arrays)
            try:
                yield name, self.pack(value.__dict__[name])
            except TypeError:  # such as a basis of the finite-element library, which is made again
                del self.things[before[0] :], self.arrays[before[1] :]
                self._known = {k: v for k, v in self._known.items() if v[1]["thing"] < before[0]}


class _Unpacker:
    """Makes each thing once, when it is first referred to."""

    def __init__(self, file: zipfile.ZipFile, things: list[Any]) -> None:
        self._file, self._things = file, things
        self._made: dict[int, Any] = {}

    def unpack(self, value: Any) -> Any:
        if isinstance(value, list):
            return tuple(self.unpack(item) for item in value)
        if not isinstance(value, dict):
            return value
        if "thing" in value:
            number = value["thing"]
            if number not in self._made:
                self._made[number] = self._thing(self._things[number])
            return self._made[number]
        if "float" in value:
            return float(value["float"])
        return complex(*map(self.unpack, value["complex"]))

    def _thing(self, value: dict[str, Any]) -> Any:
        kind, content = next(iter(value.items()))
        if kind == "array":
            return self._array(content)
        if kind == "absent":
            return Absent(tuple(content))
        if kind == "sparse":
            parts = [self.unpack(part) for part in content]
            return (
                Absent(tuple(value["shape"]))
                if any(isinstance(p, Absent) for p in parts)
                else csr_array(tuple(parts), shape=tuple(value["shape"]))
            )
        if kind == "shape":
            return shapely.from_wkb(self._array(content["array"]).tobytes())
        if kind == "dict":
            return {self.unpack(key): self.unpack(item) for key, item in content}
        if kind in ("list", "set", "frozenset"):
            return {"list": list, "set": set, "frozenset": frozenset}[kind](map(self.unpack, content))
        made = _class(content)
        has = {name: self.unpack(item) for name, item in value["has"].items()}
        if hasattr(made, "_fields"):
            return made(**has)
        missing = [f.name for f in dataclasses.fields(made) if f.name not in has]
        if missing:
            lacks = " and ".join(f"{made.__name__}.{name}" for name in missing)
            message = (
                f"has no {lacks}, which this returnflow needs: another state of it wrote the file, even if its version "
                "has the same number; run the case again and save it anew"
            )
            raise LoadError(message)
        thing = object.__new__(made)
        thing.__dict__.update(has)
        return thing

    def _array(self, number: int) -> np.ndarray[Any, Any]:
        with self._file.open(f"{number}.npy") as place:
            array: np.ndarray[Any, Any] = np.lib.format.read_array(place, allow_pickle=False)
        return array


def _class(name: str) -> Any:
    """Dataclass or named tuple of ours; nothing else is ever made, whatever a file says."""
    module, _, path = name.partition(":")
    if OURS.fullmatch(module) and not module.endswith("__main__"):
        found = getattr(import_module(module), path, None)
        if isinstance(found, type) and (dataclasses.is_dataclass(found) or hasattr(found, "_fields")):
            return found
    message = f"holds a {name}, which this version of returnflow does not know; run the case again"
    raise LoadError(message)
