"""Drawing in a process gives what drawing here gives; what is the same is drawn once."""

from __future__ import annotations

from dataclasses import replace

from reporting import varied
from returnflow.pictures import jobs
from returnflow.pictures.jobs import draw


def test_a_process_draws_the_same_and_only_the_first_variant_has_pictures_of_its_own():
    study = replace(varied(), variants=dict(list(varied().variants.items())[:2]))
    said: list[str] = []
    here, there = draw(study, jobs=1), draw(study, said.append, jobs=2)
    assert here == there
    names = list(study.variants)
    assert list(here.pictures) == names[:1]
    assert list(here.fields) == names
    assert {picture.kind for picture in here.shared} == {"compare"}
    assert said[0] == "pictures of all variants side by side, and of the first one"


def test_nothing_is_sent_to_processes_that_the_brief_report_does_not_show(monkeypatch):
    monkeypatch.setattr(jobs, "pool", None)
    drawn = jobs.draw(varied(), jobs=2, brief=True)
    assert [picture.kind for pictures in drawn.pictures.values() for picture in pictures] == ["why", "board"]
    assert len(drawn.shared) == 3
