"""Pictures of all variants side by side: the boards, the flow of the loudest loops, and where an amplifier may sit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.colors import LogNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from returnflow.advice.study import Study
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result
from returnflow.pictures.board_map import TRACE
from returnflow.pictures.canvas import COPPER, EDGE, INK, ROLE_COLOURS, ROLE_DASHES, Canvas, Label, shape_path
from returnflow.pictures.fields import (
    CIRCLE,
    FLOW_MAP,
    PLACEMENT_MAP,
    Range,
    draw_circle,
    own_range,
    scaled,
    ticks_between,
)
from returnflow.pictures.maps import Maps
from returnflow.pictures.picture import Wanted
from returnflow.pictures.pictured import LEAST_PART, flow_parts, narrow_over, of_copper, pictured
from returnflow.pictures.side_by_side import MOST, Panels
from returnflow.words.answer_text import lead
from returnflow.words.drives import amperes, strongest_frequency
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.numbers import MM, engineering, millimetres
from returnflow_geometry.model.wording import listed, named

TUBES = 10  # of a flow: the maps are small
MOST_LOOPS = 3  # figures of flows
LEAST = 1e-3  # of the strongest sheet current: where the colours end
ENDS = (("s", "return"), ("^", "inject"))  # told apart by shape: there is no room for names
END_STYLE: dict[str, Any] = {"ms": 5.5, "mfc": ROLE_COLOURS["sensitive"], "mec": "white", "mew": 0.8, "zorder": 6}
NEW, GONE = "#8fc1e3", "#c24a00"
SLIVER = 1e-9  # m²; less copper than that is rounding


def compared(study: Study, *, brief: bool = False) -> Iterator[Wanted]:
    """
    Figures of all variants side by side, with boards that are recommended and nobody drew; none for a single board.

    Brief: at most one of each kind. On the copper that most variants change; every other that one of them changes
    has a figure of the boards.
    """
    if len(study.side_by_side) < 2:
        return
    first, base = next(iter(study.side_by_side.items()))
    coppers = changed_coppers(study) or [base.copper]
    for number, copper in enumerate(coppers[: 1 if brief else None]):
        views, more = views_of(study, copper)
        yield Wanted(
            kind="compare",
            name="compare board" if number == 0 else f"compare board {copper}",
            caption=f"The boards{_plane(views)}. Blue: copper that {named(first)} does not have; "
            "hatched: copper that only it has; terminals that are new or have moved are named, with "
            "an arrow from the old place." + more,
            alt=f"Maps of the copper {copper} of {len(views)} variants.",
            loops=(),
            draw=partial(board_panels, views, {name: study.changes.get(name, ()) for name in views}),
        )
    for loop in loud_loops(base)[: 1 if brief else None]:
        parts = flow_parts(base, base.index(loop))
        views, more = views_of(
            study, next((c for c in coppers if parts[base.conductors.names.index(c)] >= LEAST_PART), base.copper)
        )
        yield Wanted(
            kind="compare",
            name=f"compare flow {loop}",
            caption=f"The return of {named(loop)} in every variant{_plane(views)}, all with the same "
            f"colours for the same sheet current; each of {TUBES} tubes between neighbouring lines carries the same "
            "share." + more,
            alt=f"Maps of the sheet current of {loop} in {len(views)} variants, on one colour scale.",
            loops=(loop,),
            draw=partial(flow_panels, views, loop),
        )
    for budget in base.sensitive[: 1 if brief else None]:
        every, more = views_of(study, base.placements[budget.loop].copper)
        views = {variant: result for variant, result in every.items() if _placed(result, budget.loop)}
        if len(views) < len(every):
            if len(views) < 2:  # which has a picture of its own
                continue
            others = listed((variant for variant in every if variant not in views), "and")
            more = f" In {others} its place would be on another copper.{more}"
        yield Wanted(
            kind="compare",
            name=f"compare placement {budget.loop}",
            caption=f"Noise in series with {named(budget.loop)} with its inject end placed at each point"
            f"{_plane(views)}, all with the same colours for the same voltage. Inside "
            "the line it is within the limit; inside the circle it is so everywhere." + more,
            alt=f"Maps of the noise of {budget.loop} by place in {len(views)} variants, on one colour scale.",
            loops=(budget.loop,),
            draw=partial(placement_panels, views, budget.loop),
        )


def views_of(study: Study, copper: str) -> tuple[dict[str, Result], str]:
    """Results on one copper, as many as one figure shows; those that do not have it are left out, and how many are."""
    views = {
        name: result.on(result.conductors.names.index(copper))
        for name, result in study.side_by_side.items()
        if copper in result.conductors.names
    }
    shown = dict(list(views.items())[:MOST])
    rest = len(study.side_by_side) - len(shown)
    return shown, f" {rest} more variants are left out of this figure." if rest > 0 else ""


def changed_coppers(study: Study) -> list[str]:
    """Wide coppers of the first variant that others change, or what lies over them, those that most change first."""
    base, *others = study.side_by_side.values()
    count = {base.conductors.names[n]: 0 for n in pictured(base)}
    for copper in count:
        first = base.on(base.conductors.names.index(copper))
        for other in others:
            if copper in other.conductors.names:
                view = other.on(other.conductors.names.index(copper))
                count[copper] += bool(_moved(first, view)) or _over(first) != _over(view)
    changed = [copper for copper in count if count[copper]]
    return sorted(changed, key=lambda copper: -count[copper])


def _over(result: Result) -> list[Shape]:
    """The copper shown, and the narrow ones over it."""
    return [result.conductors.planes[n].copper for n in (result.focus, *narrow_over(result))]


def _plane(views: Mapping[str, Result]) -> str:
    return of_copper(next(iter(views.values())))


def loud_loops(base: Result) -> list[str]:
    """Noisy loops that dominate a budget, each once."""
    found = [lead(budget) for budget in (*base.sensitive, *base.cables)]
    return list(dict.fromkeys(item[0].loop for item in found if item is not None))[:MOST_LOOPS]


def board_panels(views: Mapping[str, Result], changes: Mapping[str, Sequence[str]]) -> Panels:
    """Copper, loops and terminals of every variant, with what differs from the first."""
    first, base = next(iter(views.items()))
    legend: list[tuple[Artist, str]] = [
        (Patch(facecolor=COPPER, edgecolor=EDGE, linewidth=0.7), f"copper {named(base.copper)}"),
        (Patch(facecolor=NEW, edgecolor="#0060a8", linewidth=0.7), f"not in {named(first)}"),
        (Patch(facecolor="white", edgecolor=GONE, hatch="//////", linewidth=0.7), f"only in {named(first)}"),
    ]
    if any(narrow_over(result) for result in views.values()):
        legend.append((Line2D([], [], color=TRACE, lw=1.4), "copper on another layer"))
    led = _led_elsewhere(views)
    if led:
        legend.append(
            (Line2D([], [], color="#555555", lw=2.4, alpha=0.4), "outgoing conductor that variants lead elsewhere")
        )
    roles = {loop.role for result in views.values() for loop in result.case.loops}
    legend += [
        (Line2D([], [], color=ROLE_COLOURS[role], lw=1.2, ls=ROLE_DASHES[role]), f"{word}, from end to end")
        for role, word in (("noisy", "noisy loop"), ("sensitive", "sensitive loop"), ("cables", "pair of cables"))
        if role in roles
    ]
    panels = Panels(list(views.values()), "The boards", f"copper {named(base.copper)}", legend=legend)
    for number, (name, result) in enumerate(views.items()):
        canvas = panels.maps[number]
        canvas.draw_copper()
        if number:
            _draw_difference(canvas, base.plane.copper, result.plane.copper)
        board = result.case.board
        for loop in result.case.loops:
            ends = [board.terminal(end) for end in (loop.return_, loop.inject)]
            if any(end.copper == result.copper for end in ends):
                x, y = (MM * np.array(axis) for axis in zip(*(end.centre for end in ends), strict=True))
                colour = ROLE_COLOURS[loop.role]
                canvas.axes.plot(x, y, color=colour, ls=ROLE_DASHES[loop.role], lw=0.9, zorder=4)
            if loop.name in led:
                canvas.draw_route(loop, ROLE_COLOURS[loop.role])
        for n in narrow_over(result):
            copper = shape_path(result.conductors.planes[n].copper)
            new = result.conductors.names[n] not in base.conductors.names
            canvas.draw_path(copper, facecolor=NEW if new else "#f4efc9", edgecolor=TRACE, linewidth=0.9, zorder=4.5)
        canvas.draw_terminals()
        moved = _moved(base, result)
        for here, there in moved.values():
            if here is not None:
                canvas.axes.annotate(
                    "", xy=(MM * there[0], MM * there[1]), xytext=(MM * here[0], MM * here[1]), zorder=6,
                    arrowprops={"arrowstyle": "->", "color": INK, "lw": 1.0, "shrinkA": 0, "shrinkB": 3},
                )  # fmt: skip
        ways = [(MM * np.array(here), MM * np.array(there)) for here, there in moved.values() if here is not None]
        steps = np.concatenate([np.linspace(a, b, 40) for a, b in ways]) / MM if ways else None
        canvas.draw_labels([Label(terminal, there, INK) for terminal, (_, there) in list(moved.items())[:6]], steps)
        line = ", ".join(changes[name]) or f"{len(result.case.loops)} loops"
        panels.draw_head(number, name, line)
    return panels


def _led_elsewhere(views: Mapping[str, Result]) -> set[str]:
    """Loops whose outgoing conductor is not the same in all variants."""
    routes: dict[str, set[object]] = {}
    for result in views.values():
        for loop in result.case.loops:
            routes.setdefault(loop.name, set()).add(loop.route)
    return {name for name, found in routes.items() if len(found) > 1}


def _draw_difference(canvas: Canvas, old: Shape, new: Shape) -> None:
    for shape, style in (
        (new.difference(old), {"facecolor": NEW, "edgecolor": "#0060a8", "linewidth": 0.7}),
        (old.difference(new), {"facecolor": "white", "edgecolor": GONE, "linewidth": 0.7, "hatch": "//////"}),
    ):
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > SLIVER]
        if parts:
            canvas.draw_path(shape_path(shapely.multipolygons(parts)), zorder=1.5, **style)


_Spot = tuple[float, float]


def _moved(base: Result, result: Result) -> dict[str, tuple[_Spot | None, _Spot]]:
    """Terminals on the copper shown that moved by more than a pixel's worth or are new: where they were, and are."""
    before = {terminal.name: terminal.centre for terminal in base.case.board.terminals}
    found: dict[str, tuple[_Spot | None, _Spot]] = {}
    for terminal in result.case.board.terminals:
        old = before.get(terminal.name)
        if terminal.copper == result.copper and (old is None or math.dist(old, terminal.centre) > 1e-4):
            found[terminal.name] = (old, terminal.centre)
    return found


def flow_panels(views: Mapping[str, Result], name: str) -> Panels:
    """Sheet current of one loop in every variant, at the frequency where it is strongest."""
    having = {variant: result.index(name) for variant, result in views.items() if name in result.loop_names}
    at = {variant: strongest_frequency(views[variant], j) for variant, j in having.items()}
    where = " / ".join("0 Hz" if f == 0 else engineering(f, "Hz") for f in dict.fromkeys(at.values()))
    panels = Panels(
        list(views.values()),
        f"{name}: where the return current flows{_plane(views)}",
        f"at {where}, at its strongest line · one scale for all",
        bar=True,
    )
    maps = {variant: Maps(views[variant], panels.window) for variant in having}
    amps = {variant: amperes(views[variant].case.loops[j]) for variant, j in having.items()}
    fields = {variant: amps[variant] * maps[variant].strength(j, at[variant]) for variant, j in having.items()}
    span = _common([own_range(field) for field in fields.values()])
    shown = None
    for number, (variant, result) in enumerate(views.items()):
        canvas = panels.maps[number]
        canvas.draw_copper()
        line = "no such loop"
        if variant in having:
            j = having[variant]
            shown = canvas.draw_field(fields[variant], LogNorm(span.low, span.high), FLOW_MAP)
            canvas.draw_segments(maps[variant].lines(j, at[variant], TUBES), "white", 0.6, zorder=2.5)
            line = panels.as_many_as_fit(_effect(result, name)) or f"current shown: {engineering(amps[variant], 'A')}"
            canvas.draw_route(result.case.loops[j], "white")
        canvas.draw_copper(over=True)
        canvas.draw_terminals()
        panels.draw_head(number, variant, line)
    if shown is not None:
        panels.draw_bar(shown, "sheet current, A/m", ticks_between(span))
    return panels


def _common(ranges: list[Range]) -> Range:
    high = max(span.high for span in ranges)
    low = min(span.low for span in ranges)
    return Range(min(max(low, LEAST * high), 0.05 * high), high)


def _effect(result: Result, noisy: str) -> list[str]:
    """What a noisy loop puts into the sensitive loops or between the cables that it dominates."""
    return [
        f"{engineering(part.noise, 'V')} {'in' if budget in result.sensitive else 'at'} {named(budget.loop)}"
        for budget in (*result.sensitive, *result.cables)
        for part in budget.contributions
        if part.loop == noisy and part.in_band
    ]


def _placed(result: Result, name: str) -> bool:
    """Whether the placement of a sensitive loop is on the copper shown."""
    return name in result.placements and result.placements[name].copper == result.copper


def placement_panels(views: Mapping[str, Result], name: str) -> Panels:
    """Noise of one sensitive loop by the place of its inject end, in variants where that is on the copper shown."""
    budgets = {variant: _budget(result, name) for variant, result in views.items()}
    panels = Panels(
        list(views.values()),
        f"{name}: where the amplifier may be placed{_plane(views)}",
        "noise relative to the return end, rms sum of the noisy loops heard, resistive limit · one scale for all",
        bar=True,
        legend=[
            (Line2D([], [], color=INK, lw=1.5), "limit, rms sum"),
            (
                Line2D([], [], marker="o", mfc="none", mec=CIRCLE, mew=1.3, ls="", ms=8),
                "within limit everywhere inside",
            ),
            *((Line2D([], [], marker=marker, ls="", **END_STYLE), f"its {what} end") for marker, what in ENDS),
        ],
    )
    fields = {}
    for variant, result in views.items():
        loop = result.case.loop(name)
        fields[variant], _ = Maps(result, panels.window).placement(loop)
    strongest = max(float(np.nanmax(field)) for field in fields.values())
    limit = min(budget.limit for budget in budgets.values())
    shown = None
    span = Range(0.0, 0.0)
    if strongest > 0:
        low = min(max(0.1 * limit, 1e-5 * strongest), 0.1 * strongest)
        unit, factor, _ = scaled(limit, "V")
        span = Range(factor * low, factor * strongest)
    for number, (variant, result) in enumerate(views.items()):
        canvas = panels.maps[number]
        canvas.draw_copper()
        loop, budget = result.case.loop(name), budgets[variant]
        radius, connector = result.placements[name].radius, result.case.board.terminal(loop.return_)
        if strongest > 0:
            values = factor * np.maximum(fields[variant], low)
            shown = canvas.draw_field(values, LogNorm(span.low, span.high), PLACEMENT_MAP)
            canvas.draw_level(fields[variant], budget.limit, INK, 1.3, "solid", halo="white")
        said = [f"{engineering(budget.noise, 'V')}, limit {engineering(budget.limit, 'V')}"]
        if np.nanmax(result.placements[name].rms) > budget.limit:
            draw_circle(canvas, connector.centre, radius)
            said.append(f"circle {millimetres(radius, 2)}")
        else:
            said.append("within limit everywhere")
        canvas.draw_copper(over=True)
        canvas.draw_terminals(colour="#5a5a5a")
        for end, (marker, _) in zip((loop.return_, loop.inject), ENDS, strict=True):
            x, y = result.case.board.terminal(end).centre
            canvas.axes.plot(MM * x, MM * y, marker=marker, **END_STYLE)
        panels.draw_head(number, variant, panels.as_many_as_fit(said))
    if shown is not None:
        panels.draw_bar(shown, f"noise in series with the signal, {unit} rms", ticks_between(span), "min")
    return panels


def _budget(result: Result, name: str) -> Budget:
    return next(budget for budget in result.sensitive if budget.loop == name)
