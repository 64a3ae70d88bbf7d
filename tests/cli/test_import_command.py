"""The import command: from a folder of files to a starter case."""

import contextlib
import io
import zipfile

import pytest

import returnflow as rf
from fabwriter import demo_board, write_gerber_set, write_ipc2581
from returnflow.cli import BAD_INPUT, DONE, main


def call(*arguments):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([str(part) for part in arguments])
    return status, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("board")
    write_gerber_set(demo_board(), place / "fab")
    write_ipc2581(demo_board(), place / "board.xml")
    return place


@pytest.mark.parametrize("data", ["fab", "board.xml"])
def test_it_says_what_the_files_hold_and_writes_a_case_to_complete(folder, tmp_path, data):
    case = folder / f"{tmp_path.name}.toml"
    status, out, err = call("import", folder / data, "-o", case, "--title", "Own title")
    assert status == DONE
    for section in ("Files used:", "Board:", "Layers, top to bottom:", "Net ties:", "Assumed:"):
        assert section in out
    assert "1.5 mm wide" in out
    text = case.read_text(encoding="utf-8")
    assert 'title = "Own title"' in text
    assert f'source = "{data}"' in text
    assert "wrote" in err
    # As it stands it lacks loops, and says no more than that.
    with pytest.raises(rf.CaseError) as caught:
        rf.read_case(case)
    assert len(caught.value.mistakes) == 1
    # Its loops, with their comment signs taken away, are a case.
    at = text.index("\n# # ")
    loops = "\n".join(line.removeprefix("# ") for line in text[at:].splitlines())
    case.write_text(text[:at] + loops, encoding="utf-8")
    assert {loop.role for loop in rf.read_case(case).loops} == {"noisy", "sensitive", "cables"}
    assert call("check", case)[0] == DONE


def test_check_prints_the_entry_holes_of_the_pins(folder):
    case = folder / "checked.toml"
    call("import", folder / "fab", "-o", case)
    text = case.read_text(encoding="utf-8")
    loop = '[[loop]]\nname = "a"\nrole = "noisy"\ninject = "U3.17"\nreturn = "J4.2"\ncurrent_A = 1\n'
    case.write_text(text + loop, encoding="utf-8")
    status, out, _ = call("check", case)
    assert status == DONE
    assert 'U3.17, net "GND": 1 pad at (74, 22) mm, 4 entry holes' in out


def test_check_says_what_the_case_says_of_a_layer(folder):
    case = folder / "thick.toml"
    call("import", folder / "fab", "-o", case)
    loop = '[[loop]]\nname = "a"\nrole = "noisy"\ninject = "U3.17"\nreturn = "J4.2"\ncurrent_A = 1\n'
    more = f'[[layer]]\nname = "L2"\ncopper_um = 70\n{loop}'
    case.write_text(case.read_text(encoding="utf-8") + more, encoding="utf-8")
    lines = call("check", case)[1].splitlines()
    assert sum(line.startswith("  L2: 70 um copper") for line in lines) == 1
    assert sum(line.startswith("  L1: 35 um copper") for line in lines) == 1


def test_names_of_files_are_never_sent_to_the_terminal_as_they_are(folder, tmp_path):
    archive = tmp_path / "board.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        for path in (folder / "fab").iterdir():
            packed.write(path, f"x\x1b[2J\n{path.name}")
    status, out, err = call("import", archive, "-o", tmp_path / "case.toml")
    assert status == DONE
    assert "\x1b" not in out + err
    assert out.count("copper L1\n") == 1
    with zipfile.ZipFile(archive, "w") as packed:
        for path in (folder / "fab").glob("*L1*"):
            packed.writestr(f"x\x1b[2J\n{path.name}", path.read_bytes()[:2000])
            packed.writestr(f"y\x1b[2J\n{path.name}", path.read_bytes()[:2000])
    status, out, err = call("import", archive, "-o", tmp_path / "other.toml")
    assert (status, out) == (BAD_INPUT, "")
    assert "\x1b" not in err
    assert err.count("\n") == 1


def test_it_never_writes_over_a_case_unasked(folder, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text("mine", encoding="utf-8")
    status, _, err = call("import", folder / "fab", "-o", case)
    assert status == BAD_INPUT
    assert "--replace" in err
    assert case.read_text(encoding="utf-8") == "mine"
    assert call("import", folder / "fab", "-o", case, "--replace")[0] == DONE
    assert case.read_text(encoding="utf-8") != "mine"


@pytest.mark.parametrize(
    ("data", "said"), [("nowhere", "no such folder or file"), ("empty", "no files in it"), ("junk.txt", "")]
)
def test_bad_data_is_one_message_and_nothing_is_written(tmp_path, data, said):
    (tmp_path / "empty").mkdir()
    (tmp_path / "junk.txt").write_bytes(bytes(range(256)) * 20)
    case = tmp_path / "case.toml"
    status, out, err = call("import", tmp_path / data, "-o", case)
    assert status == BAD_INPUT
    assert out == ""
    assert err.count("error: ") == 1
    assert said in err
    assert not list(tmp_path.glob("*.toml*"))


def test_a_folder_that_does_not_exist_for_the_case(folder, tmp_path):
    status, _, err = call("import", folder / "fab", "-o", tmp_path / "no" / "case.toml")
    assert status == BAD_INPUT
    assert "folder that does not exist" in err


def test_what_the_files_do_not_say_of_layers_is_said_beside_them(folder, tmp_path):
    bare = tmp_path / "bare"
    write_gerber_set(demo_board(), bare, attributes=False)
    (bare / "board-job.gbrjob").unlink()
    case = tmp_path / "case.toml"
    status, _, err = call("import", bare, "-o", case)
    assert status == BAD_INPUT
    assert "source_layers = {" in err
    layers = [f"--layer=board-L{k}.gbr=L{k}" for k in range(1, 5)]
    assert call("import", bare, "-o", case, *layers, "--layer", "board-outline.gbr=outline")[0] == DONE
    loop = '[[loop]]\nname = "a"\nrole = "noisy"\ninject = "U3.17"\nreturn = "J4.2"\ncurrent_A = 1\n'
    case.write_text(case.read_text(encoding="utf-8") + loop, encoding="utf-8")
    read = rf.read_case(case).board
    assert "GND on L2" in {copper.name for copper in read.coppers}
    assert read.outline.area == pytest.approx(8e-3)


@pytest.mark.parametrize("said", ["board-L1.gbr", "=L1", "board-L1.gbr="])
def test_a_layer_that_is_half_said(folder, tmp_path, said):
    status, out, err = call("import", folder / "fab", "-o", tmp_path / "case.toml", "--layer", said)
    assert (status, out) == (BAD_INPUT, "")
    assert err.startswith(f"error: --layer {said}: lacks a file or a layer")
    assert not list(tmp_path.iterdir())


def test_layers_that_names_suggest_are_written_into_the_case_when_accepted(tmp_path):
    bare, case = tmp_path / "bare", tmp_path / "case.toml"
    write_gerber_set(demo_board(), bare, attributes=False)
    (bare / "board-job.gbrjob").unlink()
    status, out, _ = call("import", bare, "-o", case, "--accept-layers")
    assert status == DONE
    assert "board-L2.gbr is taken as L2" in out
    loop = '[[loop]]\nname = "a"\nrole = "noisy"\ninject = "U3.17"\nreturn = "J4.2"\ncurrent_A = 1\n'
    case.write_text(case.read_text(encoding="utf-8") + loop, encoding="utf-8")
    assert len(rf.read_case(case).board.layers) == 4
