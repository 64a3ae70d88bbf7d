"""Plain text: columns that stand straight, and shares in per cent."""

from __future__ import annotations

from collections.abc import Sequence

WIDTH = 110  # letters, of running text


def rows_text(head: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> str:
    """Aligned columns; the first `left` are flush left, the others right."""
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    lines = []
    for row in (head, ["-" * width for width in widths], *rows):
        cells = [
            cell.ljust(width) if k < left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  " + "  ".join(cells).rstrip())
    return "\n".join(lines)


def short(text: str, most: int) -> str:
    """
    Text of at most so many letters, its middle left out: what tells long names apart stands at either end.

    Examples
    --------
    >>> short("motor driver", 8), short("motor", 8)
    ('moto…ver', 'motor')
    >>> print(short('a return of its own for "load cell", every gap closed', 34))
    a return of its o…every gap closed
    """
    if len(text) <= most:
        return text
    end = (most - 1) // 2
    return text[: most - 1 - end].rstrip() + "…" + text[len(text) - end :].lstrip()
