"""A picture to draw, and one that is drawn: a failure takes none of the others with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

from matplotlib.figure import Figure

from returnflow.pictures.lettering import house_style, slug
from returnflow.resistive.linear import Progress

PictureKind = Literal[
    "why", "board", "sources", "flow", "coupling", "placement", "strip", "spectrum", "compare", "sweep"
]


class Drawing(Protocol):
    """Anything that can be had as PNG."""

    @property
    def figure(self) -> Figure:
        """The figure itself."""

    def png(self) -> bytes:
        """Picture as PNG."""


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """
    A picture to draw.

    Attributes
    ----------
    kind : PictureKind
    name : str
        What its file is called, without suffix; made safe and unique.
    caption, alt : str
        What to see in it; what it shows, for those who cannot see it.
    loops : tuple of str
        Names of the loops it is about.
    draw : function
    """

    kind: PictureKind
    name: str
    caption: str
    alt: str
    loops: tuple[str, ...]
    draw: Callable[[], Drawing]


@dataclass(frozen=True, kw_only=True)
class Picture:
    """
    A picture that is drawn.

    Attributes
    ----------
    kind : PictureKind
    file : str
        File name, unique within a result.
    caption, alt : str
        As wanted; where it could not be drawn, the caption says why.
    loops : tuple of str
    png : bytes
        Empty where it could not be drawn.
    """

    kind: PictureKind
    file: str
    caption: str
    alt: str
    loops: tuple[str, ...]
    png: bytes

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels, from the header."""
        width, height = (int.from_bytes(self.png[at : at + 4], "big") for at in (16, 20))
        return width, height


def draw_all(
    wanted: Iterable[Wanted], progress: Progress | None = None, taken: set[str] | None = None
) -> list[Picture]:
    """
    Draw pictures, in our own style.

    Parameters
    ----------
    wanted : iterable of Wanted
    progress : function of one string, optional
        Called before each picture.
    taken : set of str, optional
        Stems of file names that are taken; those made are added.
    """
    taken = set() if taken is None else taken
    made = []
    with house_style():
        every = list(wanted)
        for number, it in enumerate(every, 1):
            file, caption, png = slug(it.name, taken) + ".png", it.caption, b""
            if progress:
                progress(f"picture {number} of {len(every)}: {file}")
            try:
                png = it.draw().png()
            except Exception as error:  # the numbers stand without it, and the report says so
                caption = f"{file} could not be drawn ({type(error).__name__}: {error}). {caption}"
            made.append(Picture(kind=it.kind, file=file, caption=caption, alt=it.alt, loops=it.loops, png=png))
    return made
