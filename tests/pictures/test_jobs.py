"""Drawing in a process gives what drawing here gives; what is the same is drawn once."""

from __future__ import annotations

import solved
from returnflow.pictures import jobs
from returnflow.pictures.jobs import draw

# Invented: two loops on a small plate, and one variant.
PLATE = """
format = 1
title = "two variants <to draw>"
board = { outline = { rect = [0, 0, 20, 10] } }
layer = [{ name = "L1", copper_um = 35 }]
copper = [{ name = "ground", layer = "L1" }]
terminal = [
  { name = "A", copper = "ground", at = [3, 5], diameter_mm = 1 },
  { name = "B", copper = "ground", at = [17, 5], diameter_mm = 1 },
  { name = "C", copper = "ground", at = [8, 3], diameter_mm = 1 },
]
loop = [
  { name = "motor", role = "noisy", inject = "B", return = "A", current_A = 1 },
  { name = "weak", role = "sensitive", inject = "C", return = "A", signal_V = 1, tolerates_V = 1e-6 },
]
variant = [{ name = "half & half", move = { C = [12, 3] } }]
solve = { accuracy = 0.05 }
"""


def test_a_process_draws_the_same_and_only_the_first_variant_has_pictures_of_its_own():
    study = solved.study(PLATE)
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
    drawn = jobs.draw(solved.study(PLATE), jobs=2, brief=True)
    assert [picture.kind for pictures in drawn.pictures.values() for picture in pictures] == ["why", "board"]
    assert len(drawn.shared) == 3
