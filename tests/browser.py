"""A browser without a window, if this machine has one: how wide a page is, and on how many sheets it prints."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars")
# Elements that reach over the right edge of the window, and boxes that one must scroll to see their right end.
PROBE = """<script>
const right = document.documentElement.clientWidth + 1;
const scrolls = it => it.tagName == "DIV" && it.scrollWidth > it.clientWidth + 1;
const cut = it => it.getBoundingClientRect().right > right || scrolls(it);
const out = [...document.querySelectorAll("body *")].filter(cut);
const said = out.map(it => it.tagName + ":" + it.textContent.slice(0, 30)).join("|");
document.body.innerHTML = "<p id=found>" + said + "</p>";
</script>"""


def browser() -> str:
    """Command of a browser; without one the test is skipped and says how to get one."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip(f"no browser on the path ({', '.join(NAMES)}): install one, such as apt-get install chromium")
    return found


def over_the_edge(html: str, width: int, folder: Path) -> list[str]:
    """What a window of some width cuts off: tag and text of each."""
    page = folder / f"probe-{width}.html"
    page.write_text(html.replace("</body>", PROBE + "</body>"), encoding="utf-8")
    command = [browser(), *FLAGS, f"--window-size={width},900", "--dump-dom", page.as_uri()]
    dom = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
    (found,) = re.findall(r'<p id="found">(.*?)</p>', dom, re.DOTALL)
    return [item for item in found.split("|") if item]


def sheets(html: str, folder: Path) -> int:
    """Sheets of paper that a page prints on."""
    page, pdf = folder / "print.html", folder / "print.pdf"
    page.write_text(html, encoding="utf-8")
    command = [browser(), *FLAGS, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri()]
    subprocess.run(command, capture_output=True, timeout=120, check=True)
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))
