"""Drawing in processes gives what drawing here gives, each variant under its name."""

from __future__ import annotations

from reporting import drawn, varied
from returnflow.drawing import draw


def test_processes_draw_the_same():
    here, there = draw(varied(), jobs=1), draw(varied(), jobs=2)
    assert here == there
    assert list(here.pictures) == list(here.fields) == list(varied().variants)
    assert [picture.png for picture in here.pictures["as drawn"]] == [picture.png for picture in drawn()]


def test_progress_is_told_by_variant():
    said: list[str] = []
    draw(varied(), said.append, jobs=2)
    assert said[0] == "pictures of 4 variants, 2 at a time"
    assert [line for line in said if line.endswith(" of 4)")] == [
        f"{name}: drawn ({n} of 4)" for n, name in enumerate(varied().variants, 1)
    ]
