"""All pictures and fields of a study: of the first variant in a process of its own, of all side by side here."""

from __future__ import annotations

import functools
import tempfile
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, field
from pathlib import Path

import joblib

from returnflow.advice.study import Study
from returnflow.answers.processes import pool, replaced_quietly
from returnflow.pictures.album import pictures, shared_pictures
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
        Of the first variant: what differs in the others is in `shared`.
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
    Draw a study; the first of several variants in a process of its own, where there may be two.

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
    first, result = next(iter(study.variants.items()))
    work = functools.partial(pictures, result, extent="brief" if brief else "all")
    if brief or len(study.variants) == 1 or (jobs or joblib.effective_n_jobs(-1)) < 2:
        shared, own = shared_pictures(study, say, brief=brief), work(say)
        fields, failed = _fields(study)
    else:
        say("pictures of all variants side by side, and of the first one")
        # Those of the first are under way as soon as they are asked for.
        parallel = pool(2)
        with replaced_quietly():
            answers = parallel(joblib.delayed(work)(None) for _ in range(1))
            shared = shared_pictures(study, say, brief=brief)
            fields, failed = _fields(study)
            try:
                (own,) = answers
            except BrokenExecutor:
                say("a process was killed, usually for lack of memory: drawing its pictures once more, here")
                own = work(say)
    undrawn = [picture.caption for picture in (*shared, *own) if not picture.png]
    return DrawnStudy(pictures={first: own}, shared=shared, fields=fields, failed=(*undrawn, *failed))


def _fields(study: Study) -> tuple[dict[str, bytes], list[str]]:
    """Content of every variant's fields.vtu, and why there is none."""
    made, failed = {}, []
    with tempfile.TemporaryDirectory() as scratch:
        for name, result in study.variants.items():
            try:
                made[name] = vtu_bytes(result, Path(scratch) / "fields.vtu")
            except Exception as error:  # the numbers stand without it
                failed.append(f"{name}: fields.vtu could not be written ({type(error).__name__}: {error}).")
    return made, failed
