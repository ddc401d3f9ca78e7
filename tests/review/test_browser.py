"""The page in a true browser: what a person does with it, and what then lies on the disk."""

import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from pipeline.review.history import HISTORY_NAME
from tests.conftest import contents
from tests.film_model import FrameSpec, Roll, Scene, cut_roll, scan_strips, write_scan
from tests.report.test_roll_page import CHROMIUM, QUIET, WCAG_TAGS
from tests.review.desks import desk_over, ends, frames_of, served


@pytest.fixture(scope="module")
def scans(tmp_path_factory) -> Path:
    """Return a folder of two strips with six pictures each, 01 to 12."""
    scenes = ["chart", Scene("coffee"), "grey", "hills", Scene("coffee", flip=True), "boats"]
    roll = Roll("film-a", tuple(map(FrameSpec, 2 * scenes)), first_number=1, seed=5)
    folder = tmp_path_factory.mktemp("browsed") / "quay"
    folder.mkdir()
    for number, scan in enumerate(
        scan_strips(cut_roll(roll, 6), per_scan=1, seed=5, scanner="scanner-a", ppi=160), 1
    ):
        write_scan(folder, f"strip-{number}", scan)
    return folder


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield chromium
        chromium.close()


@contextmanager
def opened(browser: Browser, url: str, width: int = 1280, **more) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": width, "height": 900}, **more)
    page = context.new_page()
    slips: list[str] = []
    page.on("pageerror", lambda error: slips.append(str(error)))
    page.on("console", lambda said: slips.append(said.text) if said.type == "error" else None)
    page.goto(url)
    until(page, "document.querySelectorAll('.row .open img').length > 0")
    until(page, "[...document.querySelectorAll('.row img')].every(image => image.naturalWidth)")
    yield page
    context.close()
    assert slips == []


def until(page: Page, holds: str, seconds: float = 60.0) -> None:
    """Wait until an expression holds; the page's own policy forbids that the driver does."""
    end = time.monotonic() + seconds
    while not page.evaluate(holds):
        assert time.monotonic() < end, holds
        time.sleep(0.05)


def kept(page: Page, does, words: str = "") -> None:
    """Do something and wait until the page says that it is kept."""
    page.evaluate("document.getElementById('said').textContent = ''")
    does()
    until(page, f"document.getElementById('said').textContent.startsWith('Kept: {words}')")


def open_frame(page: Page, key: str) -> None:
    page.click(f'.open[data-key="{key}"]')
    until(page, "document.querySelector('.leaf .large')?.naturalWidth > 0")


def told(scans: Path) -> dict:
    return tomllib.loads((scans / "roll.toml").read_text("utf-8"))


def test_a_roll_is_put_right_and_written_as_the_command_writes_it(browser, scans, tmp_path, run):
    out = tmp_path / "out"
    with desk_over(scans, out) as desk, served(desk) as address:
        found = frames_of(desk)
        with opened(browser, address.url) as page:
            page.locator(".strip-head button").first.click()
            until(page, "document.querySelector('.wide img').naturalWidth > 0")
            drag_edge(page, "02 right", -0.5)
            moved = ends(frames_of(desk)["02"])[1] - ends(found["02"])[1]
            assert moved == pytest.approx(-0.5, abs=0.15)
            for key in ("03", "04"):
                page.check(f'.row li:has([data-key="{key}"]) input')
            kept(page, lambda: page.click("#join"), "frames 03, 04 made one")
            page.check('.scanned input[value="split"]')
            begin, end = ends(found["05"])
            kept(page, lambda: click_at(page, (begin + end) / 2 + 3.0), "frame 05 made two")
            page.click("#choose-none")
            open_frame(page, "07")
            kept(page, lambda: page.click(".quarter"), "frame 07 turned")
            page.fill(".number-field", "21")
            kept(page, lambda: page.click(".renumber"), "number of frame")
            page.click('button:text("Point at something neutral")')
            kept(page, lambda: page.click(".leaf .large"), "neutral of frame 21")
            page.click("#choose-all")
            kept(page, lambda: page.click('button:text("Carry to the chosen frames")'), "colour")
            steps = told(scans)
            carried = [entry for entry in steps["frames"] if "balance" in entry]
            assert len(carried) == len(frames_of(desk)) - 1 >= 10
            while page.is_enabled("#undo"):
                undone(page, "#undo")
            assert not (scans / "roll.toml").exists()
            assert frames_of(desk) == found
            while page.is_enabled("#redo"):
                undone(page, "#redo")
            assert told(scans) == steps
            page.click("#write")
            until(page, "document.getElementById('write').textContent == 'All is written'")
            shown = [frame["number"] for frame in frames_of(desk).values()]
    with (
        desk_over(scans, out) as desk,
        served(desk) as address,
        opened(browser, address.url) as page,
    ):
        labels = page.locator(".row .number").all_inner_texts()
        assert labels == shown
        assert page.is_disabled("#write")
    assert run("convert", scans, "-o", tmp_path / "own").code == 0
    written = contents(out)
    written.pop(HISTORY_NAME)
    assert written == contents(tmp_path / "own")
    (scans / "roll.toml").unlink()


def undone(page: Page, deed: str) -> None:
    before = page.evaluate("document.getElementById('undo').textContent")
    page.click(deed)
    until(page, f"document.getElementById('undo').textContent !== {before!r}")


def drag_edge(page: Page, edge: str, by_mm: float) -> None:
    """Drag an edge of a frame's outline along its strip with the pointer."""
    box = page.locator(f'[data-edge="{edge}"]').bounding_box()
    scale = page.evaluate(
        "(box => box.width)(document.querySelector('.overlay').getBoundingClientRect())"
        " / document.querySelector('.overlay').viewBox.baseVal.width"
    )
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def pulled() -> None:
        page.mouse.move(x, y)
        page.mouse.down()
        page.keyboard.down("Shift")
        page.mouse.move(x + by_mm * scale / 2, y)
        page.mouse.move(x + by_mm * scale, y)
        page.mouse.up()
        page.keyboard.up("Shift")

    kept(page, pulled, "edges of frame")


def click_at(page: Page, x_mm: float) -> None:
    """Click on the strip at a place along it, amid its height."""
    box = page.locator(".overlay").bounding_box()
    long = page.evaluate("document.querySelector('.overlay').viewBox.baseVal.width")
    page.mouse.click(box["x"] + x_mm / long * box["width"], box["y"] + box["height"] / 2)


@pytest.fixture(scope="module")
def url(scans, tmp_path_factory) -> Iterator[str]:
    with desk_over(scans, tmp_path_factory.mktemp("out")) as desk, served(desk) as address:
        yield address.url


@pytest.mark.parametrize("width", [390, 1280, 2560])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_and_keeps_the_accessibility_rules(browser, url, width, scheme):
    # axe-core's WCAG 2.2 A and AA rules; its script gets by the page's policy only here.
    with opened(browser, url, width, color_scheme=scheme, bypass_csp=True) as page:
        open_frame(page, "05")
        page.locator(".strip-head button").first.click()
        until(page, "document.querySelector('.wide img').naturalWidth > 0")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        outcome = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG_TAGS}})
        violations = outcome.response["violations"]
        assert [(rule["id"], rule["nodes"][0]["html"]) for rule in violations] == []


def test_keys_alone_do_it(browser, url):
    with opened(browser, url) as page:
        page.focus('.open[data-key="01"]')
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        until(page, "document.querySelector('.leaf')?.getAttribute('aria-label') == 'Frame 02'")
        page.keyboard.press("1")
        page.keyboard.press("1")
        until(page, "document.querySelector('.leaf').getAttribute('aria-label') == 'Frame 11'")
        until(page, "document.querySelector('.large').dataset.shown == '{}'")
        page.keyboard.down("b")
        until(page, "document.querySelector('.large').dataset.shown != '{}'")
        page.keyboard.up("b")
        until(page, "document.querySelector('.large').dataset.shown == '{}'")
        page.focus("#frame-exposure")
        kept(page, lambda: page.keyboard.press("ArrowRight"), "exposure of frame 11")
        page.keyboard.press("Escape")
        page.focus('.open[data-key="11"]')
        page.keyboard.press("Control+z")
        until(page, "!document.getElementById('undo').textContent.includes('exposure')")


def test_an_edge_moves_by_keys_and_what_is_told_of_places(browser, url):
    with opened(browser, url) as page:
        page.locator(".strip-head button").first.click()
        until(page, "document.querySelector('.wide img').naturalWidth > 0")
        page.focus('[data-edge="03 left"]')
        kept(page, lambda: page.keyboard.press("ArrowRight"), "edges of frame 03")
        assert page.evaluate("document.activeElement.dataset.edge") == "03 left"
        click_at(page, 60.0)
        until(page, "document.querySelector('.told table') !== null")
        assert "Log exposure" in page.locator(".told").inner_text()
        undone(page, "#undo")


def test_a_corner_takes_two_edges_with_it(browser, scans, tmp_path):
    with desk_over(scans, tmp_path / "out") as desk, served(desk) as address:
        before = frames_of(desk)["03"]["corners_mm"]
        with opened(browser, address.url) as page:
            page.locator(".strip-head button").first.click()
            until(page, "document.querySelector('.wide img').naturalWidth > 0")
            box = page.locator('[data-corner="03 left top"]').bounding_box()
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

            def pulled() -> None:
                page.mouse.move(x, y)
                page.mouse.down()
                page.keyboard.down("Shift")
                page.mouse.move(x + 4, y + 3)
                page.mouse.up()
                page.keyboard.up("Shift")

            kept(page, pulled, "edges of frame 03")
        entry = told(scans)["frames"][0]
        assert set(entry) == {"number", "left_mm", "top_mm"}
        after = frames_of(desk)["03"]["corners_mm"]
        assert after[0][0] > before[0][0] + 0.2
        assert after[0][1] > before[0][1] + 0.2
        assert after[2] == pytest.approx(before[2], abs=0.02)
        desk.undo()


def test_two_windows_show_the_same(browser, url):
    with opened(browser, url) as one, opened(browser, url) as two:
        open_frame(one, "04")
        kept(one, lambda: one.click(".drop"), "frame 04 left out")
        until(two, "document.querySelector('.open[data-key=\"04\"]') === null")
        kept(two, lambda: two.click('#checks button:text("04")'))
        until(one, "document.querySelector('.open[data-key=\"04\"]') !== null")
