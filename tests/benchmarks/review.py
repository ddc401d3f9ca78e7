"""The page over a roll of large scans: first sight, previews, memory of its process."""

import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from tests.report.test_roll_page import CHROMIUM, QUIET

_PREVIEWS = 60
_FRAMES = 8
_SEEN = "document.querySelectorAll('.row .open img').length > 0"
_LOADED = "[...document.querySelectorAll('.row img')].every(image => image.naturalWidth)"


def review(scans: Path) -> None:
    """Print what the page over a converted roll takes, in a browser of 1280 by 900 pixels."""
    with tempfile.TemporaryDirectory(dir=scans.parent) as folder:
        out = Path(folder)
        command = [sys.executable, "-m", "pipeline"]
        words = ["--workers", "2"]
        subprocess.run([*command, "convert", scans, "-o", out, *words], check=True)
        began = time.perf_counter()
        process = subprocess.Popen(
            [*command, "review", out, "--no-browser", *words], stdout=subprocess.PIPE, text=True
        )
        try:
            assert process.stdout is not None
            address = process.stdout.readline().split()[-1]
            print(f"  survey, until the page answers {time.perf_counter() - began:7.2f} s")
            _look(address)
            status = Path(f"/proc/{process.pid}/status").read_text()
            peak = re.search(r"VmHWM:\s+(\d+)", status)
            print(f"  memory {int(peak[1]) / 1024 if peak else 0:7.0f} MB")
        finally:
            process.terminate()
            process.wait(30)


def _look(address: str) -> None:
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        began = time.perf_counter()
        page.goto(address)
        _until(page, _SEEN)
        _until(page, _LOADED)
        print(f"  first sight of all frames {time.perf_counter() - began:7.2f} s")
        opening, trying = [], []
        for place in range(_FRAMES):
            began = time.perf_counter()
            page.locator(".row .open").nth(place * 4).click()
            _until(page, f"document.querySelector('.leaf').dataset.of === '{place}'", mark=place)
            opening.append(time.perf_counter() - began)
            for step in range(_PREVIEWS // _FRAMES):
                trying.append(_tried(page, 0.05 * (step + 1)))
        side = page.evaluate("document.querySelector('.large').naturalWidth")
        print(f"  a frame opened, {side} px    median {np.median(opening):5.2f} s")
        ms = 1000 * np.array(trying)
        print(f"  previews: median {np.median(ms):4.0f} ms, 95th percentile "
              f"{np.percentile(ms, 95):4.0f} ms")  # fmt: skip
        browser.close()


def _until(page: Page, holds: str, mark: int | None = None) -> None:
    end = time.monotonic() + 60
    while time.monotonic() < end:
        if mark is not None:
            page.evaluate(
                "mark => { const image = document.querySelector('.leaf .large');"
                " if (image?.naturalWidth && image.dataset.shown === '{}')"
                " document.querySelector('.leaf').dataset.of = mark; }", mark
            )  # fmt: skip
        if page.evaluate(holds):
            return
        time.sleep(0.01)
    raise TimeoutError(holds)


def _tried(page: Page, stops: float) -> float:
    """Return the seconds from a move of a field to the picture that shows it, in the page."""
    return float(
        page.evaluate(
            """stops => new Promise(done => {
              const field = document.getElementById("frame-exposure");
              const image = document.querySelector(".large");
              const began = performance.now();
              const look = () => image.dataset.shown.includes(`"exposure":${field.value}`)
                ? done((performance.now() - began) / 1000) : setTimeout(look, 1);
              field.value = stops;
              field.dispatchEvent(new Event("input"));
              look();
            })""",
            stops,
        )
    )
