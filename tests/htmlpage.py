"""A report as a parser reads it: nesting checked, elements, text and rows kept."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """Checks nesting while it reads, and keeps elements and text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.rows: list[list[str]] = []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> without a start"
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" in self.open:
            return
        self.text.append(data.replace("\u00a0", " "))
        if "td" in self.open or "th" in self.open:
            self.rows[-1][-1] += data.replace("\u00a0", " ").strip("\n")

    def row(self, *starts_with):
        return next(row for row in self.rows if row[: len(starts_with)] == list(starts_with))


def read(text: str) -> Page:
    page = Page()
    page.feed(text)
    page.close()
    assert page.open == []
    return page
