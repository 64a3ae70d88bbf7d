"""What image files that do not say it are likely to be: by their endings and names, and by what is in them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.base.outline import board_outline
from returnflow_geometry.fabrication.gerber.image import read_gerber
from returnflow_geometry.model.wording import brief, count, listed, toml_text

# Endings and words that files of this kind usually have; common practice, no source.
NO_COPPER = {
    "solder mask": ("gts gbs stc sts smt smb", "mask resist stop"),
    "solder paste": ("gtp gbp crc crs spt spb", "paste cream stencil"),
    "legend": ("gto gbo plc pls sst ssb", "legend silk overlay screen"),
    "drawing": ("gd1 gg1 gm2 gm3 gm4 gm5 dim", "drawing assembly assy fab note notes map courtyard doc readme"),
    "list of apertures": ("apr apt app", "aperture apertures apt"),
    "pads only": ("gpt gpb", "pads"),
    "glue": ("", "glue adhesive"),
}
OUTLINE = ("gko gm1 gml oln out", "outline edge profile border contour dimension")
TOP, BOTTOM = ("gtl cmp top", "top front component"), ("gbl sol bot", "bottom bot back solder")
LONG = 4  # letters: a word as long may be the end of another, such as of soldermask
INNER = re.compile(r"(?:g|gp|gl|in)(\d{1,2})|g(\d{1,2})l|l(\d{1,2})")
NUMBERED = re.compile(r"(?:l|layer|lay|in|inner|int|internal|plane|signal|cu)(\d{1,2})")
SIDES = {"f": 0.0, "b": math.inf}
FEW = 2000  # lines: a picture of more is no outline


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """What each file is taken for and why; and why the others are left out."""

    table: dict[str, str]
    reasons: dict[str, str]
    left_out: dict[str, str]

    def text(self) -> str:
        """The table as a case writes it, and what it leaves out."""
        if not self.table:
            return ""
        pairs = ", ".join(f"{toml_text(file)} = {toml_text(role)}" for file, role in self.table.items())
        why = "; ".join(f"{brief(file)}: {reason}" for file, reason in self.reasons.items())
        out = "; ".join(f"{brief(file)}: {reason}" for file, reason in self.left_out.items())
        return f"source_layers = {{ {pairs} }} ({why})" + (f"; left out are {out}" if out else "")


@dataclass(frozen=True)
class _Content:
    """How many lines, flashes and areas an image draws."""

    lines: int
    flashes: int
    areas: int

    def __str__(self) -> str:
        return f"{count(self.lines, 'line')}, {count(self.flashes, 'flash', 'flashes')}, {count(self.areas, 'area')}"


def propose(images: Mapping[str, bytes], limits: Limits) -> Proposal:
    r"""
    Propose what image files are.

    Parameters
    ----------
    images : mapping of str to bytes
        File name to content.
    limits : Limits

    Examples
    --------
    >>> pad, line = b"%ADD10C,1*%D10*X0Y0D03*M02*", b"%ADD10C,1*%D10*X0Y0D02*X5Y0D01*M02*"
    >>> found = propose({"a.gtl": pad, "a.gbl": pad, "a.gts": pad, "a.g2": line, "a.apr": b"%ADD10C,1*%"}, Limits())
    >>> found.table
    {'a.gtl': 'L1', 'a.g2': 'L2', 'a.gbl': 'L3'}
    >>> found.left_out
    {'a.apr': 'draws nothing, as a list of apertures does', 'a.gts': 'solder mask by its ending .gts'}
    """
    coppers: list[tuple[float, str, str]] = []
    table: dict[str, str] = {}
    reasons: dict[str, str] = {}
    left_out: dict[str, str] = {}
    open_: list[str] = []
    # A word of every name is the board's, and tells nothing.
    shared = set.intersection(*(set(_words(file)) for file in images)) if len(images) > 1 else set()
    for file, data in sorted(images.items()):
        content = _content(data)
        words = [word for word in _words(file) if word not in shared]
        ending = PurePosixPath(file.lower()).suffix.removeprefix(".")
        if not (content.lines or content.flashes or content.areas):
            left_out[file] = "draws nothing, as a list of apertures does"
        elif why := next(filter(None, (_said(what, key, ending, words) for what, key in NO_COPPER.items())), ""):
            left_out[file] = why
        elif how := _by(OUTLINE, ending, words):
            table[file], reasons[file] = "outline", f"outline by {how}"
        elif {"drill", "hole", "holes"} & set(words):
            if content.lines or content.areas:
                left_out[file] = "a drawing of the holes: it has lines"
            else:
                table[file], reasons[file] = "drill", "holes by a word of its name, and only flashes in it"
        elif (place := _place(ending, words)) is not None:
            rank, how = place
            coppers.append((rank, file, f"copper by {how}; {content}"))
        else:
            open_.append(file)
    if "outline" not in table.values():
        for file in [file for file in open_ if _closes(images[file], file, limits)]:
            table[file], reasons[file] = "outline", "outline, as its lines close round one area"
            open_.remove(file)
            break
    left_out |= dict.fromkeys(open_, "neither its name nor its content tells")
    coppers.sort()
    doubled = {rank for rank, *_ in coppers if sum(other == rank for other, *_ in coppers) > 1}
    for rank, file, _ in coppers:
        if rank in doubled:
            same = [other for other_rank, other, _ in coppers if other_rank == rank and other != file]
            left_out[file] = f"{listed(same)} could be the same layer"
    if doubled:  # the numbers of the others would rest on what is open
        left_out |= {file: "its number is open" for rank, file, _ in coppers if rank not in doubled}
        coppers = []
    found = {file: f"L{number}" for number, (_, file, _) in enumerate(coppers, start=1)}
    reasons = {file: why for _, file, why in coppers} | reasons
    return Proposal(table=found | table if found else {}, reasons=reasons, left_out=dict(sorted(left_out.items())))


def _place(ending: str, words: list[str]) -> tuple[float, str] | None:
    """Rank of a copper layer from the top, and how it is told."""
    for rank, key in ((0.0, TOP), (math.inf, BOTTOM)):
        if how := _by(key, ending, words):
            return rank, how
    if found := INNER.fullmatch(ending):
        return float(next(filter(None, found.groups()))), f"its ending .{ending}"
    for first, second in zip(words, [*words[1:], ""], strict=True):
        for text in (first, first + second):
            if found := NUMBERED.fullmatch(text):
                return float(found[1]), f'"{text}" in its name'
        if second in {"cu", "copper"} and first in SIDES:
            return SIDES[first], f'"{first}" and "{second}" in its name'
    return None


def _said(what: str, key: tuple[str, str], ending: str, words: list[str]) -> str:
    how = _by(key, ending, words)
    return f"{what} by {how}" if how else ""


def _by(key: tuple[str, str], ending: str, words: list[str]) -> str:
    """How a file is told to be of a kind; empty if it is not."""
    endings, pattern = key
    if ending in endings.split():
        return f"its ending .{ending}"
    known = pattern.split()
    ends = tuple(word for word in known if len(word) >= LONG)
    word = next((word for word in words if word in known or (ends and word.endswith(ends))), "")
    return f'"{word}" in its name' if word else ""


def _words(file: str) -> list[str]:
    """
    Words of a file's name, in lower case.

    Examples
    --------
    >>> _words("my board-F_Cu.gbr"), _words("TopSolderMask.art")
    (['my', 'board', 'f', 'cu'], ['top', 'solder', 'mask'])
    """
    stem = PurePosixPath(file).stem
    return [word.lower() for word in re.findall(r"[A-Z]?[a-z]+\d*|[A-Z]+\d*|\d+", stem)]


def _content(data: bytes) -> _Content:
    r"""
    Count what an image draws; a line may leave its code out, as the one before holds on.

    Examples
    --------
    >>> print(_content(b"X0Y0D02*X1Y0D01*\nX1Y1*X5Y5D03*G36*"))
    2 lines, 1 flash, 1 area
    """
    counts = {1: 0, 2: 0, 3: 0}
    last = 0
    for found in re.finditer(rb"(?:[XYIJ][-+]?\d+)+(?:D0?([123]))?\*|(?<![\dA-Z])D0?([123])\*", data):
        code = found[1] or found[2]
        last = int(code) if code else last
        if last:
            counts[last] += 1
    return _Content(counts[1], counts[3], len(re.findall(rb"G36\*", data)))


def _closes(data: bytes, file: str, limits: Limits) -> bool:
    """Whether an image draws a few lines that close round one area, and nothing else."""
    content = _content(data)
    if content.flashes or content.areas or content.lines > FEW:
        return False
    try:
        shape, *_ = board_outline(read_gerber(data, file, limits).strokes, file)
    except FabricationError:
        return False
    return bool(shape.geom_type == "Polygon")
