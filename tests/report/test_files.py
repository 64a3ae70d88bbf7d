"""Files: strict JSON by the contract, fields that integrate to the numbers, and all or nothing on the disk."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import get_args

import meshio
import numpy as np
import pytest

from reporting import (
    BOARD,
    CABLES,
    NOISY,
    REGION,
    SECOND,
    SECTION,
    SENSITIVE,
    WEAK,
    at_frequencies,
    drawn,
    layered,
    noisy,
    result,
    study,
    two_variants,
    varied,
)
from returnflow.advice.study import run
from returnflow.answers.verdict import finding
from returnflow.pictures import album, jobs
from returnflow.pictures.album import pictures
from returnflow.pictures.picture import PictureKind
from returnflow.pictures.vtu import vtu_bytes
from returnflow.report import files
from returnflow.report.files import (
    STOPPED,
    check_directory,
    field_mesh,
    is_ours,
    place_files,
    to_dict,
    to_json,
    write_all,
)
from returnflow.report.record import numbers
from returnflow_geometry.casefile.read import parse_case

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
    key = tuple(of.variants), tuple(how.items())
    if key not in SHARED:
        SHARED[key] = list(album.shared_pictures(of, say, **how))
    return SHARED[key]


def numbers_once(of, *, fields=False):
    """What is kept of a study, which stays beside it: no other one takes its place in memory."""
    key = id(of), fields
    if key not in NUMBERS:
        NUMBERS[key] = of, numbers(of, fields=fields)
    return dict(NUMBERS[key][1])


def strict(text: str):
    def refuse(constant):
        raise AssertionError(constant)

    return json.loads(text, parse_constant=refuse)


def snapshot(folder: Path) -> dict[str, bytes | None]:
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None for p in sorted(folder.rglob("*"))}


class TestJson:
    def test_it_follows_the_contract(self):
        data = strict(to_json(study()))
        assert list(data) == [
            "format", "title", "versions", "variants", "comparison", "failed", "findings", "sweeps",
        ]  # fmt: skip
        assert (data["format"], data["title"]) == (1, study().case.title)
        variant = data["variants"][0]
        assert list(variant)[:8] == [
            "name", "loops", "frequencies_Hz", "impedance_ohm", "resistance_ohm", "shares", "sections", "sensitive",
        ]  # fmt: skip
        assert {
            "cables", "mesh", "peaks", "seconds", "assumptions", "cautions", "changes", "coppers", "left_out", "idle",
            "links",
        } <= set(variant)  # fmt: skip
        assert variant["loops"] == LOOPS
        assert variant["frequencies_Hz"] == [0]
        sensitive = variant["sensitive"][0]
        assert {
            "loop", "noise_V", "low_V", "high_V", "worst_case_V", "allowed_V", "margin_dB", "verdict", "contributions",
            "options", "recommendation", "placement",
        } <= set(sensitive)  # fmt: skip
        assert {"loop", "voltage_V", "limit_V", "worst", "contributions"} <= set(variant["cables"][0])

    def test_numbers_are_those_of_the_solution(self):
        variant = to_dict(study())["variants"][0]
        solution = result().solution
        lower, mid, upper = (np.array(variant["resistance_ohm"][k]) for k in ("lower", "mid", "upper"))
        np.testing.assert_array_equal(mid, solution.mid)
        np.testing.assert_allclose(mid - lower, solution.half_width, rtol=1e-6)
        np.testing.assert_allclose(np.diag(lower), np.diag(solution.lower), rtol=1e-12)
        np.testing.assert_allclose(np.diag(upper), np.diag(solution.upper), rtol=1e-12)
        assert np.array(variant["impedance_ohm"]["real"]).shape == (1, 4, 4)
        assert not np.any(variant["impedance_ohm"]["imag"])
        noise = variant["sensitive"][0]["contributions"]
        assert math.hypot(*(part["noise_V"] for part in noise)) == pytest.approx(variant["sensitive"][0]["noise_V"])
        assert sum(part["power_share"] for part in noise) == pytest.approx(1.0)
        section = next(s for s in variant["sections"] if s["loop"] == NOISY)
        assert (section["section"], section["real"], section["imag"]) == (SECTION, [pytest.approx(-1.0)], [0.0])
        share = next(s for s in variant["shares"] if s["loop"] == NOISY)
        assert (share["region"], share["magnitude"]) == (REGION, [result().shares[0, 1]])
        peak = variant["peaks"][1]
        assert peak["sheet_A_per_m"] == pytest.approx(0.5 * peak["per_ampere_A_per_m"])
        assert variant["peaks"][0]["sheet_A_per_m"] is None
        assert variant["mesh"]["passes"][-1]["triangles"] == variant["mesh"]["triangles"]
        cables = variant["cables"][0]
        assert cables["worst"] == {"loop": NOISY, "voltage_V": max(p["noise_V"] for p in cables["contributions"])}
        assert cables["voltage_V"] == [pytest.approx(cables["noise_V"])]

    def test_decisions_stand_with_the_case_as_drawn(self):
        data = strict(to_json(varied()))
        (decision,) = varied().decisions
        first, *others = (variant["sensitive"][0] for variant in data["variants"])
        assert first["recommendation"] == decision.recommendation
        assert first["finding"] == decision.finding
        assert first["rests_on"] == list(decision.rests_on)
        assert [option["title"] for option in first["options"]] == [option.title for option in decision.options]
        assert first["options"][first["chosen"]]["title"] == decision.chosen.title
        for shown, option in zip(first["options"], decision.options, strict=True):
            assert (shown["noise_V"], shown["meets"], shown["variant"]) == (option.noise, option.meets, option.variant)
            assert shown["reasons"] == list(option.reasons)
            if option.noise:
                assert shown["margin_dB"] == pytest.approx(20 * math.log10(option.limit / option.noise))
        last = replace(decision, chosen=decision.options[-1])
        of = replace(varied())
        of.__dict__["decisions"] = (last,)
        assert to_dict(of)["variants"][0]["sensitive"][0]["chosen"] == len(decision.options) - 1
        for other, result_of in zip(others, list(varied().variants.values())[1:], strict=True):
            assert (other["options"], other["chosen"]) == ([], None)
            assert other["recommendation"] == finding(result_of.sensitive[0])

    def test_the_comparison_is_that_of_the_study(self):
        data = strict(to_json(varied()))
        comparison = data["comparison"]
        assert comparison["variants"] == [variant["name"] for variant in data["variants"]] + list(varied().proved)
        assert len(comparison["rows"]) == len(varied().comparison.rows)
        noise = next(row for row in comparison["rows"] if row["kind"] == "noise")
        values = [varied()[name].sensitive[0].noise for name in comparison["variants"]]
        assert [figure["value"] for figure in noise["figures"]] == values
        assert noise["changes"][2]["dB"] == pytest.approx(20 * math.log10(values[2] / values[0]))
        assert noise["changes"][2]["percent"] == pytest.approx(100 * (values[2] / values[0] - 1))
        assert [change["meaningful"] for change in noise["changes"]][:4] == [False, True, True, False]
        assert data["variants"][1]["changes"] == ['cutout "slot" is dropped']

    def test_failed_variants_and_findings_are_listed(self):
        data = strict(to_json(replace(varied(), failed={"gone": "No way."})))
        assert data["failed"] == [{"name": "gone", "reason": "No way."}]
        assert [finding["sentence"] for finding in data["findings"]] == [f.sentence for f in varied().findings]

    def test_links_and_coppers(self):
        of = layered()
        data = strict(to_json(replace(study(), variants={"as drawn": of})))
        variant = data["variants"][0]
        assert [copper["name"] for copper in variant["coppers"]] == ["ground", "back", "return"]
        assert variant["left_out"] == []
        assert variant["idle"] == ["spare"]
        links = {link["name"]: link for link in variant["links"]}
        n = of.whole.links.names.index("via 1")
        driver = links["via 1"]["currents"][0]
        above = of.spectral.model.link_currents(1e6)[of.spectral.model.system.stack.links.names.index("via 1"), 0]
        assert driver == {
            "loop": "driver",
            "real": [of.whole.link_current[0, n], above.real],
            "imag": [0.0, above.imag],
        }
        assert (links["capacitor"]["at_rest"], links["capacitor"]["currents"][0]["real"][0]) == ("open", 0.0)
        assert links["idle"]["currents"][0]["real"] == [None, None]
        assert variant["peaks"][0]["copper"] == of.conductors.names[of.peaks[0].copper]

    def test_sweeps_are_listed_step_by_step(self):
        sweep = f"""
[[sweep]]
name = "current"
vary = [{{ set = '{NOISY}.current_A', values = [0.1, 0.5] }}]
"""
        of = run(parse_case(BOARD + noisy() + SECOND + sweep))
        (swept,) = strict(to_json(of))["sweeps"]
        assert swept["name"] == "current"
        assert swept["axes"][0]["values"] == [0.1, 0.5]
        loop = next(loop for loop in swept["loops"] if loop["loop"] == SENSITIVE)
        assert loop["noise_V"][1] == pytest.approx(of["as drawn"].sensitive[0].noise, rel=1e-6)
        assert loop["noise_V"][0] < loop["noise_V"][1]

    def test_what_is_no_number_is_null(self):
        silent = replace(result().sensitive[0], noise=0.0, contributions=())
        empty = replace(result().cables[0], contributions=(), noise=0.0)
        odd = replace(result(), sensitive=(silent,), cables=(empty,))
        of = replace(study(), variants={"as drawn": odd})
        of.__dict__["findings"] = ()  # which need a contribution of every noisy loop
        variant = strict(to_json(of))["variants"][0]
        assert variant["sensitive"][0]["margin_dB"] is None
        assert variant["cables"][0]["worst"] is None

    def test_it_is_the_same_every_time_but_for_the_seconds(self):
        first, second = strict(to_json(study())), strict(to_json(study()))
        for data in (first, second):
            for variant in data["variants"]:
                assert variant.pop("seconds")
        assert json.dumps(first) == json.dumps(second)

    def test_lists_follow_the_frequencies(self):
        of = at_frequencies()["as drawn"]
        variant = strict(to_json(at_frequencies()))["variants"][0]
        assert variant["frequencies_Hz"] == [0, 1e6]
        Z = np.array(variant["impedance_ohm"]["real"]) + 1j * np.array(variant["impedance_ohm"]["imag"])
        np.testing.assert_array_equal(Z[1], of.impedance(1e6))
        assert Z[1, 1, 1].imag > 10 * Z[1, 1, 1].real
        facts = {item["loop"]: item for item in variant["crossovers"]}
        assert facts[NOISY]["low_inductance_H"] > facts[NOISY]["high_inductance_H"] > 0
        assert len(facts[NOISY]["near_route"]) == 2
        assert facts[SENSITIVE]["near_route"] == [None, None]
        assert to_dict(study())["variants"][0]["crossovers"] == []

    def test_cable_voltages_are_given_at_every_frequency(self):
        of = at_frequencies()["as drawn"]
        noisy_row = of.sensitive[0]
        pair = replace(of, cables=(noisy_row,), sensitive=())
        cables = to_dict(replace(at_frequencies(), variants={"as drawn": pair}))["variants"][0]["cables"][0]
        i, j = of.index(SENSITIVE), of.index(NOISY)
        assert cables["voltage_V"] == [pytest.approx(0.5 * abs(of.impedance(f)[i, j])) for f in (0, 1e6)]


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
            *(p.file for p in drawn()),
            "fields.vtu",
        ]
        assert set(snapshot(tmp_path / "new")) == {"report", *(f"report/{name}" for name in names)}
        assert strict(paths[0].read_text(encoding="utf-8"))["title"] == study().case.title
        assert all(is_ours(path) for path in paths)
        assert said == ["numbers are written", "a picture", "report"]

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
        assert top[:4] == ["result.json", "study.npz", "details.html", "report.html"]
        assert top[4:] == [
            "compare-board.png",
            "compare-flow-pump-b-x-b-i-1.png",
            "compare-placement-weak-v-grosse.png",
        ]
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
        write_all(study(), tmp_path)
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
        assert set(snapshot(tmp_path / "report")) == {"report.html", "details.html", "result.json", "study.npz"}
        assert STOPPED in (tmp_path / "report" / "report.html").read_text(encoding="utf-8")

    @pytest.mark.parametrize("what", ["pictures", "report_html", "details_html", "vtu_bytes"])
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
        monkeypatch.setattr(album, "board_frame", failing)
        (said,) = write_all(study(), tmp_path, brief=True).failed
        assert said.startswith("board.png could not be drawn (ZeroDivisionError: a bug).")
        assert not (tmp_path / "board.png").exists()
        assert len(list(tmp_path.glob("*.png"))) == len(fake(study(), extent="brief")) - 1


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
