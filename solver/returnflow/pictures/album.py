"""All pictures of a result, with captions that say what to see."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from returnflow.advice.study import Study
from returnflow.answers.budget import Budget, Contribution, engineering
from returnflow.answers.result import Result, Spectral
from returnflow.pictures import captions, fields, over_frequency
from returnflow.pictures.board_map import board_frame
from returnflow.pictures.chart import Chart
from returnflow.pictures.comparisons import compared, loud_loops
from returnflow.pictures.frame import Frame
from returnflow.pictures.lettering import house_style, slug
from returnflow.pictures.maps import Maps
from returnflow.pictures.pictured import LEAST_PART, coupling_parts, flow_parts, pictured
from returnflow.pictures.sweep_charts import sweep_pictures
from returnflow.resistive.linear import Progress
from returnflow.words.drives import driven, telling_frequencies

PictureKind = Literal["board", "flow", "coupling", "placement", "strip", "spectrum", "compare", "sweep"]

LEAST_NOISE = 0.1  # of the strongest voltage, for a coupling map of its own
MOST_PAIRS = 4  # coupling maps per sensitive loop or pair of cables, the strongest


@dataclass(frozen=True, kw_only=True)
class Picture:
    """
    One picture.

    Attributes
    ----------
    kind : "board", "flow", "coupling", "placement", "strip", "spectrum", "compare" or "sweep"
    file : str
        File name, unique within a result.
    caption : str
        What to see in it.
    alt : str
        What it shows, for those who cannot see it.
    loops : tuple of str
        Names of the loops it is about.
    png : bytes
    """

    kind: PictureKind
    file: str
    caption: str
    alt: str
    loops: tuple[str, ...]
    png: bytes


def pictures(result: Result, progress: Progress | None = None, *, brief: bool = False) -> list[Picture]:
    """
    Draw every picture of a result.

    Parameters
    ----------
    result : Result
    progress : function of one string, optional
        Called before each picture.
    brief : bool
        Boards, placements and the flows of the loops that dominate a budget only.
    """
    say = progress or (lambda _: None)
    taken: set[str] = set()
    made = []
    with house_style():
        wanted = list(_wanted(result, brief=brief))
        for number, (kind, loops, more, draw, caption, alt) in enumerate(wanted, 1):
            file = slug(" ".join((kind, *loops, *more)), taken) + ".png"
            say(f"picture {number} of {len(wanted)}: {file}")
            made.append(Picture(kind=kind, file=file, caption=caption, alt=alt, loops=loops, png=draw().png()))
    return made


def comparison_pictures(study: Study, progress: Progress | None = None) -> list[Picture]:
    """
    Draw all variants side by side; nothing for a single one.

    Parameters
    ----------
    study : Study
    progress : function of one string, optional
        Called before each picture.
    """
    say = progress or (lambda _: None)
    taken: set[str] = set()
    made = []
    with house_style():
        for wanted in compared(study):
            file = slug(wanted.name, taken) + ".png"
            say(f"variants side by side: {file}")
            png = wanted.panels.png()
            made.append(
                Picture(kind="compare", file=file, caption=wanted.caption, alt=wanted.alt, loops=wanted.loops, png=png)
            )
    return made


def sweeps_drawn(study: Study) -> list[Picture]:
    """Pictures of the sweeps of a study."""
    taken: set[str] = set()
    return [
        Picture(kind="sweep", file=made.file, caption=made.caption, alt=made.alt, loops=made.loops, png=made.png)
        for swept in study.swept
        for made in sweep_pictures(swept, taken)
    ]


_Wanted = tuple[PictureKind, tuple[str, ...], tuple[str, ...], Callable[[], Frame | Chart], str, str]


def _wanted(result: Result, *, brief: bool = False) -> Iterator[_Wanted]:
    views = [result if n == result.focus else result.on(n) for n in pictured(result)]
    maps = [Maps(view, Frame(view, "", "", bar=True).window) for view in views]
    # Files of the first copper are named without it.
    tags = [(), *((view.copper,) for view in views[1:])]
    for view, tag in zip(views, tags, strict=True):
        yield "board", (), tag, partial(board_frame, view), *captions.board_words(view)
    for view, its_maps, tag in zip(views, maps, tags, strict=True):
        for budget in result.sensitive:
            loop = result.case.loop(budget.loop)
            if result.case.board.terminal(loop.inject).copper == view.copper:
                draw = partial(fields.placement_frame, its_maps, budget)
                yield "placement", (budget.loop,), tag, draw, *captions.placement_words(view, budget)
    loud = loud_loops(result) if brief else None
    if loud is None:
        for budget in (*result.sensitive, *result.cables):
            for part in strongest(budget):
                parts = coupling_parts(result, result.index(budget.loop), result.index(part.loop))
                for view, its_maps, tag in zip(views, maps, tags, strict=True):
                    # Where nothing couples, one picture says so; where only induction does, there is nothing to see.
                    nothing = parts.max() == 0 and part.noise <= 2 * abs(part.transfer) * part.current
                    if (nothing and view is views[0]) or parts[view.focus] >= LEAST_PART:
                        draw = partial(fields.coupling_frame, its_maps, budget, part)
                        words = captions.coupling_words(view, budget, part)
                        yield "coupling", (part.loop, budget.loop), tag, draw, *words
    yield from _flows(result, maps, tags, loud)
    if result.spectral is not None and not brief:
        yield from _over_frequency(views[0], result.spectral, maps[0])


def _flows(
    result: Result, maps: Sequence[Maps], tags: Sequence[tuple[str, ...]], only: Sequence[str] | None
) -> Iterator[_Wanted]:
    """Flows on every copper that has a part in them; what is compared has one scale, whatever the copper."""
    loops = result.case.loops
    chosen = [j for j, loop in enumerate(loops) if only is None or loop.name in only]
    flows = [
        (n, j, f)
        for j in chosen
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
            words = captions.flow_words(maps[n].result, j, f, sum(other == span for other in ranges.values()))
            more = (*((engineering(f, "Hz"),) if f > 0 else ()), *tags[n])
            yield "flow", (loops[j].name,), more, partial(fields.flow_frame, maps[n], j, f, span), *words


def _over_frequency(result: Result, spectral: Spectral, maps: Maps) -> Iterator[_Wanted]:
    """Charts with frequency along one axis, and film strips."""
    for j in over_frequency.strip_loops(result):
        words = captions.strip_words(result, j)
        yield "strip", (result.loop_names[j],), (), partial(over_frequency.strip_chart, maps, j), *words
    for j, loop in enumerate(result.case.loops):
        if loop.route is not None:
            draw = partial(over_frequency.impedance_chart, result, spectral, j)
            yield "spectrum", (loop.name,), ("impedance",), draw, *captions.impedance_words(result, j)
    if any(loop.role == "noisy" for loop in result.case.loops):
        draw_shares = partial(over_frequency.share_chart, result, spectral)
        yield "spectrum", (), ("shares",), draw_shares, *captions.share_words(result)
        for budget in (*result.sensitive, *result.cables):
            transfer = partial(over_frequency.transfer_chart, result, spectral, budget)
            yield "spectrum", (budget.loop,), ("transfer",), transfer, *captions.transfer_words(budget)
            noise = partial(over_frequency.noise_chart, result, budget)
            yield "spectrum", (budget.loop,), ("noise",), noise, *captions.noise_words(budget)


def strongest(budget: Budget) -> list[Contribution]:
    """Contributions worth a picture: the strongest, by noise, or by transfer resistance where no current is given."""
    order = sorted(budget.contributions, key=lambda part: (-part.noise, -abs(part.transfer)))
    # What adds less than a hundredth of the strongest one's power teaches nothing more.
    return [part for part in order[:MOST_PAIRS] if part.noise >= LEAST_NOISE * order[0].noise]
