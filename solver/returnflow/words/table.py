"""Tables of facts, made once: the terminal shows some of their columns, the report all of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from returnflow.words.columns import rows_text, short


class Cell(NamedTuple):
    """What a table says in one place: a text, smaller lines below it, and how it is marked."""

    text: str
    below: tuple[str, ...] = ()
    mark: str = ""


Entry = str | Cell
WIDEST = 60  # letters of an entry on a terminal


@dataclass(frozen=True, kw_only=True)
class Table:
    """
    A table.

    Attributes
    ----------
    title : str
    head : tuple of str
    rows, foot : sequence of rows
        A row of one entry is a heading of those below it.
    left : int
        So many columns hold text, flush left; the others numbers.
    notes : tuple of str
    marks : mapping of row number to str
        How a row is marked, such as "chosen".
    """

    title: str
    head: tuple[str, ...]
    rows: Sequence[Sequence[Entry]]
    foot: Sequence[Sequence[Entry]] = ()
    left: int = 1
    notes: tuple[str, ...] = ()
    marks: Mapping[int, str] = field(default_factory=dict)

    def parts(self, most: int) -> tuple[Table, ...]:
        """The same with at most so many columns in each, the first in all: what is wider is cut off on paper."""
        count = len(self.head)
        if count <= most:
            return (self,)
        blocks = math.ceil((count - 1) / (most - 1))
        size = math.ceil((count - 1) / blocks)
        spans = [slice(at, at + size) for at in range(1, count, size)]
        return tuple(
            replace(
                self,
                title=self.title if span.start == 1 else f"{self.title}, continued",
                head=(self.head[0], *self.head[span]),
                rows=[row if len(row) == 1 else [row[0], *row[span]] for row in self.rows],
                foot=[[row[0], *row[span]] for row in self.foot],
                left=max(1, self.left - span.start + 1),
                notes=self.notes if span is spans[-1] else (),
            )
            for span in spans
        )

    def text(self, *columns: str) -> str:
        """Aligned columns for a terminal: all, or those of the headings named; a star at the row that is chosen."""
        chosen = [n for n, name in enumerate(self.head) if not columns or name in columns]
        every = (*self.rows, *self.foot)
        rows = [[short(cell.text if isinstance(cell, Cell) else cell, WIDEST) for cell in row] for row in every]
        head = list(self.head)
        if self.marks:
            rows = [[("* " if n in self.marks else "  ") + row[0], *row[1:]] for n, row in enumerate(rows)]
            head[0] = f"  {head[0]}"
        shown = [[row[n] for n in chosen] for row in rows if len(row) > 1]
        return rows_text([head[n] for n in chosen], shown, sum(n < self.left for n in chosen))


def largest(sizes: Sequence[float], most: int) -> tuple[list[int], float]:
    """
    Numbers of the largest few, in their order, and the size that none of the others exceeds.

    Examples
    --------
    >>> largest([1.0, 5.0, 3.0], 2), largest([1.0], 2)
    (([1, 2], 1.0), ([0], 0.0))
    """
    order = sorted(range(len(sizes)), key=lambda n: -abs(sizes[n]))
    return sorted(order[:most]), max((abs(sizes[n]) for n in order[most:]), default=0.0)
