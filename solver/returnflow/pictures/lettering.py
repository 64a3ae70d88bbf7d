"""Text on pictures: measured before it is set, and every letter of a name drawn as it is written."""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import font_manager
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from PIL import Image
from PIL.PngImagePlugin import PngInfo

DPI = 130
SIZE, TITLE_SIZE, LABEL_SIZE = 9.0, 12.0, 8.5  # points
BASE_FONT = "DejaVu Sans"  # comes with matplotlib
NO_GLYPH = "□"


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with our settings whatever the user's own are; names are never read as mathematics."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.family": [BASE_FONT],
                "font.size": SIZE,
                "text.parse_math": False,
                "axes.linewidth": 0.6,
                "xtick.major.width": 0.6,
                "ytick.major.width": 0.6,
            }
        )
        yield


def family(text: str) -> list[str]:
    """Fonts that draw a text: the base font, and installed ones for letters which that does not have."""
    known = _letters(_file(BASE_FONT))
    missing = frozenset(letter for letter in text if ord(letter) not in known)
    return [BASE_FONT, *_fonts_for(missing)]


def clean(text: str, most: int | None = None) -> str:
    """
    Text as it can be drawn: on one line, at most `most` letters, letters without a font as boxes.

    Examples
    --------
    >>> clean("  motor   driver ", 9)
    'motor dr…'
    """
    line = " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in text).split())
    if most is not None and len(line) > most:
        line = line[: most - 1].rstrip() + "…"
    known = [_letters(_file(name)) for name in family(line)]
    return "".join(c if any(ord(c) in letters for letters in known) else NO_GLYPH for c in line)


def text_size(text: str, points: float = SIZE, *, bold: bool = False) -> tuple[float, float]:
    """Width and height of one line in pixels at DPI."""
    font = FontProperties(family=family(text), size=points, weight="bold" if bold else "normal")
    width, height, _ = _renderer().get_text_width_height_descent(text, font, False)  # type: ignore[no-untyped-call]
    return float(width), max(float(height), points * DPI / 72)


def wrap(text: str, width: float, points: float = SIZE, *, bold: bool = False) -> list[str]:
    """Lines of a text that are no wider than a width in pixels; a long word is broken."""
    lines = [""]
    for word in text.split():
        trial = f"{lines[-1]} {word}".strip()
        if text_size(trial, points, bold=bold)[0] <= width:
            lines[-1] = trial
            continue
        rest = word
        while rest:
            fitting = len(rest)
            while fitting > 1 and text_size(rest[:fitting], points, bold=bold)[0] > width:
                fitting -= 1
            lines.append(rest[:fitting])
            rest = rest[fitting:]
    return [line for line in lines if line]


def slug(name: str, taken: set[str] | None = None) -> str:
    """
    Name for a file, safe on every system; unlike all in `taken`, to which it is added.

    Examples
    --------
    >>> taken = set()
    >>> slug("Motor & driver", taken), slug("motor, driver", taken), slug("秤", taken), slug("Größe <1>")
    ('motor-driver', 'motor-driver-2', 'unnamed', 'grosse-1')
    """
    letters = unicodedata.normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^a-z0-9]+", "-", letters).strip("-")[:48].strip("-") or "unnamed"
    if re.fullmatch(r"con|prn|aux|nul|(com|lpt)[0-9]", stem):
        stem = f"{stem}-"  # reserved as file names on one widespread system
    if taken is None:
        return stem
    unique, count = stem, 1
    while unique in taken:
        count += 1
        unique = f"{stem}-{count}"
    taken.add(unique)
    return unique


def png_bytes(figure: Figure) -> bytes:
    """Figure as PNG that names its maker, so that a later run knows its own files."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    about = PngInfo()
    about.add_text("Software", "returnflow")
    buffer = io.BytesIO()
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    # Fields have 64 shades: a palette keeps them, at 40 % of the size; what differs is the smoothing of edges.
    picture = Image.fromarray(pixels).convert("RGB").quantize(256, dither=Image.Dither.NONE)
    picture.save(buffer, format="png", pnginfo=about, dpi=(DPI, DPI))
    return buffer.getvalue()


def new_figure() -> Figure:
    """Empty figure with its canvas; no window, no global state."""
    figure = Figure(dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


@cache
def _renderer() -> RendererAgg:
    return RendererAgg(100, 100, DPI)  # type: ignore[no-untyped-call]


@cache
def _file(name: str) -> str:
    # As a list: a bare string would be read as a pattern, and names of fonts have dashes.
    return font_manager.findfont(FontProperties(family=[name]))


@cache
def _letters(path: str) -> frozenset[int]:
    return frozenset(font_manager.get_font(path).get_charmap())


@cache
def _fonts_for(missing: frozenset[str]) -> tuple[str, ...]:
    """Installed fonts which have the letters; none if there are none."""
    found: list[str] = []
    left = {ord(letter) for letter in missing if not letter.isspace()}
    if not left:
        return ()
    for entry in sorted(font_manager.fontManager.ttflist, key=lambda e: (e.name, e.fname)):
        if entry.name.startswith("Last Resort"):
            continue  # it has every letter, as a box with the name of its alphabet
        if entry.style != "normal" or entry.weight != 400 or not Path(entry.fname).exists() or entry.name in found:
            continue
        try:
            letters = _letters(entry.fname)
        except (RuntimeError, ValueError, OSError):
            continue  # a font file that cannot be read is no help here
        if left & letters:
            found.append(entry.name)
            left -= letters
            if not left:
                break
    return tuple(found)
