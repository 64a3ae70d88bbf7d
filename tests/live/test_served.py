"""The served page: a full solve on release, files that are written beside the case, and who is not answered."""

import http.client
import json

import pytest

from cases import EXAMPLES
from livepage import drag, opened, serving
from returnflow.live import desk as desk_module
from returnflow.live import page as page_module
from returnflow.live.desk import Desk
from returnflow.live.moves import RequestError
from returnflow.live.over_frequency import over_frequency
from returnflow.live.server import LARGEST
from returnflow_geometry.casefile.read import read_case

CASE = (EXAMPLES / "slot_depth.toml").read_text(encoding="utf-8")


@pytest.fixture
def case_file(tmp_path):
    path = tmp_path / "strip.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def ask(server, path, body=b"{}", method="POST", **headers):
    line = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=30)
    kept = {"Host": f"127.0.0.1:{server.server_port}", "Content-Type": "application/json", **headers}
    line.request(method, path, body, {name.replace("_", "-"): value for name, value in kept.items()})
    reply = line.getresponse()
    text = reply.read().decode()
    line.close()
    return reply.status, text


def test_only_this_machine_with_the_token_is_answered(case_file):
    with serving(case_file, "<p>page</p>") as server:
        good = f"/{server.token}/"
        assert server.server_address[0] == "127.0.0.1"
        assert ask(server, good, method="GET")[0] == 200
        for path, headers in (
            ("/", {}),
            ("/x/", {}),
            (f"{good}../strip.toml", {}),
            (good, {"Host": "evil.example"}),
            (good, {"Origin": "http://evil.example"}),
        ):
            status, text = ask(server, path, method="GET", **headers)
            assert (status, "nothing here" in text) == (404, True)
        assert ask(server, f"{good}solve", Content_Type="text/plain")[0] == 404
        assert ask(server, "/wrong/solve")[0] == 404
        assert ask(server, f"{good}solve", b"x" * (LARGEST + 1))[0] == 413


@pytest.mark.parametrize(
    ("what", "message"),
    [
        ("solve", b'{"ends": [["slot", [55, 10]]]}'),
        ("solve", b'{"ends": [["strip", [55, 10], [55, 9]]]}'),
        ("solve", b"{"),
        ("solve", b"[" * 60_000),
        ("solve", b"[]"),
        ("run", b"{}"),
        ("solve", b'{"board": 7}'),
        ("solve", b'{"variant": "none"}'),
        ("solve", b'{"places": {"sense A": [1]}}'),
        ("solve", b'{"places": {"sense A": [NaN, 1]}}'),
        ("solve", b'{"places": {"sense A": [500, 1]}}'),
        ("save", b'{"places": {"sense A": [35, 3]}}'),
        ("save", b'{"places": {}, "name": "x"}'),
    ],
)
def test_what_cannot_be_answered_changes_nothing(case_file, what, message):
    with serving(case_file, "<p>page</p>") as server:
        status, text = ask(server, f"/{server.token}/{what}", message)
        assert status == 400
        assert json.loads(text)["error"]
        assert [path.name for path in case_file.parent.iterdir()] == ["strip.toml"]
        assert case_file.read_text(encoding="utf-8") == CASE


def test_what_was_moved_is_written_beside_the_case_and_never_over_it(case_file):
    desk = Desk([case_file], [read_case(case_file)])
    message = {"variant": "slot 5 mm deep", "places": {"sense A": [35.25, 3]}, "name": "Near, 2"}
    assert desk.answer("save", message) == {"written": "strip_near_2.toml"}
    new = read_case(case_file.with_name("strip_near_2.toml"))
    assert [1e3 * v for v in new.board.terminal("sense A").centre] == pytest.approx([35.25, 3])
    assert new.board.cutouts[0].shape.bounds[1] == pytest.approx(15e-3)  # the variant's slot
    with pytest.raises(RequestError, match="exists already"):
        desk.answer("save", message)
    assert desk.answer("save", message | {"name": "v", "as_variant": True}) == {"written": "strip_v.toml"}
    copy = read_case(case_file.with_name("strip_v.toml"))
    assert [variant.name for variant in copy.variants] == ["slot 5 mm deep", "slot 15 mm deep", "v"]
    moved = copy.variants[-1].case.board
    assert moved.cutouts[0].shape.bounds[1] == pytest.approx(15e-3)
    assert [1e3 * v for v in moved.terminal("sense A").centre] == pytest.approx([35.25, 3])
    assert copy.lessons  # all the rest is there
    assert case_file.read_text(encoding="utf-8") == CASE


def test_the_end_of_a_slot_is_solved_and_written_where_it_is(case_file):
    desk = Desk([case_file], [read_case(case_file)])
    ends = [["slot", [55, 10], [55, 5]]]
    (victim,) = desk.answer("solve", {"ends": ends})["victims"]
    assert victim["low"] < 1.837e-3 < victim["high"]  # full solve of the deeper slot
    assert desk.answer("save", {"ends": ends, "name": "deep"}) == {"written": "strip_deep.toml"}
    new = read_case(case_file.with_name("strip_deep.toml"))
    assert new.board.cutouts[0].shape.bounds[1] == pytest.approx(5e-3)


def test_a_name_does_not_lead_out_of_the_folder(case_file):
    desk = Desk([case_file], [read_case(case_file)])
    message = {"places": {"sense A": [35, 3]}, "name": "../../etc/x"}
    assert desk.answer("save", message) == {"written": "strip_etc_x.toml"}


def test_a_bracket_stands_in_the_figures_place_after_every_release(window, case_file):
    with serving(case_file) as server, opened(window, server.address) as page:
        page.wait_for_function("document.getElementById('figure').textContent.includes('between')", timeout=30_000)
        before = page.inner_text("#figure")
        assert before.startswith("1.45 mV between")
        drag(page, "sense A", 120, 0)
        page.wait_for_function("document.getElementById('figure').textContent.includes('between')", timeout=30_000)
        assert page.inner_text("#figure") != before
        about, solved = page.evaluate("[page.heard(page.reading.resistance, page.victim).volts, page.volts]")
        assert about == pytest.approx(solved, rel=5e-3)
        end = page.locator(".end .mark").bounding_box()
        page.mouse.move(end["x"] + end["width"] / 2, end["y"] + end["height"] / 2)
        page.mouse.down()
        page.mouse.move(end["x"] + end["width"] / 2, end["y"] + 20, steps=4)
        page.mouse.up()
        page.wait_for_function("document.getElementById('figure').textContent.includes('between')", timeout=30_000)
        about, longer = page.evaluate("[page.heard(page.reading.resistance, page.victim).volts, page.volts]")
        assert longer > 1.02 * solved
        assert about == pytest.approx(longer, rel=5e-3)
        page.fill("#savename", "by hand")
        page.click("#savecase")
        page.wait_for_function("document.getElementById('saved').textContent.startsWith('written')", timeout=30_000)
        assert "written: strip_by_hand.toml" in page.inner_text("#saved")
    place = read_case(case_file.with_name("strip_by_hand.toml")).board.terminal("sense A").centre
    assert place[0] > 32e-3


def test_it_opens_at_0_hz_and_is_modelled_when_somebody_asks(window, tmp_path, monkeypatch):
    """So that a board of many variants opens at once; a model that is there is not made again."""
    path = tmp_path / "u.toml"
    more = '[[variant]]\nname = "thin"\nmove = { "load ground" = [50, -40] }\n'
    path.write_text((EXAMPLES / "u_trace.toml").read_text("utf-8") + more, encoding="utf-8")
    made = []

    def counted(board, resistance, **how):
        made.append(board)
        return over_frequency(board, resistance, **how)

    monkeypatch.setattr(desk_module, "over_frequency", counted)
    monkeypatch.setattr(page_module, "over_frequency", counted)
    with serving(path) as server, opened(window, server.address) as page:
        assert page.is_visible("#frequency")
        assert page.evaluate("page.modelled") is None
        assert made == []
        page.evaluate("page.sweep.to(page.sweep.position(1e6))")
        assert page.evaluate("[page.modelled, page.frequency > 0]") == ["", True]
        assert page.inner_text("#marks") != ""
        there = page.evaluate("page.over.impedance(0, 0, 1e6)")
        page.evaluate("page.choose(1)")
        assert page.evaluate("page.frequency") == 0
        page.wait_for_function("page.frequency > 0", timeout=60_000)
        assert len(made) == 2
        page.evaluate("page.choose(0)")
        page.wait_for_function("page.frequency > 0", timeout=60_000)
        assert page.evaluate("page.over.impedance(0, 0, 1e6)") == there
    assert len(made) == 2
