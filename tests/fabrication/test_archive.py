"""Folders and zip archives: base names only, nothing outside, nothing endless."""

import io
import os
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.archive import open_files, read_files
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits

LIMITS = Limits()


def packed(members, compression=zipfile.ZIP_DEFLATED):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression) as archive:
        for name, data in members:
            archive.writestr(name, data)
    return buffer.getvalue()


@pytest.fixture
def zipped(tmp_path):
    def write(members):
        path = tmp_path / "board.zip"
        path.write_bytes(members if isinstance(members, bytes) else packed(members))
        return path

    return write


class TestContents:
    def test_base_names_of_an_archive(self, zipped):
        path = zipped([("out/top.gbr", b"1"), ("out/sub/holes.drl", b"2"), ("out/empty/", b"")])
        assert read_files(path, LIMITS) == {"top.gbr": b"1", "holes.drl": b"2"}

    def test_a_folder_and_its_folders(self, tmp_path):
        (tmp_path / "sub").mkdir()
        (tmp_path / "top.gbr").write_bytes(b"1")
        (tmp_path / "sub" / "holes.drl").write_bytes(b"2")
        (tmp_path / ".hidden").write_bytes(b"3")
        assert read_files(tmp_path, LIMITS) == {"top.gbr": b"1", "holes.drl": b"2"}

    def test_one_file_alone(self, tmp_path):
        (tmp_path / "board.xml").write_bytes(b"<a/>")
        assert read_files(tmp_path / "board.xml", LIMITS) == {"board.xml": b"<a/>"}

    def test_what_is_left_out_is_noted(self, zipped):
        files = open_files(
            zipped([("a.gbr", b"1"), ("x/b.zip", b"2"), ("c.pdf", b"3"), ("__MACOSX/._a.gbr", b"")]), LIMITS
        )
        assert set(files.contents) == {"a.gbr"}
        assert len(files.notes) == 2
        assert "'c.pdf'" in files.notes[0]
        assert "'b.zip' is an archive inside" in files.notes[1]

    @pytest.mark.parametrize("form", ["folder", "archive"])
    def test_one_archive_of_images_beside_other_files_is_opened(self, tmp_path, zipped, form):
        images = packed([("fab/top.gbr", b"%FSLAX46Y46*%"), ("deep.zip", packed([("x", b"1")]))])
        beside = [("netlist.ipc", b"P  JOB"), ("parts.csv", b"reference,value"), ("images.zip", images)]
        place = zipped(beside) if form == "archive" else tmp_path / "board"
        if form == "folder":
            place.mkdir()
            for name, data in beside:
                (place / name).write_bytes(data)
        files = open_files(place, LIMITS)
        assert set(files.contents) == {"netlist.ipc", "parts.csv", "top.gbr"}
        assert any("'images.zip', is opened" in note for note in files.notes)
        assert any("'deep.zip' is an archive inside" in note for note in files.notes)

    def test_of_several_archives_none_is_opened(self, zipped):
        inside = packed([("top.gbr", b"%FSLAX46Y46*%")])
        files = open_files(zipped([("a.zip", inside), ("b.zip", inside), ("net.ipc", b"P")]), LIMITS)
        assert set(files.contents) == {"net.ipc"}
        assert sum("there is more than one" in note for note in files.notes) == 2

    def test_an_archive_beside_a_board_stays_shut(self, zipped):
        files = open_files(zipped([("a.zip", packed([("x.gbr", b"1")])), ("top.gbr", b"%FSLAX46Y46*%")]), LIMITS)
        assert set(files.contents) == {"top.gbr"}

    def test_what_an_archive_inside_holds_counts(self, zipped):
        bomb = packed([("zeros", bytes(200_000))])
        with pytest.raises(FabricationError, match="bytes in all"):
            open_files(zipped([("a.zip", bomb)]), Limits(total_bytes=100_000))

    def test_the_same_file_twice_is_noted_and_two_different_ones_refused(self, zipped):
        files = open_files(zipped([("a/top.gbr", b"1"), ("b/top.gbr", b"1")]), LIMITS)
        assert files.contents == {"top.gbr": b"1"}
        assert "twice" in files.notes[0]
        with pytest.raises(
            FabricationError, match=r"two different files are called 'top\.gbr', 'a/top\.gbr' and 'b/top"
        ):
            read_files(zipped([("a/top.gbr", b"1"), ("b/top.gbr", b"2")]), LIMITS)


class TestUntrusted:
    @pytest.mark.parametrize("name", ["../../top.gbr", "/etc/top.gbr", "..\\..\\top.gbr", "C:\\x\\top.gbr"])
    def test_paths_lead_nowhere(self, zipped, name):
        assert read_files(zipped([(name, b"1")]), LIMITS) == {"top.gbr": b"1"}

    def test_links_out_of_a_folder_are_left_out(self, tmp_path):
        secret = tmp_path / "secret.gbr"
        secret.write_bytes(b"secret")
        board = tmp_path / "board"
        (board / "sub").mkdir(parents=True)
        (board / "top.gbr").write_bytes(b"1")
        (board / "link.gbr").symlink_to(secret)
        (board / "nothing.gbr").symlink_to(tmp_path / "none")
        (board / "folder").symlink_to(tmp_path)
        (board / "sub" / "inside.gbr").symlink_to(board / "top.gbr")
        files = open_files(board, LIMITS)
        assert files.contents == {"top.gbr": b"1", "inside.gbr": b"1"}
        assert len(files.notes) == 3

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
    def test_a_pipe_does_not_hang(self, tmp_path):
        os.mkfifo(tmp_path / "pipe.gbr")
        (tmp_path / "top.gbr").write_bytes(b"1")
        assert read_files(tmp_path, LIMITS) == {"top.gbr": b"1"}

    def test_a_link_in_an_archive_is_left_out(self, zipped):
        link = zipfile.ZipInfo("link.gbr")
        link.external_attr = 0o120777 << 16
        files = open_files(zipped([(link, b"/etc/passwd"), ("top.gbr", b"1")]), LIMITS)
        assert files.contents == {"top.gbr": b"1"}
        assert "link" in files.notes[0]

    def test_a_member_without_a_name_is_left_out_and_told(self, zipped):
        # A name is cut at its first zero byte.
        data = packed([("q.gbr", b"1"), ("top.gbr", b"2")]).replace(b"q.gbr", b"\0.gbr")
        files = open_files(zipped(data), LIMITS)
        assert files.contents == {"top.gbr": b"2"}
        assert "without a file name" in files.notes[0]

    def test_sizes_are_capped_by_what_comes_out(self, zipped):
        path = zipped([("a.gbr", bytes(100_000)), ("b.gbr", bytes(100_000))])
        with pytest.raises(FabricationError, match=r"'a\.gbr' has more than 50000 bytes"):
            read_files(path, Limits(bytes=50_000))
        with pytest.raises(FabricationError, match="more than 150000 bytes in all"):
            read_files(path, Limits(total_bytes=150_000))

    def test_a_lie_about_the_size_is_no_way_round(self, zipped):
        data = packed([("a.gbr", bytes(5_000_000))])
        lied = data.replace((5_000_000).to_bytes(4, "little"), (10).to_bytes(4, "little"))
        assert lied != data
        with pytest.raises(FabricationError, match=r"damaged|more than"):
            read_files(zipped(lied), Limits(bytes=1_000_000))

    def test_the_number_of_files_is_capped(self, zipped, tmp_path):
        members = [(f"{k}.gbr", b"1") for k in range(20)]
        with pytest.raises(FabricationError, match="more than 10 files"):
            read_files(zipped(members), Limits(members=10))
        many = packed([(f"{k}.gbr", b"1") for k in range(3000)])
        with pytest.raises(FabricationError, match="more than 2 files"):
            read_files(zipped(many), Limits(members=2))
        for name, _ in members:
            (tmp_path / name).write_bytes(b"")
        with pytest.raises(FabricationError, match="more than 10 files"):
            read_files(tmp_path, Limits(members=10))

    def test_a_long_list_of_members_is_refused_before_it_is_read(self, zipped, monkeypatch):
        path = zipped([(f"{k}.gbr", b"1") for k in range(3000)])

        def opened(*_):
            raise AssertionError

        monkeypatch.setattr(zipfile, "ZipFile", opened)
        with pytest.raises(FabricationError, match="more than 2 files"):
            read_files(path, Limits(members=2))

    @pytest.mark.parametrize(
        ("data", "message"),
        [
            (b"PK\x03\x04 cut off", "damaged"),
            (packed([("a.gbr", b"1")])[:-30], "damaged"),
            (packed([]), "no files in it"),
            (packed([("a.gbr", b"x" * 50)], zipfile.ZIP_STORED).replace(b"x" * 50, b"y" * 50), "damaged"),
        ],
        # An archive holds the time it was packed: no name for a test, as each worker packs its own.
        ids=["cut in its first record", "cut at its end", "empty", "wrong checksum"],
    )
    def test_damaged_archives(self, zipped, data, message):
        with pytest.raises(FabricationError, match=message):
            read_files(zipped(data), LIMITS)

    def test_an_encrypted_archive(self, zipped):
        data = bytearray(packed([("a.gbr", b"1")]))
        data[6] |= 1
        data[data.index(b"PK\x01\x02") + 8] |= 1
        with pytest.raises(FabricationError, match="encrypted"):
            read_files(zipped(bytes(data)), LIMITS)

    def test_nothing_there(self, tmp_path):
        with pytest.raises(FabricationError, match="no such folder or file"):
            read_files(tmp_path / "none", LIMITS)
        with pytest.raises(FabricationError, match="no files in it"):
            read_files(tmp_path, LIMITS)

    @settings(max_examples=100, deadline=None)
    @given(data=st.data())
    def test_only_its_own_error_leaves_the_reader(self, data, tmp_path_factory):
        raw = bytearray(packed([("a/top.gbr", b"G04*" * 20), ("b.drl", b"M48\n")]))
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
        path = tmp_path_factory.getbasetemp() / "mutated.zip"
        path.write_bytes(bytes(raw))
        try:
            files = read_files(path, LIMITS)
        except FabricationError:
            return
        assert all("/" not in name for name in files)
