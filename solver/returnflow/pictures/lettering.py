"""Text on pictures: measured before it is set, and every letter of a name drawn as it is written."""

from __future__ import annotations

import io
import re
import textwrap
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

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
# Fonts that systems bring for the letters of the world, and for signs.
MORE_FONTS = (
    "Noto Sans", "Noto Sans CJK SC", "Noto Sans CJK JP", "Noto Sans Symbols2", "Segoe UI", "Microsoft YaHei",
    "Yu Gothic", "Malgun Gothic", "Nirmala UI", "Leelawadee UI", "Segoe UI Symbol", "Hiragino Sans", "PingFang SC",
    "Apple SD Gothic Neo", "Arial Unicode MS", "WenQuanYi Zen Hei", "Droid Sans Fallback", "FreeSans",
)  # fmt: skip
NO_GLYPH = "□"


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with our settings whatever the user's own are; names are never read as mathematics."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.family": _families(),
                "font.size": SIZE,
                "text.parse_math": False,
                "axes.linewidth": 0.6,
                "xtick.major.width": 0.6,
                "ytick.major.width": 0.6,
            }
        )
        yield


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
    known = _letters()
    return "".join(c if ord(c) in known else NO_GLYPH for c in line)


def text_size(text: str, points: float = SIZE, *, bold: bool = False) -> tuple[float, float]:
    """Width and height of one line in pixels at DPI."""
    font = FontProperties(family=_families(), size=points, weight="bold" if bold else "normal")
    width, height, _ = _renderer().get_text_width_height_descent(text, font, False)  # type: ignore[no-untyped-call]
    return float(width), max(float(height), points * DPI / 72)


def wrap(text: str, width: float, points: float = SIZE, *, bold: bool = False) -> list[str]:
    """Lines of a text that are no wider than a width in pixels; a long word is broken."""
    whole = max(text_size(text, points, bold=bold)[0], 1.0)
    most = max(1, min(len(text), int(1.3 * len(text) * width / whole)))
    while True:
        lines = textwrap.wrap(text, most)
        if most == 1 or all(text_size(line, points, bold=bold)[0] <= width for line in lines):
            return lines
        most -= 1


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


class Sheet(Figure):
    """Figure that a notebook shows as the report does, whatever is set up there."""

    def _repr_png_(self) -> bytes:
        return png_bytes(self)


def new_figure() -> Figure:
    """Empty figure with its canvas; no window, no global state."""
    figure = Sheet(dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


@cache
def _renderer() -> RendererAgg:
    return RendererAgg(100, 100, DPI)  # type: ignore[no-untyped-call]


@cache
def _families() -> list[str]:
    """The base font, and the others that are installed, for letters it has not."""
    installed = {entry.name for entry in font_manager.fontManager.ttflist}
    return [BASE_FONT, *(name for name in MORE_FONTS if name in installed)]


@cache
def _letters() -> frozenset[int]:
    """Letters that any of the fonts has."""
    # As lists: a bare string would be read as a pattern, and names of fonts have dashes.
    files = [font_manager.findfont(FontProperties(family=[name])) for name in _families()]
    return frozenset().union(*(font_manager.get_font(file).get_charmap() for file in files))
