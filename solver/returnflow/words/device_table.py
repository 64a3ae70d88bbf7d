"""What each ground pin of a device carries."""

from __future__ import annotations

from returnflow.answers.result import Result
from returnflow.words.link_rows import link_facts
from returnflow.words.table import Table
from returnflow_geometry.casefile.devices import joins
from returnflow_geometry.model.numbers import percent


def devices_table(result: Result) -> Table | None:
    """
    Share of a device's current through each of its ground pins at 0 Hz; None where no device has several.

    The pins are one conductor: the first, where the device's loop begins, carries what the others do not.
    """
    board, rows = result.case.board, []
    own = {loop.name: [n for n, link in enumerate(board.links) if joins(loop, link)] for loop in result.case.loops}
    if not any(own.values()):
        return None
    facts = link_facts(result, (0.0,))
    for number, loop in enumerate(result.case.loops):
        if not own[loop.name]:
            continue
        parts = [(facts[n].link.between[1], float(facts[n].currents[0, number].real)) for n in own[loop.name]]
        first = (loop.inject, 1.0 - sum(share for _, share in parts))
        rows += [[loop.name, pin, percent(share)] for pin, share in sorted([first, *parts], key=lambda row: -row[1])]
    note = (
        "A share below zero flows into the device there, from other copper of the same ground, and out of another pin."
    )
    return Table(
        title="What each ground pin of a device carries of its current, at 0 Hz",
        head=("device", "pin", "share"),
        rows=rows,
        left=2,
        notes=(note,) if any(row[2].startswith(("-", "−")) for row in rows) else (),
    )
