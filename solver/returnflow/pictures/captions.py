"""What to see in each picture: its caption, and what it shows for those who cannot see it."""

from __future__ import annotations

import numpy as np

from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.result import Result
from returnflow.pictures.maps import UNSHARED
from returnflow.pictures.pictured import narrow_over, noise_frequency, of_copper
from returnflow.words.answer_text import bracket
from returnflow.words.drives import amperes, driven, in_band
from returnflow_geometry.model.numbers import engineering, millimetres, near, percent, square_millimetres
from returnflow_geometry.model.wording import named

Words = tuple[str, str]


def board_words(result: Result) -> Words:
    """Caption and alternative text of the board."""
    caption = (
        f"The copper {named(result.copper)} to scale. {_others(result)}Straight lines only join the ends of a loop; "
        "the flow pictures show where the currents flow. Suspect a noisy loop whose return crosses the copper between "
        "the ends of a sensitive loop."
    )
    board = result.case.board
    terminals = sum(terminal.copper == result.copper for terminal in board.terminals)
    return caption, f"Map of the copper {result.copper} with {terminals} terminals and {len(result.case.loops)} loops."


def _others(result: Result) -> str:
    """Sentence on the narrow coppers on a board picture."""
    narrow = [named(result.conductors.names[n]) for n in narrow_over(result)]
    if not narrow:
        return ""
    return f"{', '.join(narrow)} {'passes' if len(narrow) == 1 else 'pass'} over it on another layer (outline). "


def flow_words(result: Result, j: int, frequency: float, sharing: int, tubes: int) -> Words:
    """Caption and alternative text of the flow of loop number j in tubes; `sharing` pictures have its colour scale."""
    loop = result.case.loops[j]
    scale = f"{sharing} flow pictures share this colour scale." if sharing > 1 else ""
    bare = "" if driven(loop) else "Shown for 1 A, as no current is given for this loop."
    if frequency > 0:
        text, alt = _frequency_words(result, j, frequency)
    else:
        peak = result.peaks[j]
        top = engineering(peak.value * amperes(loop), "A/m")
        where = near(peak.x, peak.y)
        here = "" if peak.copper == result.focus else f", on {named(result.conductors.names[peak.copper])}"
        each = engineering(amperes(loop) / tubes, "A")
        carries = (
            f"Links carry a part of it: on every plane one line stands for {each}, to the nearest whole line, and ends "
            "at the link that carries it on"
            if np.any(np.abs(result.whole.link_current[j]) > UNSHARED)
            else f"Between two neighbouring lines flow {each}"
        )
        text = (
            f"Return current of {named(loop.name)}{of_copper(result)}. {carries}: where lines crowd, current crowds. "
            f"Peak sheet current: {top} near {where}{here}."
        )
        alt = (
            f"Map of the sheet current of {loop.name} with lines of flow from {loop.inject} to {loop.return_}; "
            f"peak {top} near {where}."
        )
    return " ".join(part for part in (text, bare, scale) if part), alt


def _frequency_words(result: Result, j: int, frequency: float) -> Words:
    loop, at = result.case.loops[j], engineering(frequency, "Hz")
    # Which plane it gathers on is the one that its conductor faces; of others there is less to say.
    faced = result.facing[j].route is not None and result.facing[j].copper == result.focus
    gathers = ": it gathers under its outgoing conductor, the broad pale line" if faced else ""
    text = f"The return of {named(loop.name)} at {at}{of_copper(result)}{gathers}."
    spectral = result.spectral
    if spectral is not None and faced and frequency in result.frequencies:
        beside = abs(spectral.near[result.frequencies.index(frequency), j])
        if beside == beside:  # not NaN
            text += f" {percent(float(beside))} of it flows within three trace heights of that conductor."
    if spectral is not None and spectral.facts[j].turning:
        half = engineering(spectral.facts[j].turning or 0.0, "Hz")
        text += f" Crossover frequency: {half}."
    return text, f"Map of the sheet current of {loop.name} at {at}, with lines of flow."


def coupling_words(result: Result, budget: Budget, part: Contribution) -> Words:
    """Caption and alternative text of a coupling map."""
    at, total = noise_frequency(result, part), bracket(part.transfer, part.half_width)
    what = f"the transfer resistance of {total}"
    if at:
        whole = result.impedance(at)[result.index(budget.loop), result.index(part.loop)]
        total = engineering(abs(whole), "Ω")
        what = f"the part of the copper in the transfer impedance of {total}; the rest is induced between the loops"
    where = f" at {engineering(at, 'Hz')}, which makes most of the noise" if at else ""
    caption = (
        f"Which copper couples {named(part.loop)} into {named(budget.loop)}{of_copper(result)}{where}. Red: the two "
        "currents flow the same way and the voltage adds; blue: they flow against each other and it subtracts; "
        f"white: one of them is weak, or they cross at right angles. The sum over all copper is {what}. "
        "Moving a terminal, or cutting or adding copper, changes it most inside the outline."
    )
    resistive = abs(part.transfer) * in_band(result, budget, part)[1]
    rejects = result.case.loop(budget.loop).rejection is not None
    if not at and part.in_band and abs(part.noise - resistive) > 0.05 * part.noise:
        caption += (
            f" The map shows the resistive limit, {engineering(resistive, 'V')}; at this loop's own frequencies in band"
            f"{', after the rejection of the input,' if rejects else ''} it is {engineering(part.noise, 'V')}."
        )
    return caption, f"Map of the coupling density between {part.loop} and {budget.loop}; its sum is {total}."


def placement_words(result: Result, budget: Budget) -> Words:
    """Caption and alternative text of a placement map."""
    loop, placement = result.case.loop(budget.loop), result.placements[budget.loop]
    limit = engineering(budget.limit, "V")
    caption = (
        f"Noise in series with {named(loop.name)} with {loop.inject} placed at each point, all in-band loops running. "
        f"Inside the solid line it is within the limit of {limit}. A quiet ribbon that leads away from {loop.return_} "
        "rests on a balance of currents and moves when any of them changes; rely on the circle of "
        f"{millimetres(placement.radius, 2)} around {loop.return_}."
    )
    area = square_millimetres(placement.area)
    return caption, f"Map of the noise relative to {loop.return_} in volts rms; {area} lie within {limit}."


def strip_words(result: Result, j: int) -> Words:
    """Caption and alternative text of a film strip."""
    loop = result.case.loops[j]
    planes = "" if len(result.conductors.names) == 1 else " One row for every plane that carries a part of it."
    text = (
        f"The return of {named(loop.name)} as the frequency rises, all on one colour scale. At DC it spreads over "
        "the copper and takes the path of least resistance; as the frequency rises it gathers under the "
        f"outgoing conductor, and bends around what it cannot cross.{planes}"
    )
    return text, f"Maps of the sheet current of {loop.name}, one for each frequency, from DC up."


def own_resistance(result: Result, j: int) -> str:
    """What of its conductor's own resistance is in the impedance of loop number j."""
    route = result.facing[j].route
    if route is None or not route.crowds:
        return f"the {'trace' if route else 'outgoing conductor'}'s own resistance is not in it"
    return "of the trace's own resistance only what crowding at its edges adds is in it"


def impedance_words(result: Result, j: int) -> Words:
    """Caption and alternative text of a loop impedance."""
    loop = result.case.loops[j]
    text = (
        f"Impedance of the loop of {named(loop.name)}: flat while it is resistive, then rising along its "
        "inductance. Between the two inductances the return leaves the resistive pattern, and the resistance "
        "rises as the ribbon narrows."
    )
    route = result.facing[j].route
    if route is not None:
        text += (
            " The trace itself adds only what its current loses by crowding at its edges, and nothing where it is no "
            "wider than twice its thickness: Re Z is that of the return, and does not compare traces."
        )
    return text, f"Chart of the impedance and the inductance of the loop of {loop.name} over frequency."


def share_words(result: Result) -> Words:
    """Caption and alternative text of shares over frequency."""
    text = (
        "Share of each noisy current through the regions, and share of each return within three trace heights of its "
        "own conductor. A current that crosses a region at DC need not do so at its own frequency."
    )
    return text, f"Chart of shares over frequency, across {len(result.case.regions)} regions and near each conductor."


def transfer_words(budget: Budget) -> Words:
    """Caption and alternative text of transfer impedances."""
    text = (
        f"What one ampere of each noisy loop puts into {named(budget.loop)}. Flat: common copper. Rising with "
        "frequency: the magnetic field. Couplings below about a ten-thousandth of the loops' own impedances "
        "are indicative only."
    )
    return text, f"Chart of transfer impedances to {budget.loop} over frequency."


def noise_words(budget: Budget) -> Words:
    """Caption and alternative text of the noise by lines."""
    text = (
        f"Every line of every noisy current as a voltage in {named(budget.loop)}. Lines at 0 Hz (DC) and of unknown "
        "frequency (any) are shown left of the break in the axis."
    )
    return text, f"Chart of the voltage of every line in {budget.loop}, with its limit."
