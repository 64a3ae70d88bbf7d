"""Drawing in processes gives what drawing here gives, each variant under its name, and tells how far it is."""

from __future__ import annotations

from dataclasses import replace

from reporting import varied
from returnflow.pictures.jobs import draw


def test_processes_draw_the_same_and_progress_is_told_by_variant():
    study = replace(varied(), variants=dict(list(varied().variants.items())[:3]))
    said: list[str] = []
    here, there = draw(study, jobs=1), draw(study, said.append, jobs=2)
    assert here == there
    names = list(study.variants)
    assert list(here.pictures) == list(here.fields) == names
    assert len(here.pictures[names[0]]) > len(here.pictures[names[1]]) > 0
    assert said[0] == "pictures of 3 variants, 2 at a time"
    told = [line for line in said if line.endswith(" of 3)")]
    assert told == [f"{name}: drawn ({n} of 3)" for n, name in enumerate(names, 1)]
