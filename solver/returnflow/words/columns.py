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


def percent(share: float) -> str:
    """
    Share in per cent, three digits.

    Examples
    --------
    >>> percent(0.9876), percent(1.0), percent(0.00012), percent(-0.5), percent(2e-5)
    ('98.8 %', '100 %', '0.012 %', '−50 %', '< 0.01 %')
    """
    if 0 < abs(share) < 1e-4:
        return "< 0.01 %"
    return f"{float(f'{100 * share:.3g}'):.6g} %".replace("-", "−")


def short(text: str, most: int) -> str:
    """
    Text of at most so many letters.

    Examples
    --------
    >>> short("motor driver", 8), short("motor", 8)
    ('motor d…', 'motor')
    """
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def plain(value: float, digits: int = 3) -> str:
    """
    Number without an exponent, for areas and lengths.

    Examples
    --------
    >>> plain(1868.4), plain(0.7113), plain(8.0)
    ('1870', '0.711', '8')
    """
    return f"{float(f'{value:.{digits}g}'):.12g}"
