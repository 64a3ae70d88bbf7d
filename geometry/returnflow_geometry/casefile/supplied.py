"""What a case file may be given besides its own tables."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from returnflow_geometry.casefile.source import Source


@dataclass(frozen=True, kw_only=True)
class Supplied:
    """
    What is known of a board without the case file, such as from fabrication data.

    Attributes
    ----------
    parts : mapping of str to list
        By kind, parts of the board (Layer, Copper, Terminal, Link), or tables of those that the file says something of.
        They come before those of the file, and its variants may change them.
    board : mapping
        Keys of [board] that the file need not give, such as its outline.
    own : mapping or None
        The file's own tables, where some of them are taken in already; None leaves them as they are.
    mistakes, assumptions : tuple of str
    incomplete : collection of str
        Kinds of which a name may be one that could not be supplied; of these, an unknown one is no mistake.
    """

    parts: Mapping[str, Sequence[object]] = field(default_factory=dict)
    board: Mapping[str, object] = field(default_factory=dict)
    own: Mapping[str, Any] | None = None
    mistakes: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    incomplete: Collection[str] = ()


Supply = Callable[[Mapping[str, Any]], Supplied]


class Sourced:
    """
    Supplies a case with the board of the fabrication data that it names; the readers are loaded only where it does.

    Attributes
    ----------
    folder : Path
        Where relative paths begin: the folder of the case file.
    source : Source or None
        What was read; None for a case that names none.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.source: Source | None = None

    def __call__(self, own: Mapping[str, Any]) -> Supplied:
        """Tables of the board."""
        if "source" not in own:
            return Supplied()
        from returnflow_geometry.casefile.source import Source

        self.source = Source(self.folder)
        return self.source(own)
