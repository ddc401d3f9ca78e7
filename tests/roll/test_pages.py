"""What the page of a run shows, held against the scans and the pictures beside it."""

import base64
import io
import json
import re
import threading
from pathlib import Path

import cv2
import html5lib
import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.profile.space import colour_science
from pipeline.record import to_json
from pipeline.report import page_parts
from pipeline.roll.frame_task import develop
from pipeline.roll.pages import drawn_pages
from tests.conftest import Run, contents

DRAWN_CURVE = "Print curve and tones"


def page_of(out: Path):
    html = (out / "index.html").read_text("utf-8")
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(html)


def scanned(page) -> dict[str, np.ndarray]:
    """Return the negatives on a page by the numbers of their frames."""
    found = {}
    for figure in page.iterfind(".//figure"):
        image = figure.find("img[@class='scanned']")
        data = base64.b64decode(image.get("src").partition(",")[2])
        found[figure.find("p[@class='number']").text] = np.asarray(Image.open(io.BytesIO(data)))
    return found


def table_of_tones(page) -> dict[str, list[float]]:
    section = page.find(".//section[@id='colour']/section[@class='figure']")
    return {
        row.find("th").text: [float(cell.text) for cell in row.iterfind("td")]
        for row in section.iterfind(".//tbody/tr")
    }


def test_negatives_on_the_page_look_as_the_scan_does(model_roll: Path, tmp_path, run: Run):
    # All of the gate, whose outline the record tells.
    out = tmp_path / "out"
    assert run("convert", model_roll, "-o", out, "--archive", "none", "--inset", "0").code == 0
    record = json.loads((out / "roll.json").read_text("utf-8"))
    shown = scanned(page_of(out))
    assert list(shown) == [str(number) for number in range(11, 18)]
    for strip in record["strips"]:
        # These scans are linear.
        codes = tifffile.imread(model_roll / strip["scan"]).astype(float) / 65535.0
        for frame in strip["frames"]:
            picture = shown[frame["number"]]
            rows, columns = picture.shape[:2]
            corners = np.array(frame["outline"], np.float32)
            ends = [(0, 0), (columns - 1, 0), (columns - 1, rows - 1), (0, rows - 1)]
            turn = cv2.getPerspectiveTransform(corners, np.array(ends, np.float32))
            light = cv2.warpPerspective(codes, turn, (columns, rows))
            # By colour-science: IEC 61966-2-1.
            expected = 255.0 * colour_science().models.eotf_inverse_sRGB(light)
            inner = np.s_[rows // 8 : -rows // 8, columns // 8 : -columns // 8]
            off = cv2.blur(picture.astype(float), (5, 5)) - cv2.blur(expected, (5, 5))
            assert np.abs(off[inner]).mean() < 4.0, frame["number"]


def test_shares_of_tones_are_those_of_the_pictures_written(converted: Path):
    pixels = np.concatenate(
        [np.asarray(Image.open(path)).reshape(-1, 3) for path in converted.glob("harbour_*.jpg")]
    )
    told = table_of_tones(page_of(converted))
    assert list(told) == ["0", "1 to 63", "64 to 127", "128 to 191", "192 to 254", "255"]
    for channel in range(3):
        expected = np.histogram(pixels[:, channel], [0, 64, 128, 192, 256])[0] * 100 / len(pixels)
        column = [row[channel] for row in told.values()]
        joined = [column[0] + column[1], *column[2:4], column[4] + column[5]]
        np.testing.assert_allclose(joined, expected, atol=2.5)


def test_negatives_take_at_most_six_tenths_of_the_rest_of_the_page(converted: Path):
    html = (converted / "index.html").read_text("utf-8")
    negatives = sum(map(len, re.findall(r'<img class="scanned"[^>]*>', html)))
    assert 0 < negatives < 0.6 * (len(html) - negatives)


@pytest.mark.parametrize(("look", "has_curve"), [("print", True), ("linear", False)])
def test_the_curve_is_shown_of_prints_alone(look, has_curve, model_roll: Path, tmp_path, run: Run):
    out = tmp_path / "out"
    assert run("convert", model_roll, "-o", out, "--look", look, "--archive", "none").code == 0
    section = page_of(out).find(".//section[@id='colour']/section[@class='figure']")
    assert (section.find("h3").text == DRAWN_CURVE) is has_curve
    assert ("print curve" in "".join(section.itertext()).lower()) is has_curve


def test_pages_are_drawn_while_frames_are_written(
    model_roll: Path, converted: Path, tmp_path, run: Run, monkeypatch
):
    drawn, told = threading.Event(), []

    def draw(*words):
        yield from page_parts(*words)
        drawn.set()

    def tell(record):
        told.append(record)
        return to_json(record)

    def late(task):
        assert drawn.wait(60.0)
        return develop(task)

    monkeypatch.setattr("pipeline.roll.pages.page_parts", draw)
    monkeypatch.setattr("pipeline.roll.pages.to_json", tell)
    monkeypatch.setattr("pipeline.roll.convert.develop", late)
    assert run("convert", model_roll, "-o", tmp_path / "out").code == 0
    assert contents(tmp_path / "out") == contents(converted)
    assert len(told) == 1


@pytest.mark.parametrize(("few", "first"), [(6, "page"), (5, "frame")])
def test_of_many_frames_the_first_comes_before_the_page(
    few, first, model_roll: Path, converted: Path, tmp_path, run: Run, monkeypatch
):
    order: list[str] = []
    began = threading.Event()

    def draw(*words):
        order.append("page")
        began.set()
        return drawn_pages(*words)

    def frame(task):
        began.wait(1.0 if first == "frame" else 60.0)
        done = develop(task)
        order.append("frame")
        return done

    monkeypatch.setattr("pipeline.roll.convert._FEW_FRAMES", few)
    monkeypatch.setattr("pipeline.roll.pages.drawn_pages", draw)
    monkeypatch.setattr("pipeline.roll.convert.develop", frame)
    assert run("convert", model_roll, "-o", tmp_path / "out", "--workers", 1).code == 0
    assert order[0] == first
    assert order.count("page") == 1
    assert contents(tmp_path / "out") == contents(converted)


def test_pages_tell_of_a_frame_that_failed_after_they_were_drawn(
    model_roll: Path, tmp_path, run: Run, monkeypatch
):
    def fail(task):
        if task.files.sidecar == "harbour_12.xmp":
            raise RuntimeError("the disk burns")
        return develop(task)

    monkeypatch.setattr("pipeline.roll.convert.develop", fail)
    assert run("convert", model_roll, "-o", tmp_path / "out").code == 1
    record = json.loads((tmp_path / "out" / "roll.json").read_text("utf-8"))
    frames = {f["number"]: f for strip in record["strips"] for f in strip["frames"]}
    assert not any(frames["12"]["files"].values())
    assert all(frames["13"]["files"].values())
    assert "the disk burns" in (tmp_path / "out" / "index.html").read_text("utf-8")
