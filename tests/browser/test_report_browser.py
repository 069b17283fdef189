"""The report in a real browser: it draws, fits, keeps quiet and asks nothing of the network."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser

WIDE, PHONE = 1280, 375
DRAWN = "document.querySelectorAll('[data-plot].js-plotly-plot .main-svg').length"
PATIENCE_MS = 180_000  # a page loads in 3 s; a machine full of other work takes twenty times as long
FRAME_MS = 10_000


ALL_DRAWN = "[...document.querySelectorAll('[data-plot]')].every((box) => box.querySelector('.main-svg'))"


def until(page, condition: str) -> None:
    """Waits for a condition; the page's own content policy forbids the driver's way of doing so."""
    from playwright.sync_api import TimeoutError

    for look in range(1, 1001):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(20)
        if look % 50 == 0:  # asks for a frame: a page that nobody sees may get none, and no chart comes near
            page.bring_to_front()
            with suppress(TimeoutError):  # nor may the picture, on a machine that is full of other work
                page.screenshot(timeout=FRAME_MS)
    pytest.fail(f"still not so after 20 s: {condition}")


@contextmanager
def opened(browser, path, **options) -> Iterator:
    """The page with what it said and asked for; both must be nothing."""
    page = browser.new_page(**options)
    page.set_default_timeout(PATIENCE_MS)
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("dialog", lambda dialog: heard.append(dialog.message))
    page.on("request", lambda request: heard.append(request.url) if request.url != path.as_uri() else None)
    page.goto(path.as_uri())
    until(page, f"(document.querySelector('[data-plot]').scrollIntoView(), {DRAWN} > 0)")
    page.evaluate("scrollTo(0, 0)")
    yield page
    page.close()
    assert [text for text in heard if not text.startswith(("data:", "blob:"))] == []


def show_all(page) -> None:
    """Opens what is folded and brings each chart near the screen."""
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for number in range(page.evaluate("document.querySelectorAll('[data-plot]').length")):
        box = f"document.querySelectorAll('[data-plot]')[{number}]"
        # again with each look: a chart above that draws late pushes this one away from the screen
        until(page, f"({box}.scrollIntoView(), {box}.querySelector('.main-svg') !== null)")


@pytest.fixture(scope="module")
def shown(browser, page_file):
    """The page by width and colour scheme, all of it drawn; for tests that only look. It must have kept quiet."""
    with ExitStack() as pages:

        @cache
        def page(width: int, scheme: str):
            size = {"width": width, "height": 900}
            opening = opened(browser, page_file, viewport=size, color_scheme=scheme, has_touch=width == PHONE)
            drawn = pages.enter_context(opening)
            show_all(drawn)
            return drawn

        yield page


# The rules of axe-core: all of WCAG 2.2 up to level AA with its best practices, and those that look at colours.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
OF_COLOURS = {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}


def accessible(page, rules: object = RULES) -> list[str]:
    """What breaks rules of axe-core; which nodes keep them is not listed, for that takes half of the time."""
    axe = pytest.importorskip("axe_playwright_python")
    page.evaluate((Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    asked = json.dumps({"runOnly": rules, "resultTypes": ["violations"]})
    violations = page.evaluate(f"axe.run(document, {asked}).then((found) => found.violations)")
    return [f"{each['id']}: {each['nodes'][0]['html'][:120]}" for each in violations]


@pytest.mark.parametrize(("scheme", "rules"), [("light", RULES), ("dark", OF_COLOURS)], ids=["light", "dark"])
def test_it_serves_people_with_disabilities(shown, scheme, rules):
    """The dark page differs in its colours alone."""
    assert accessible(shown(PHONE, scheme), rules) == []


def test_without_scripts_every_finding_can_be_read(browser, page_file):
    import fake_results

    page = browser.new_page(java_script_enabled=False)
    page.goto(path := page_file.as_uri())
    assert page.url == path
    for finding in fake_results.troubled().findings:
        summary = page.locator("details.finding > summary", has_text=finding.title).first
        assert summary.is_visible()
        if summary.locator("..").get_attribute("open") is None:
            summary.click()
        if finding.explanation:
            assert summary.locator("..").get_by_text(finding.explanation, exact=True).first.is_visible()
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_it_fits_and_draws_without_a_sound(shown, width, scheme):
    page = shown(width, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    beyond = page.evaluate("""[...document.querySelectorAll('main *:not([data-plot] *)')]
      .filter((element) => element.getBoundingClientRect().right > innerWidth + 1)
      .map((element) => element.outerHTML.slice(0, 80))""")
    assert beyond == []


def test_charts_far_down_wait_until_they_come_near(browser, page_file):
    with opened(browser, page_file, viewport={"width": WIDE, "height": 600}) as page:
        every = page.evaluate("document.querySelectorAll('[data-plot]').length")
        assert 0 < page.evaluate("document.querySelectorAll('.js-plotly-plot').length") < every / 2


def test_charts_follow_a_change_of_the_colour_scheme(browser, page_file):
    line = "getComputedStyle(document.querySelector('[data-plot] .scatterlayer .js-line')).stroke"
    with opened(browser, page_file, color_scheme="light") as page:
        before = page.evaluate(line)
        page.emulate_media(color_scheme="dark")
        until(page, f"{line} !== '{before}'")


def test_a_printed_page_has_every_chart_and_is_light(browser, page_file):
    with opened(browser, page_file, color_scheme="dark") as page:
        page.emulate_media(media="print", color_scheme="dark")
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        until(page, ALL_DRAWN)
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert page.evaluate("document.querySelectorAll('details:not([open])').length") == 0
        page.evaluate("dispatchEvent(new Event('afterprint'))")


def test_labels_of_a_chart_stay_inside_it(shown):
    cut = shown(PHONE, "light").evaluate("""[...document.querySelectorAll('[data-plot]')].flatMap((box) => {
      const frame = box.getBoundingClientRect();
      const outside = (r) => Math.min(r.left - frame.left, frame.right - r.right, r.top - frame.top) < -1;
      return [...box.querySelectorAll('.annotation-text, .xtick text, .ytick text, .xtitle')]
        .filter((text) => text.getBoundingClientRect().width > 0 && outside(text.getBoundingClientRect()))
        .map((text) => text.textContent);
    })""")
    assert cut == []


def test_a_finding_can_be_reached_from_the_verdict(browser, page_file):
    with opened(browser, page_file) as page:
        page.click("ol.origins a")
        assert page.evaluate("location.hash") == "#card-1"
        assert 0 <= page.evaluate("document.getElementById('card-1').getBoundingClientRect().top") < 100
        page.click("#card-1 .when a")
        finding = page.evaluate("location.hash.slice(1)")
        assert page.evaluate(f"document.getElementById('{finding}').open")


RANGES = """Object.fromEntries([...document.querySelectorAll('[data-clock].js-plotly-plot')]
  .map((box, number) => [number, box.layout.xaxis.range.map(Number)]))"""


def test_a_stretch_zoomed_in_one_chart_is_zoomed_in_all_that_show_some_of_it(browser, page_file):
    with opened(browser, page_file, viewport={"width": WIDE, "height": 900}) as page:
        show_all(page)
        before = page.evaluate(RANGES)
        wide = max(before, key=lambda key: before[key][1] - before[key][0])
        page.evaluate(f"document.querySelectorAll('[data-clock].js-plotly-plot')[{wide}].scrollIntoView()")
        plot = page.locator("[data-clock].js-plotly-plot").nth(int(wide)).locator(".nsewdrag").first
        area = plot.bounding_box()
        y = area["y"] + area["height"] / 2
        page.mouse.move(area["x"] + 0.2 * area["width"], y)
        page.mouse.down()
        page.mouse.move(area["x"] + 0.6 * area["width"], y, steps=5)
        page.mouse.up()
        until(page, f"{RANGES}[{wide}][0] > {before[wide][0]}")
        low, high = page.evaluate(RANGES)[wide]
        span = before[wide][1] - before[wide][0]
        assert abs(low - (before[wide][0] + 0.2 * span)) < 0.02 * span
        assert abs(high - (before[wide][0] + 0.6 * span)) < 0.02 * span
        for key, (begin, end) in before.items():
            meets = max(begin, low) < min(end, high)
            wanted = [max(begin, low), min(end, high)] if meets else [begin, end]
            until(
                page, f"Math.abs({RANGES}[{key}][0] - {wanted[0]}) + Math.abs({RANGES}[{key}][1] - {wanted[1]}) < 1e-6"
            )
        assert page.locator(".timebar.zoomed").is_visible()
        page.keyboard.press("Escape")
        until(page, f"JSON.stringify({RANGES}) === JSON.stringify({before!r})".replace("'", '"'))
        assert page.locator(".timebar.zoomed").count() == 0


def test_the_time_axis_works_by_keyboard(browser, page_file):
    with opened(browser, page_file, viewport={"width": WIDE, "height": 900}) as page:
        show_all(page)
        before = page.evaluate(RANGES)
        page.get_by_role("button", name="Closer").focus()
        page.keyboard.press("Enter")
        until(page, f"JSON.stringify({RANGES}) !== JSON.stringify({before!r})".replace("'", '"'))
        assert accessible(page) == []
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Show all"
        page.keyboard.press("Space")
        until(page, f"JSON.stringify({RANGES}) === JSON.stringify({before!r})".replace("'", '"'))
