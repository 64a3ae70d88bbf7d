"""Files: fields that integrate to the numbers, and all or nothing on the disk."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import get_args
from unittest import mock

import meshio
import numpy as np
import pytest

from reporting import (
    CABLES,
    NOISY,
    REGION,
    SENSITIVE,
    WEAK,
    drawn,
    result,
    strict,
    study,
    two_variants,
    varied,
)
from returnflow.pictures import album, jobs
from returnflow.pictures.album import pictures
from returnflow.pictures.frame import Frame
from returnflow.pictures.picture import PictureKind
from returnflow.pictures.side_by_side import Panels
from returnflow.pictures.vtu import vtu_bytes
from returnflow.report import files
from returnflow.report.files import (
    STOPPED,
    check_directory,
    field_mesh,
    is_ours,
    place_files,
    write_all,
)
from returnflow.report.record import numbers

SHARED: dict[tuple[object, ...], list[album.Picture]] = {}
NUMBERS: dict[tuple[int, bool], tuple[object, dict[Path, bytes]]] = {}
LOOPS = [SENSITIVE, NOISY, WEAK, CABLES]


@pytest.fixture(autouse=True)
def drawn_once(monkeypatch):
    """Pictures and numbers are tested elsewhere; here they are the same bytes every time."""
    monkeypatch.setattr(files, "numbers", numbers_once)
    monkeypatch.setattr(jobs, "pictures", fake)
    monkeypatch.setattr(jobs, "shared_pictures", shared_once)
    # In this process, where the pictures are the same.
    monkeypatch.setattr(jobs.joblib, "effective_n_jobs", lambda _: 1)


def fake(of, say=None, *, extent="all"):
    if say:
        say("a picture")
    return {"all": list(drawn()), "brief": list(drawn()[:2])}[extent]


def shared_once(of, say=None, **how):
    key = tuple(of.side_by_side), tuple(how.items())
    if key not in SHARED:
        with mock.patch.object(Panels, "png", undrawn):
            SHARED[key] = list(album.shared_pictures(of, say, **how))
    return SHARED[key]


def undrawn(_):
    """Of a picture that is made but for its pixels."""
    return drawn()[0].png


def numbers_once(of, *, fields=False):
    """What is kept of a study, which stays beside it: no other one takes its place in memory."""
    key = id(of), fields
    if key not in NUMBERS:
        NUMBERS[key] = of, numbers(of, fields=fields)
    return dict(NUMBERS[key][1])


def snapshot(folder: Path) -> dict[str, bytes | None]:
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None for p in sorted(folder.rglob("*"))}


@pytest.fixture(scope="module")
def reopened(tmp_path_factory):
    path = tmp_path_factory.mktemp("fields") / "fields.vtu"
    path.write_bytes(vtu_bytes(result(), path))
    return meshio.read(path)


class TestFields:
    def test_sums_over_areas_are_the_transfer_resistances(self, reopened):
        areas = result().solution.mesh.areas
        for victim in (SENSITIVE, CABLES):
            for loud in (NOISY, WEAK):
                (density,) = reopened.cell_data[f"coupling {victim} x {loud}"]
                i, j = result().index(victim), result().index(loud)
                assert density @ areas == pytest.approx(result().solution.mid[i, j], rel=1e-9)

    def test_currents_and_potentials_belong_together(self, reopened):
        solution, mesh = result().solution, result().solution.mesh
        for j, loop in enumerate(LOOPS):
            (K,) = reopened.cell_data[f"K {loop}"]
            assert K.shape == (len(mesh.triangles), 3)
            assert not K[:, 2].any()
            potential = reopened.point_data[f"potential {loop}"]
            start, end = solution.loops[j]
            rim = [mesh.triangles[mesh.contact_edges[mesh.contact_of == c][:, 0]] for c in (start, end)]
            assert np.max(potential[rim[0]]) - np.min(potential[rim[1]]) == pytest.approx(solution.lower[j, j])
            # Ohm's law triangle by triangle, to what a linear field can show.
            corners, values = mesh.points[mesh.triangles], potential[mesh.triangles]
            edges = corners[:, 1:] - corners[:, :1]
            gradient = np.linalg.solve(edges, (values[:, 1:] - values[:, :1])[..., None])[..., 0]
            error = np.linalg.norm(K[:, :2] + gradient / solution.sheet, axis=1) ** 2 @ mesh.areas
            assert error < 0.02 * (np.linalg.norm(K, axis=1) ** 2 @ mesh.areas)

    def test_regions_are_marked(self, reopened):
        (inside,) = reopened.cell_data[f"region {REGION}"]
        areas = result().solution.mesh.areas
        assert inside @ areas == pytest.approx(18e-3 * 10e-3, rel=0.01)
        assert set(inside) == {0, 1}

    def test_points_lie_on_the_board_in_metres(self, reopened):
        assert reopened.points.shape == (len(result().solution.mesh.points), 3)
        assert not reopened.points[:, 2].any()
        assert reopened.points.max() == pytest.approx(0.04)
        np.testing.assert_array_equal(reopened.cells[0].data, result().solution.mesh.triangles)
        assert set(field_mesh(result()).cell_data) == set(reopened.cell_data)


# What is recommended and nobody drew stands beside the board as drawn, as all variants do.
BESIDE = ["compare-board.png", "compare-flow-pump-b-x-b-i-1.png", "compare-placement-weak-v-grosse.png"]


class TestWriting:
    def test_everything_is_written_and_named(self, tmp_path):
        said: list[str] = []
        paths = write_all(study(), tmp_path / "new" / "report", said.append).paths
        names = [str(path.relative_to(tmp_path / "new" / "report")) for path in paths]
        assert names == [
            "result.json",
            "study.npz",
            "details.html",
            "report.html",
            "recommended.toml",
            *BESIDE,
            *(p.file for p in drawn()),
            "fields.vtu",
        ]
        assert set(snapshot(tmp_path / "new")) == {"report", *(f"report/{name}" for name in names)}
        assert strict(paths[0].read_text(encoding="utf-8"))["title"] == study().case.title
        assert all(is_ours(path) for path in paths)
        shown = [f"picture {n} of {len(BESIDE)}: {file}" for n, file in enumerate(BESIDE, 1)]
        assert said == ["numbers are written", *shown, "a picture", "report"]

    def test_folders_are_as_readable_as_any_other(self, tmp_path):
        (tmp_path / "plain").mkdir()
        write_all(study(), tmp_path / "made")
        assert (tmp_path / "made").stat().st_mode == (tmp_path / "plain").stat().st_mode

    def test_variants_get_folders_of_their_own(self, tmp_path):
        paths = write_all(two_variants(), tmp_path).paths
        folders = {path.parent.name for path in paths if path.suffix == ".vtu"}
        assert folders == {"solid-plane", "solid-plane-2"}
        assert (tmp_path / "solid-plane" / "board.png").is_file()
        assert (tmp_path / "solid-plane-2" / "fields.vtu").is_file()
        assert (tmp_path / "report.html").is_file()

    def test_what_shows_all_variants_lies_above_their_folders(self, tmp_path):
        paths = write_all(varied(), tmp_path).paths
        top = [path.name for path in paths if path.parent == tmp_path]
        assert top[:5] == ["result.json", "study.npz", "details.html", "report.html", "recommended.toml"]
        assert top[5:] == BESIDE
        names = {str(path.relative_to(tmp_path)) for path in paths}
        assert {"as-drawn/board.png", "no-slot/fields.vtu", "half-half/fields.vtu"} <= names
        # All pictures of the first variant; the others are shown beside it.
        assert len([name for name in names if name.startswith("as-drawn/")]) == 1 + len(drawn())
        assert len([name for name in names if name.startswith("no-slot/")]) == 1
        assert all(is_ours(path) for path in paths)

    def test_variants_that_are_gone_take_their_folders_with_them(self, tmp_path):
        write_all(varied(), tmp_path)
        (tmp_path / "half-half" / "mine.txt").write_text("notes")
        other = tmp_path / "other"
        other.mkdir()
        (other / "board.png").write_bytes(drawn()[0].png)
        foreign = tmp_path / "foreign"
        foreign.mkdir()
        (foreign / "fields.vtu").write_bytes(b"somebody else's")
        (foreign / "board.png").write_bytes(drawn()[0].png)
        write_all(replace(study(), trials={}), tmp_path)
        assert not (tmp_path / "no-slot").exists()
        assert not list(tmp_path.glob("compare-*"))
        assert snapshot(tmp_path / "half-half") == {"mine.txt": b"notes"}
        assert (other / "board.png").exists()  # no fields beside it: not a folder of ours
        assert len(list(foreign.iterdir())) == 2
        assert (tmp_path / "board.png").exists()

    @pytest.mark.parametrize("kind", [kind for kind in get_args(PictureKind) if kind != "board"])
    def test_a_second_run_replaces_and_clears_what_it_no_longer_has(self, tmp_path, kind):
        write_all(study(), tmp_path)
        stale = tmp_path / f"{kind}-gone.png"
        stale.write_bytes(drawn()[0].png)
        mine, notes = tmp_path / "flow-mine.png", tmp_path / "notes.txt"
        mine.write_bytes(b"\x89PNG somebody else's")
        notes.write_text("returnflow was here")
        kept = tmp_path / "before.png"
        kept.write_bytes(drawn()[0].png)
        (tmp_path / "report.html").write_text("<!-- returnflow --> old")
        write_all(study(), tmp_path)
        assert not stale.exists()
        assert mine.exists()
        assert notes.exists()
        assert kept.exists()
        assert "<h1>" in (tmp_path / "report.html").read_text(encoding="utf-8")
        assert not list(tmp_path.glob(".returnflow*"))

    @pytest.mark.parametrize("name", ["report.html", "board.png", "result.json", "study.npz", "fields.vtu"])
    def test_files_of_others_are_not_overwritten(self, tmp_path, name):
        (tmp_path / name).write_bytes(b"somebody else's work")
        before = snapshot(tmp_path)
        with pytest.raises(FileExistsError, match="was not written by returnflow"):
            write_all(study(), tmp_path)
        assert snapshot(tmp_path) == before

    def test_a_folder_in_the_way_is_not_ours(self, tmp_path):
        (tmp_path / "board.png").mkdir()
        with pytest.raises(FileExistsError):
            write_all(study(), tmp_path)


class TestFailing:
    @pytest.mark.parametrize("moves", range(9))
    def test_a_move_that_fails_undoes_those_before(self, tmp_path, monkeypatch, moves):
        old = {Path("a.txt"): b"returnflow 1", Path("sub/b.txt"): b"returnflow 2", Path("board.png"): b"returnflow 3"}
        place_files(old, tmp_path)
        before = snapshot(tmp_path)
        count = iter(range(100))
        rename = Path.rename

        def failing(self, target):
            if next(count) == moves:
                raise OSError(28, "No space left on device", str(target))
            return rename(self, target)

        monkeypatch.setattr(Path, "rename", failing)
        new = {Path("a.txt"): b"returnflow 4", Path("sub/b.txt"): b"returnflow 5", Path("more/c.txt"): b"returnflow 6"}
        if moves < 6:  # three in, two out, one stale
            with pytest.raises(OSError, match="No space left"):
                place_files(new, tmp_path)
            assert snapshot(tmp_path) == before
        else:
            place_files(new, tmp_path)
            assert set(snapshot(tmp_path)) == {"a.txt", "sub", "sub/b.txt", "more", "more/c.txt"}

    @pytest.mark.parametrize("exists", [True, False])
    def test_a_write_that_fails_leaves_nothing(self, tmp_path, monkeypatch, exists):
        target = tmp_path / "deep" / "er"
        if exists:
            write_all(study(), target)
        before = snapshot(tmp_path)
        write = Path.write_bytes

        def failing(self, data):
            if self.name == "result.json":
                raise OSError(28, "No space left on device", str(self))
            return write(self, data)

        monkeypatch.setattr(Path, "write_bytes", failing)
        with pytest.raises(OSError, match="No space left"):
            write_all(study(), target)
        assert snapshot(tmp_path) == before

    def test_an_interrupt_while_drawing_keeps_the_numbers_and_the_report(self, tmp_path, monkeypatch):
        def interrupted(of, say=None, *, extent="all"):
            raise KeyboardInterrupt

        monkeypatch.setattr(jobs, "pictures", interrupted)
        written = write_all(study(), tmp_path / "report")
        assert written.stopped
        assert set(snapshot(tmp_path / "report")) == {
            "report.html",
            "details.html",
            "recommended.toml",
            "result.json",
            "study.npz",
        }
        assert STOPPED in (tmp_path / "report" / "report.html").read_text(encoding="utf-8")

    @pytest.mark.parametrize("what", ["pictures", "report_html", "details_html", "recommended_text", "vtu_bytes"])
    def test_whatever_else_fails_the_numbers_are_there_and_the_report_says_it(self, tmp_path, monkeypatch, what):
        def failing(*_, **__):
            raise ZeroDivisionError("a <bug>")

        monkeypatch.setattr(jobs if what in ("pictures", "vtu_bytes") else files, what, failing)
        written = write_all(study(), tmp_path)
        assert strict((tmp_path / "result.json").read_text(encoding="utf-8"))["title"] == study().case.title
        (said,) = written.failed
        assert "ZeroDivisionError: a <bug>" in said
        assert "ZeroDivisionError: a &lt;bug&gt;" in (tmp_path / "report.html").read_text(encoding="utf-8")

    def test_a_picture_that_fails_takes_no_other_with_it(self, tmp_path, monkeypatch):
        def failing(*_, **__):
            raise ZeroDivisionError("a bug")

        monkeypatch.setattr(jobs, "pictures", pictures)
        monkeypatch.setattr(Frame, "png", undrawn)
        monkeypatch.setattr(album, "board_frame", failing)
        (said,) = write_all(study(), tmp_path, brief=True).failed
        assert said.startswith("board.png could not be drawn (ZeroDivisionError: a bug).")
        assert not (tmp_path / "board.png").exists()
        assert len(list(tmp_path.glob("*.png"))) == len(fake(study(), extent="brief")) - 1 + len(BESIDE)


class TestBefore:
    """What could not be written is refused before anything is solved."""

    @pytest.mark.parametrize("name", ["report.html", "details.html", "result.json"])
    def test_files_of_others(self, tmp_path, name):
        (tmp_path / name).write_bytes(b"somebody else's work")
        with pytest.raises(FileExistsError, match="was not written by returnflow"):
            check_directory(tmp_path)

    def test_a_file_in_the_way(self, tmp_path):
        (tmp_path / "file").write_text("mine")
        for place in (tmp_path / "file", tmp_path / "file" / "below"):
            with pytest.raises(NotADirectoryError):
                check_directory(place)

    @pytest.mark.parametrize("below", ["", "new/deep"])
    def test_a_folder_that_takes_no_file(self, tmp_path, monkeypatch, below):
        def refused(**_):
            raise PermissionError(13, "Permission denied", "somewhere")

        monkeypatch.setattr(files.tempfile, "TemporaryFile", refused)
        with pytest.raises(PermissionError) as told:
            check_directory(tmp_path / below)
        assert told.value.filename == str(tmp_path)

    def test_it_leaves_nothing(self, tmp_path):
        write_all(study(), tmp_path / "ours")
        before = snapshot(tmp_path)
        check_directory(tmp_path / "ours")
        check_directory(tmp_path / "new" / "deep")
        assert snapshot(tmp_path) == before


class TestBrief:
    def test_details_and_their_pictures_are_neither_drawn_nor_left_from_before(self, tmp_path):
        write_all(varied(), tmp_path)
        assert (tmp_path / "details.html").exists()
        names = {str(path.relative_to(tmp_path)) for path in write_all(varied(), tmp_path, brief=True).paths}
        shown = {"as-drawn/" + picture.file for picture in drawn()[:2]}
        assert {name for name in names if name.endswith(".png") and "/" in name} == shown
        assert set(names) == {name for name, data in snapshot(tmp_path).items() if data is not None}
        assert "details.html" not in names
        assert "details.html" not in (tmp_path / "report.html").read_text(encoding="utf-8")


class TestLinked:
    def test_a_link_to_a_folder_stays_a_link(self, tmp_path):
        (tmp_path / "real").mkdir()
        (tmp_path / "link").symlink_to(tmp_path / "real")
        place_files({Path("a.txt"): b"returnflow"}, tmp_path / "link")
        assert (tmp_path / "link").is_symlink()
        assert (tmp_path / "real" / "a.txt").read_bytes() == b"returnflow"
