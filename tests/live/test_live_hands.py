"""Every way to reach the live page: by keys alone, by finger, on paper, without WebGL, offline, seen and spoken."""

import re

import pytest

from livepage import example_page, opened

INK = """() => {
  const c = document.getElementById("picture"), { data } = c.getContext("2d").getImageData(0, 0, c.width, c.height);
  return data.filter((v, i) => i % 4 === 3 && v > 0).length / (data.length / 4);
}"""
# Contrast by WCAG 2 of every text with its nearest painted ground.
CONTRAST = """() => {
  const light = (text) => { const [r, g, b] = text.match(/[\\d.]+/g).map(Number).map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = (it) => { for (; it; it = it.parentElement) { const c = getComputedStyle(it).backgroundColor;
    if (!/, 0\\)$|transparent/.test(c)) return c; } return "rgb(255, 255, 255)"; };
  return [...document.querySelectorAll("body *:not(script):not(svg *)")].filter((it) => it.offsetWidth > 1
      && !it.disabled && [...it.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())).map((it) => {
    const [a, b] = [light(getComputedStyle(it).color), light(ground(it))].sort((p, q) => q - p);
    return [it.tagName + it.className + it.textContent.slice(0, 20), (a + 0.05) / (b + 0.05)]; });
}"""


@pytest.fixture(scope="module")
def strip(tmp_path_factory):
    path = tmp_path_factory.mktemp("strip") / "strip.html"
    path.write_text(example_page("slot_depth", steady=True), "utf-8")
    return path


@pytest.fixture(scope="module")
def seen(window, strip):
    """A page that is looked at, and left as it was."""
    with opened(window, strip) as page:
        yield page


def test_all_by_keys_alone(window, strip):
    """A lesson chosen, guessed and done; a slot's end moved; a reading held; all back: no mouse."""
    with opened(window, strip) as page:
        to(page, "lessons")
        page.keyboard.press("ArrowDown")
        to(page, "", "[data-choice='1']")
        page.keyboard.press("Enter")
        for step in range(3):
            to(page, "", f"[data-step='{step}']")
            page.keyboard.press("Enter")
            assert page.evaluate("document.activeElement.dataset.step") == str(step)  # the focus stays
        assert "As you guessed." in page.inner_text("#lesson .why")
        assert page.evaluate("page.lessons.readings") == ["1.28 mV", "1.45 mV", "1.84 mV"]  # full solves
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("v")
        page.keyboard.press("h")
        to(page, "", ".end")
        before = page.inner_text("#figure")
        page.keyboard.press("ArrowDown")
        assert page.inner_text("#figure") != before
        page.wait_for_function("document.getElementById('status').textContent.startsWith('End of slot 1.0 mm')")
        page.keyboard.press("r")
        assert page.inner_text("#figure") == before
        assert before.removeprefix("about ") in page.inner_text("#held")


def to(page, name, selector=None):
    """Tab until something has the focus."""
    wanted = selector or f"#{name}"
    for _ in range(60):
        if page.evaluate(f"document.activeElement.matches({wanted!r})"):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"Tab never comes to {wanted}")


def test_a_finger_drags(window, strip):
    with opened(window, strip, has_touch=True) as page:
        before = page.inner_text("#figure")
        mark = page.locator(".point", has_text=re.compile("^sense A$")).locator(".mark").bounding_box()
        x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
        finger = page.context.new_cdp_session(page)
        for kind, dx in (("touchStart", 0), ("touchMove", 40), ("touchMove", 120), ("touchEnd", None)):
            points = [] if dx is None else [{"x": x + dx, "y": y}]
            finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        page.wait_for_function("document.getElementById('status').textContent.startsWith('sense A at')")
        assert page.inner_text("#figure") != before
        assert page.evaluate("page.board.place(2)[0]") > 35e-3


def test_without_webgl_and_without_a_network_it_is_whole(window, strip):
    with opened(window, strip, offline=True) as page:
        assert page.evaluate("document.createElement('canvas').getContext('webgl2')") is None
        assert page.inner_text("#figure") == "about 1.45 mV"
        assert page.evaluate(INK) > 0.2


def test_paper_has_the_picture_the_readings_and_what_they_rest_on(seen):
    seen.emulate_media(media="print")
    for what in ("#picture", "#figure", "#verdict", "#bars", "#shared", "footer"):
        assert seen.locator(what).is_visible(), what
    assert not seen.locator("#hold").is_visible()
    assert seen.evaluate(INK) > 0.2
    assert seen.pdf().count(b"/Type /Page\n") == 1
    said = seen.inner_text("footer")
    seen.emulate_media(media="screen")
    assert all(word in said for word in ("about", "no guaranteed bracket", "not a compliance test", "qualified person"))


@pytest.mark.parametrize("projector", [False, True])
def test_text_stands_out_from_its_ground(seen, projector):
    if projector:
        seen.click("#theme")
        assert seen.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 18
    poor = [(what, ratio) for what, ratio in seen.evaluate(CONTRAST) if ratio < 4.5]  # WCAG 2.2, 1.4.3
    if projector:
        seen.click("#theme")
    assert poor == []


def test_colours_differ_in_lightness(seen):
    """Also for those who see no hues: the scale rises in luminance from end to end."""
    table = seen.evaluate("Array.from(TABLE, (c) => [c & 255, (c >> 8) & 255, c >> 16])")
    light = [0.2126 * r**2.2 + 0.7152 * g**2.2 + 0.0722 * b**2.2 for r, g, b in table]
    assert all(b >= a for a, b in zip(light[:-8], light[8:], strict=True))
    assert light[-1] > 4 * light[0]
