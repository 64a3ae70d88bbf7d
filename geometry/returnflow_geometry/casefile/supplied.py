"""What a case file may be given besides its own tables."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, kw_only=True)
class Supplied:
    """
    What is known of a board without the case file, such as from fabrication data.

    Attributes
    ----------
    tables : mapping of str to list of dict
        Tables by kind (layer, copper, cutout, terminal, link), as a case file would have them: they come before those
        of the file, and its variants may change them. A `shape` may be a Polygon or MultiPolygon in metres.
    board : mapping
        Keys of [board] that the file need not give, such as its outline.
    own : mapping or None
        The file's own tables, where some of them are taken in already; None leaves them as they are.
    mistakes, assumptions : tuple of str
    incomplete : collection of str
        Kinds of which a name may be one that could not be supplied; of these, an unknown one is no mistake.
    """

    tables: Mapping[str, list[dict[str, object]]] = field(default_factory=dict)
    board: Mapping[str, object] = field(default_factory=dict)
    own: Mapping[str, Any] | None = None
    mistakes: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    incomplete: Collection[str] = ()


Supply = Callable[[Mapping[str, Any]], Supplied]
