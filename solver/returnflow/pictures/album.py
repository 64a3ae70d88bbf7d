"""All pictures of a result, with captions that say what to see."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Literal

from returnflow.advice.study import Study
from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.result import Result, Spectral
from returnflow.pictures import captions, fields, over_frequency, share_chart, supply_chart, why
from returnflow.pictures.board_map import board_frame
from returnflow.pictures.comparisons import compared
from returnflow.pictures.frame import Frame
from returnflow.pictures.maps import Maps
from returnflow.pictures.picture import Drawing, Picture, PictureKind, Wanted, draw_all
from returnflow.pictures.pictured import LEAST_PART, coupling_parts, flow_parts, noise_frequency, pictured
from returnflow.pictures.sources_map import sources_frame, sources_words, telling
from returnflow.pictures.sweep_charts import sweep_pictures
from returnflow.resistive.linear import Progress
from returnflow.words.drives import amperes, driven, in_band, telling_frequencies
from returnflow.words.result_tables import MOST_ROWS
from returnflow.words.table import largest
from returnflow_geometry.model.numbers import engineering

LEAST_NOISE = 0.1  # of the strongest voltage, for a coupling map of its own
Extent = Literal["all", "brief"]
MOST_FLOWS = 24  # loops of which every flow is drawn
MOST_PAIRS = 4  # coupling maps per sensitive loop or pair of cables, the strongest


def pictures(result: Result, progress: Progress | None = None, *, extent: Extent = "all") -> list[Picture]:
    """
    Draw the pictures of a result.

    Parameters
    ----------
    result : Result
    progress : function of one string, optional
        Called before each picture.
    extent : "all" or "brief"
        Brief: the picture that shows why, and the first board.
    """
    return draw_all(_wanted(result, extent), progress)


def shared_pictures(study: Study, progress: Progress | None = None, *, brief: bool = False) -> list[Picture]:
    """
    Draw what shows all variants side by side, and the sweeps.

    Parameters
    ----------
    study : Study
    progress : function of one string, optional
        Called before each picture.
    brief : bool
        At most one picture of each kind.
    """
    sweeps = itertools.chain.from_iterable(map(sweep_pictures, study.swept))
    return draw_all([*compared(study, brief=brief), *itertools.islice(sweeps, 1 if brief else None)], progress)


def _wanted(result: Result, extent: Extent) -> Iterator[Wanted]:
    views = [result if n == result.focus else result.on(n) for n in pictured(result)]
    maps = [Maps(view, Frame(view, "", "", bar=True).window) for view in views]
    # Files of the first copper are named without it.
    tags = [(), *((view.copper,) for view in views[1:])]
    if (found := why.answered(result)) is not None:
        view = result.on(why.telling_copper(result, *found))
        draw: Callable[[], Drawing] = partial(why.why_frame, view, *found)
        yield _one("why", (found[1].loop, found[0].loop), (), draw, why.why_words(view, *found))
    for view, tag in zip(views[: 1 if extent == "brief" else None], tags, strict=False):
        yield _one("board", (), tag, partial(board_frame, view), captions.board_words(view))
    for budget in (*result.sensitive, *result.cables):
        if telling(budget):
            inject = result.case.board.terminal(result.case.loop(budget.loop).inject)
            view = next((view for view in views if view.copper == inject.copper), views[0])
            words = sources_words(result, budget)
            yield _one("sources", (budget.loop,), (), partial(sources_frame, view, budget), words)
    if extent == "brief":
        return
    for view, its_maps, tag in zip(views, maps, tags, strict=True):
        for budget in result.sensitive:
            if result.placements[budget.loop].copper == view.copper:
                draw = partial(fields.placement_frame, its_maps, budget)
                yield _one("placement", (budget.loop,), tag, draw, captions.placement_words(view, budget))
    for budget in (*result.sensitive, *result.cables):
        for part in strongest(budget):
            i, j = result.index(budget.loop), result.index(part.loop)
            parts = coupling_parts(result, i, j, noise_frequency(result, part))
            for view, its_maps, tag in zip(views, maps, tags, strict=True):
                # Where nothing couples, one picture says so; where only induction does, there is nothing to see.
                nothing = parts.max() == 0 and part.noise <= 2 * abs(part.transfer) * in_band(result, budget, part)[1]
                if (nothing and view is views[0]) or parts[view.focus] >= LEAST_PART:
                    draw = partial(fields.coupling_frame, its_maps, budget, part)
                    words = captions.coupling_words(view, budget, part)
                    yield _one("coupling", (part.loop, budget.loop), tag, draw, words)
    yield from _flows(result, maps, tags)
    if result.spectral is not None:
        yield from _over_frequency(views[0], result.spectral)


def _flows(result: Result, maps: Sequence[Maps], tags: Sequence[tuple[str, ...]]) -> Iterator[Wanted]:
    """Flows on every copper that has a part in them; what is compared has one scale, whatever the copper."""
    loops = result.case.loops
    flows = [
        (n, j, f)
        for j in followed(result)
        for f in (0.0, *telling_frequencies(result, j))
        for parts in [flow_parts(result, j, f)]
        for n, its_maps in enumerate(maps)
        if parts[its_maps.result.focus] >= LEAST_PART
    ]
    groups = [[flow for flow in flows if flow[2] == 0 and driven(loops[flow[1]]) == has] for has in (True, False)]
    # A ribbon under a conductor is so much denser than a resistive pattern that one scale would show neither.
    groups += [[flow for flow in flows if flow[1:] == key] for key in dict.fromkeys(f[1:] for f in flows if f[2] > 0)]
    for group in groups:
        ranges = fields.shared_ranges({(n, j, f): fields.flow_range(maps[n], j, f) for n, j, f in group})
        for (n, j, f), span in ranges.items():
            sharing = sum(other == span for other in ranges.values())
            words = captions.flow_words(maps[n].result, j, f, sharing, maps[n].tubes(j, f, fields.TUBES))
            more = (*((engineering(f, "Hz"),) if f > 0 else ()), *tags[n])
            yield _one("flow", (loops[j].name,), more, partial(fields.flow_frame, maps[n], j, f, span), words)


def followed(result: Result) -> list[int]:
    """Loops whose flow is drawn: all, or of many those with a limit and the largest of the others."""
    loops = result.case.loops
    if len(loops) <= MOST_FLOWS:
        return list(range(len(loops)))
    noise = {
        part.loop: max(part.noise, 0.0)
        for budget in (*result.cables, *result.sensitive)
        for part in sorted(budget.contributions, key=lambda part: part.noise)
    }
    size = [noise.get(loop.name, 0.0) or 1e-12 * amperes(loop) for loop in loops]
    limited = {budget.loop for budget in (*result.sensitive, *result.cables)}
    free = [j for j, loop in enumerate(loops) if loop.name not in limited]
    kept = {free[n] for n in largest([size[j] for j in free], MOST_ROWS)[0]}
    return [j for j, loop in enumerate(loops) if loop.name in limited or j in kept]


def _over_frequency(result: Result, spectral: Spectral) -> Iterator[Wanted]:
    """Charts with frequency along one axis, and film strips."""
    for j in over_frequency.strip_loops(result):
        words = captions.strip_words(result, j)
        yield _one("strip", (result.loop_names[j],), (), partial(over_frequency.strip_chart, result, j), words)
    for j, loop in enumerate(result.case.loops):
        if loop.route is not None:
            draw = partial(over_frequency.impedance_chart, result, spectral, j)
            yield _one("spectrum", (loop.name,), ("impedance",), draw, captions.impedance_words(result, j))
    for facts in result.supplies:
        drawn = partial(supply_chart.supply_chart, result, facts)
        yield _one("spectrum", (facts.loop,), ("supply",), drawn, supply_chart.supply_words(facts))
    if any(loop.role == "noisy" for loop in result.case.loops):
        if share_chart.has_shares(result):
            draw_shares = partial(share_chart.share_chart, result, spectral)
            yield _one("spectrum", (), ("shares",), draw_shares, captions.share_words(result))
        for budget in (*result.sensitive, *result.cables):
            transfer = partial(over_frequency.transfer_chart, result, spectral, budget)
            yield _one("spectrum", (budget.loop,), ("transfer",), transfer, captions.transfer_words(budget))
            noise = partial(over_frequency.noise_chart, result, budget)
            yield _one("spectrum", (budget.loop,), ("noise",), noise, captions.noise_words(budget))


def strongest(budget: Budget) -> list[Contribution]:
    """Contributions worth a picture: the strongest, by noise, or by transfer resistance where no current is given."""
    order = sorted(budget.contributions, key=lambda part: (-part.noise, -abs(part.transfer)))
    # What adds less than a hundredth of the strongest one's power teaches nothing more.
    return [part for part in order[:MOST_PAIRS] if part.noise >= LEAST_NOISE * order[0].noise]


def _one(
    kind: PictureKind,
    loops: tuple[str, ...],
    more: tuple[str, ...],
    draw: Callable[[], Drawing],
    words: tuple[str, str],
) -> Wanted:
    name = " ".join((kind, *loops, *more))
    return Wanted(kind=kind, name=name, caption=words[0], alt=words[1], loops=loops, draw=draw)
