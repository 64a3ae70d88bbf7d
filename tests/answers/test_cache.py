"""Solutions kept in a folder: the same answers without solving, and never those of something else."""

import hashlib
import pickle
import zlib
from pathlib import Path
from unittest import mock

import pytest

import returnflow as rf
from returnflow.answers import batch, cache
from returnflow.cli import main

# Invented: a strip with a weak loop and a noisy one.
STRIP = """
format = 1
title = "Strip"
board = { outline = { rect = [0, 0, 20, 5] } }
layer = [{ name = "L1", copper_um = 35 }]
copper = [{ name = "ground", layer = "L1" }]
terminal = [
  { name = "A", copper = "ground", at = [2, 2.5], diameter_mm = 1 },
  { name = "B", copper = "ground", at = [18, 2.5], diameter_mm = 1 },
]
solve = { frequencies_Hz = [0], accuracy = 0.1 }

[[loop]]
name = "motor"
role = "noisy"
inject = "A"
return = "B"
current_A = 1

[[loop]]
name = "probe"
role = "sensitive"
inject = "B"
return = "A"
signal_V = 0.01
tolerates_V = 1e-6
"""
BROAD = STRIP.replace("frequencies_Hz = [0]", "frequencies_Hz = [0, 1000]")


class Opens:
    """Does something when it is read: here, only a mark."""

    def __reduce__(self):
        return Path.touch, (Path(self.mark),)

    def __init__(self, mark):
        self.mark = str(mark)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "cache"


def noise(text, folder, **more):
    study = rf.run(rf.parse_case(text), only=["as drawn"], jobs=1, cache=folder, **more)
    return study["as drawn"].sensitive[0].noise


def solves(text, folder, **more):
    """Whether a run solves anything, and its noise."""
    with mock.patch.object(batch, "solve_case", wraps=batch.solve_case) as solving:
        found = noise(text, folder, **more)
    return solving.call_count, found


def test_the_same_board_is_not_solved_again(folder):
    first = solves(STRIP, folder)
    assert first[0] == 1
    assert solves(STRIP, folder) == (0, first[1])
    assert rf.run(rf.parse_case(STRIP), only=["as drawn"], jobs=1)["as drawn"].sensitive[0].noise == first[1]


def test_another_current_above_0_hz_costs_nothing_and_counts(folder):
    first = solves(BROAD, folder)
    assert solves(BROAD.replace("current_A = 1", "current_A = 2"), folder) == (0, pytest.approx(2 * first[1]))


@pytest.mark.parametrize(
    "change",
    [
        ("[0, 0, 20, 5]", "[0, 0, 20, 6]"),
        ("at = [18, 2.5]", "at = [17, 2.5]"),
        ("accuracy = 0.1", "accuracy = 0.05"),
        ("frequencies_Hz = [0]", "frequencies_Hz = [0, 1000]"),
        # At 0 Hz alone what is left undecided is solved on.
        ("tolerates_V = 1e-6", "tolerates_V = 1e-3"),
    ],
)
def test_whatever_it_depends_on_is_solved_for(folder, change):
    noise(STRIP, folder)
    assert STRIP.replace(*change) != STRIP
    assert solves(STRIP.replace(*change), folder)[0] == 1


def test_another_program_finds_nothing(folder, monkeypatch):
    noise(STRIP, folder)
    monkeypatch.setattr(cache, "program", lambda: ("other",))
    assert solves(STRIP, folder)[0] == 1


def test_the_program_is_told_by_what_its_modules_say(monkeypatch):
    own = cache.program()
    cache.program.cache_clear()
    monkeypatch.setattr(cache, "_modules", lambda *_: [("one.py", b"")])
    assert cache.program()[0] != own[0]
    cache.program.cache_clear()


@pytest.mark.parametrize(
    "damage",
    [
        lambda whole: b"",
        lambda whole: whole[:-1],
        lambda whole: whole[:200] + bytes([whole[200] ^ 1]) + whole[201:],
        lambda whole: b"something else",
    ],
)
def test_a_damaged_one_is_said_and_replaced(folder, damage):
    first = noise(STRIP, folder)
    (file,) = folder.iterdir()
    file.write_bytes(damage(file.read_bytes()))
    said = []
    assert solves(STRIP, folder, progress=said.append) == (1, first)
    assert any("not used, it is damaged" in line for line in said)
    assert solves(STRIP, folder)[0] == 0


def test_what_would_do_something_is_not_read(folder, tmp_path):
    mark = tmp_path / "done"
    shelf = cache.Kept(folder)
    shelf.keep("0" * 64, Opens(mark))
    with pytest.raises(cache.NotKeptError, match="something else"):
        shelf.find("0" * 64)
    assert not mark.exists()
    pickle.loads(pickle.dumps(Opens(mark)))  # it would have
    assert mark.exists()


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("os", "system"),
        ("numpy", "load"),
        ("numpy", "memmap"),
        ("returnflow.cli", "main"),
        ("returnflow.live.server", "LiveServer"),
        ("returnflow_geometry.model.files", "write_whole"),
    ],
)
def test_only_what_solutions_are_made_of_is_named(folder, module, name):
    folder.mkdir()
    packed = zlib.compress(b"\x80\x04c" + f"{module}\n{name}\n".encode() + b".")
    head = cache.HEAD + hashlib.sha256(packed).digest()
    (folder / f"a{cache.ENDING}").write_bytes(head + packed)
    with pytest.raises(cache.NotKeptError, match=name):
        cache.Kept(folder).find("a")


def test_where_nothing_can_be_kept_the_run_goes_on(tmp_path):
    (tmp_path / "file").touch()
    said = []
    assert solves(STRIP, tmp_path / "file" / "cache", progress=said.append)[0] == 1
    assert any("is not kept" in line or "cannot be read" in line for line in said)


def test_a_file_is_no_folder(tmp_path, capsys):
    case, file = tmp_path / "case.toml", tmp_path / "file"
    case.write_text(STRIP)
    file.touch()
    assert main(["run", str(case), "-o", str(tmp_path / "out"), "--cache", str(file)]) == 2
    assert "--cache" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
