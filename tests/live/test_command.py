"""`returnflow live`: several cases on one page, and the page served until it is interrupted."""

import http.client
import re
import subprocess
import sys

from cases import EXAMPLES
from livepage import commanded, example_page, opened
from returnflow.cli import main

STRIP, GAP = (str(EXAMPLES / f"{name}.toml") for name in ("slot_depth", "bridge_sweep"))


def test_several_cases_share_one_page(window, tmp_path):
    path = tmp_path / "two.html"
    assert main(["live", STRIP, GAP, "--steady", "--quiet", "-o", str(path)]) == 0
    with opened(window, path) as page:
        assert page.inner_text("#figure") == "about 1.45 mV"
        page.select_option("#board", "1")
        assert "Bridge across a gap" in page.inner_text("#title")
        assert page.inner_text("#figure") == "about 61.3 µV"  # full solve
        page.select_option("#board", "0")
        assert page.inner_text("#figure") == "about 1.45 mV"


def test_only_the_variants_that_are_asked_for(tmp_path, capsys):
    path = tmp_path / "page.html"
    assert main(["live", STRIP, "--variant", "slot 6 mm deep", "-o", str(path)]) == 2
    assert 'Give "as drawn", "slot 5 mm deep" or' in capsys.readouterr().err
    assert main(["live", STRIP, "--port", "70000"]) == 2
    assert "must be 0 to 65535" in capsys.readouterr().err
    assert not path.exists()


def test_it_is_served_until_interrupted():
    asked = ["live", STRIP, "--no-open", "--steady", "--variant", "as drawn"]
    again = [sys.executable, "-m", "returnflow", *asked]
    told: list[str] = []
    with commanded(asked, told) as server:
        host, port, way = re.fullmatch(r"http://(127\.0\.0\.1):(\d+)(/[\w-]+/)\n", server.stdout.readline()).groups()
        line = http.client.HTTPConnection(host, int(port), timeout=30)
        line.request("GET", way)
        page = line.getresponse().read().decode()
        line.close()
        taken = subprocess.run([*again, "--port", port], capture_output=True, text=True, timeout=60, check=False)
    assert "connect-src 'self'" in page
    assert server.returncode == 0
    assert "Only this machine can open it" in told[0]
    assert "Traceback" not in told[0]
    assert (taken.returncode, "Leave it out for any free one" in taken.stderr) == (2, True)


def test_a_browser_that_cannot_unpack_it_says_so(window, tmp_path):
    path = tmp_path / "page.html"
    path.write_text(example_page("slot_depth", steady=True), "utf-8")
    with window.new_page() as page:
        page.add_init_script("delete window.DecompressionStream")
        page.goto(path.as_uri())
        page.wait_for_function("document.getElementById('wait').textContent.includes('cannot')")
        assert "any of 2023 or later can" in page.inner_text("#wait")


def test_lines_are_shown_and_hidden(window, tmp_path):
    path = tmp_path / "page.html"
    path.write_text(example_page("slot_depth", steady=True), "utf-8")
    with opened(window, path) as page:
        picture = "document.getElementById('picture').toDataURL()"
        for option in ("#bands", "#voltage"):
            first = page.evaluate(picture)
            page.click(option)
            second = page.evaluate(picture)
            page.click(option)
            assert first != second
            assert page.evaluate(picture) == first
