"""Boards of several coppers for the tests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Conduction, Options
from returnflow_geometry.model.board import Board, Case, Copper, Layer, Link, Loop, Terminal
from returnflow_geometry.model.shapes import circle, rectangle

MM = 1e-3
DISC = circle(0.0, 0.0, 20 * MM, corners=96)


def pad(name, copper, x, y, diameter=0.6 * MM, corners=16):
    return Terminal(name=name, copper=copper, shape=circle(x * MM, y * MM, diameter, corners=corners))


def edge(name, copper, x0, y0, x1, y1):
    return Terminal(name=name, copper=copper, shape=rectangle(*(MM * v for v in (x0, y0, x1, y1))))


def loop(name, inject, return_, current=1.0):
    return Loop(name=name, role="noisy", inject=inject, return_=return_, current=current)


def case(coppers, terminals, links, loops, *, layers=2, thickness: Sequence[float] = (35e-6, 35e-6), below=0.2 * MM):
    stack = tuple(
        Layer(name=f"L{n + 1}", thickness=thickness[n], below=below if n + 1 < layers else None) for n in range(layers)
    )
    outline = rectangle(-1.0, -1.0, 1.0, 1.0)
    board = Board(
        outline=outline,
        temperature=20.0,
        layers=stack,
        coppers=tuple(coppers),
        terminals=tuple(terminals),
        links=tuple(links),
    )
    return Case(title="test", board=board, loops=tuple(loops))


def strip(name, layer, x0, x1, width=1.0, y=0.0):
    """Strip along x, in mm."""
    return Copper(name=name, layer=layer, shape=rectangle(x0 * MM, y * MM, x1 * MM, (y + width) * MM))


def solved(review: Case, accuracy: float = 1e-3) -> Conduction:
    conductors = Conductors.of(review)
    return solve(conductors, conductors.ends(review), options=Options(accuracy=accuracy))


def via(name, first, second, resistance=0.0, **more):
    return Link(name=name, between=(first, second), resistance=resistance, **more)


def reduced_network(matrices, joints, ports):
    """
    Resistance between ports of several multi-terminal bodies joined by resistors, by nodal analysis.

    matrices: per body its resistance matrix to its first terminal (n - 1, n - 1); joints: (node, node, ohm); ports:
    (node, node). Nodes count on through the bodies. Textbook.
    """
    sizes = [len(matrix) + 1 for matrix in matrices]
    total = sum(sizes)
    G = np.zeros((total, total))
    at = 0
    for matrix, size in zip(matrices, sizes, strict=True):
        inverse = np.linalg.inv(matrix)
        spread = np.vstack([-np.ones(size - 1), np.eye(size - 1)])
        G[at : at + size, at : at + size] += spread @ inverse @ spread.T
        at += size
    for a, b, ohm in joints:
        for i, j, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
            G[i, j] += sign / ohm
    inject = np.zeros((total, len(ports)))
    for n, (a, b) in enumerate(ports):
        inject[a, n] += 1
        inject[b, n] -= 1
    V = np.linalg.pinv(G) @ inject
    return inject.T @ V
