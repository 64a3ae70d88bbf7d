"""All pictures and fields of a study, drawn side by side."""

from __future__ import annotations

import functools
import tempfile
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, field
from pathlib import Path

import joblib

from returnflow.advice.study import Study
from returnflow.answers.processes import pool, replaced_quietly
from returnflow.answers.result import Result
from returnflow.pictures.album import Extent, pictures, shared_pictures
from returnflow.pictures.picture import Picture
from returnflow.pictures.vtu import vtu_bytes
from returnflow.resistive.linear import Progress


@dataclass(frozen=True, kw_only=True)
class DrawnStudy:
    """
    What a study looks like.

    Attributes
    ----------
    pictures : dict, variant name to list of Picture
        All of the first variant, few of the others.
    shared : list of Picture
        Of all variants side by side, and of sweeps.
    fields : dict, variant name to bytes
        Content of fields.vtu.
    failed : tuple of str
        What could not be made, and why.
    """

    pictures: dict[str, list[Picture]] = field(default_factory=dict)
    shared: list[Picture] = field(default_factory=list)
    fields: dict[str, bytes] = field(default_factory=dict)
    failed: tuple[str, ...] = ()


def draw(study: Study, progress: Progress | None = None, jobs: int | None = None, *, brief: bool = False) -> DrawnStudy:
    """
    Draw a study: with several variants each in a process of its own, as many as there are cores at a time.

    Parameters
    ----------
    study : Study
    progress : function of one string, optional
    jobs : int, optional
        Processes; by default one for each core.
    brief : bool
        Only what the brief report shows.
    """
    say = progress or (lambda _: None)
    names = list(study.variants)
    first: Extent = "brief" if brief else "all"
    others: Extent | None = None if brief else "few"
    extents = [first if number == 0 else others for number in range(len(names))]
    work = [functools.partial(_drawn, study[name], extent) for name, extent in zip(names, extents, strict=True)]
    workers = min(len(work), jobs or joblib.effective_n_jobs(-1))
    made: dict[str, tuple[list[Picture], bytes, str]] = {}
    if workers <= 1:
        shared = shared_pictures(study, say, brief=brief)
        for name, item in zip(names, work, strict=True):
            made[name] = item(say)
    else:
        say(f"pictures of {len(work)} variants, {workers} at a time")
        # They are under way as soon as they are asked for: what shows all variants is drawn here meanwhile.
        parallel = pool(workers)
        with replaced_quietly():
            answers = parallel(joblib.delayed(item)(None) for item in work)
            shared = shared_pictures(study, say, brief=brief)
            try:
                for name, answer in zip(names, answers, strict=True):
                    made[name] = answer
                    say(f"{name}: drawn ({len(made)} of {len(work)})")
            except BrokenExecutor:
                say("a process was killed, usually for lack of memory: drawing the rest one at a time")
                for name, item in zip(names, work, strict=True):
                    made[name] = made.get(name) or item(say)
    every = [*shared, *(picture for name in names for picture in made[name][0])]
    return DrawnStudy(
        pictures={name: made[name][0] for name in names},
        shared=shared,
        fields={name: made[name][1] for name in names if made[name][1]},
        failed=(
            *(picture.caption for picture in every if not picture.png),
            *(f"{name}: {made[name][2]}" for name in names if made[name][2]),
        ),
    )


def _drawn(result: Result, extent: Extent | None, progress: Progress | None) -> tuple[list[Picture], bytes, str]:
    """Pictures, content of fields.vtu, and why there is none."""
    made = pictures(result, progress, extent=extent) if extent else []
    try:
        with tempfile.TemporaryDirectory() as scratch:
            return made, vtu_bytes(result, Path(scratch) / "fields.vtu"), ""
    except Exception as error:  # the numbers stand without it
        return made, b"", f"fields.vtu could not be written ({type(error).__name__}: {error})."
