"""Links in numbers: what each is made of, and what part of every current flows in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.result import Result
from returnflow.resistive.links import Links
from returnflow_geometry.model.board import Link

Complexes = NDArray[np.complex128]

LEAST = 1e-6  # of a current; less through a link is none


@dataclass(frozen=True, kw_only=True)
class LinkFacts:
    """
    One link.

    Attributes
    ----------
    link : Link
    solved : bool
        False where no loop reaches it.
    at_rest : "conducts", "open" or "closed"
        At 0 Hz; a capacitor is open there, but taken as closed where the loops have no other way.
    impedance : array, shape (frequencies,)
        Ohm; infinite where it is open.
    currents : array, shape (frequencies, loops)
        From its first to its second terminal, per ampere of every loop; NaN where it is not solved.
    """

    link: Link
    solved: bool
    at_rest: str
    impedance: Complexes
    currents: Complexes


def link_facts(result: Result, frequencies: Sequence[float]) -> tuple[LinkFacts, ...]:
    """Every link of a case, in its order, at some frequencies in hertz; above 0 only where that was modelled."""
    board = result.case.board
    known = {name: n for n, name in enumerate(result.whole.links.names)}
    spectral = result.spectral
    names = [link.name for link in board.links]
    through = {f: spectral.model.through(names, f) for f in frequencies if f > 0} if spectral is not None else {}
    shape = (len(frequencies), len(result.case.loops))
    facts = []
    for number, link in enumerate(board.links):
        solved = link.name in result.conductors.links.names
        currents = np.full(shape, np.nan + 0j) if not solved else np.zeros(shape, dtype=complex)
        for row, f in enumerate(frequencies):
            if solved and f == 0 and link.name in known:
                currents[row] = result.whole.link_current[:, known[link.name]]
            elif solved and f in through:
                currents[row] = np.nan_to_num(through[f][number])
        at_rest = "conducts"
        if link.capacitance is not None:
            at_rest = "closed" if link.name in known else "open"
        ends = {name: n for n, name in enumerate(link.between)}
        single = Links.of([link], ends)
        impedance = np.array(
            [
                single.impedance(f)[0] if f > 0 else complex(np.inf if at_rest == "open" else link.resistance)
                for f in frequencies
            ]
        )
        facts.append(LinkFacts(link=link, solved=solved, at_rest=at_rest, impedance=impedance, currents=currents))
    return tuple(facts)


def using(result: Result, facts: tuple[LinkFacts, ...]) -> list[int]:
    """Numbers of the loops of which any link carries a part."""
    currents = [np.abs(item.currents) for item in facts if item.solved]
    if not currents:
        return []
    return [j for j in range(len(result.case.loops)) if max(float(part[:, j].max()) for part in currents) > LEAST]
