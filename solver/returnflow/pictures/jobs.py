"""All pictures and fields of a study, drawn side by side."""

from __future__ import annotations

import functools
import tempfile
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass
from pathlib import Path

import joblib

from returnflow.advice.study import Study
from returnflow.answers.processes import pool, replaced_quietly
from returnflow.answers.result import Result
from returnflow.pictures.album import Picture, comparison_pictures, pictures, sweeps_drawn
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
    """

    pictures: dict[str, list[Picture]]
    shared: list[Picture]
    fields: dict[str, bytes]


def draw(study: Study, progress: Progress | None = None, jobs: int | None = None) -> DrawnStudy:
    """
    Draw a study: with several variants each in a process of its own, as many as there are cores at a time.

    Parameters
    ----------
    study : Study
    progress : function of one string, optional
    jobs : int, optional
        Processes; by default one for each core.
    """
    say = progress or (lambda _: None)
    names = list(study.variants)
    work = [functools.partial(_drawn, study[name], brief=number > 0) for number, name in enumerate(names)]
    workers = min(len(work), jobs or joblib.effective_n_jobs(-1))
    made: dict[str, tuple[list[Picture], bytes]] = {}
    if workers <= 1:
        shared = [*comparison_pictures(study, say), *sweeps_drawn(study)]
        for name, item in zip(names, work, strict=True):
            made[name] = item(say)
    else:
        say(f"pictures of {len(work)} variants, {workers} at a time")
        # They are under way as soon as they are asked for: what shows all variants is drawn here meanwhile.
        parallel = pool(workers)
        with replaced_quietly():
            answers = parallel(joblib.delayed(item)(None) for item in work)
            shared = [*comparison_pictures(study, say), *sweeps_drawn(study)]
            try:
                for name, answer in zip(names, answers, strict=True):
                    made[name] = answer
                    say(f"{name}: drawn ({len(made)} of {len(work)})")
            except BrokenExecutor:
                say("a process was ended from outside, most often for want of memory: the rest one at a time")
                for name, item in zip(names, work, strict=True):
                    made[name] = made.get(name) or item(say)
    return DrawnStudy(
        pictures={name: made[name][0] for name in names},
        shared=shared,
        fields={name: made[name][1] for name in names},
    )


def _drawn(result: Result, progress: Progress | None, *, brief: bool) -> tuple[list[Picture], bytes]:
    made = pictures(result, progress, brief=brief)
    with tempfile.TemporaryDirectory() as scratch:
        return made, vtu_bytes(result, Path(scratch) / "fields.vtu")
