"""Pictures turned and mirrored, from the command to every file, held against numpy's turns.

Pixels are those of the picture without a turn, to within one code of 16 or 8 bits: sums of taps
are rounded in another order.
"""

import io
import json
import re
import shutil
from base64 import b64decode
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.command.cli import main
from tests.conftest import Run, contents, states
from tests.render.test_mended import scan_file

WORDS = ("--share", "png", "--workers", "1")
TURNS = [(90, False), (180, False), (270, False), (0, True), (90, True)]


def turned(picture: np.ndarray, turn_deg: int, mirror: bool = False) -> np.ndarray:
    return np.rot90(picture[:, ::-1] if mirror else picture, -turn_deg // 90)


def pixels(path: Path) -> np.ndarray:
    if path.suffix == ".tif":
        return tifffile.imread(path)
    with Image.open(path) as picture:
        assert picture.getexif().get(274, 1) == 1
        return np.asarray(picture)


def off(shown: np.ndarray, told: np.ndarray) -> float:
    assert shown.shape == told.shape
    return float(np.abs(shown.astype(float) - told.astype(float)).max())


def words_of(turn_deg: int, mirror: bool) -> list[str]:
    return ["--turn", str(turn_deg), *(["--mirror"] if mirror else [])]


def frames_in(out: Path) -> dict[str, dict]:
    record = json.loads((out / "roll.json").read_text("utf-8"))
    return {frame["number"]: frame for strip in record["strips"] for frame in strip["frames"]}


@pytest.fixture(scope="module")
def plain(model_roll: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plain") / "out"
    with pytest.raises(SystemExit) as left:
        main(["convert", str(model_roll), "-o", str(out), *WORDS])
    assert left.value.code == 0
    return out


@pytest.mark.parametrize(("turn_deg", "mirror"), TURNS)
def test_all_pictures_of_a_run_are_turned(turn_deg, mirror, plain, model_roll, tmp_path, run: Run):
    out = tmp_path / "out"
    ran = run("convert", model_roll, "-o", out, *WORDS, *words_of(turn_deg, mirror))
    assert ran.code == 0
    for name in (path.name for path in plain.glob("harbour_*") if path.suffix in (".tif", ".png")):
        told = turned(pixels(plain / name), turn_deg, mirror)
        assert off(pixels(out / name), told) <= 1
    # Corners stay where they lie on the scan, in the order of the picture as written.
    for number, frame in frames_in(plain).items():
        corners = np.array(frame["outline"])
        order = turned(np.array([[0, 1], [3, 2]]), turn_deg, mirror)
        told = corners[[order[0, 0], order[0, 1], order[1, 1], order[1, 0]]]
        assert np.array(frames_in(out)[number]["outline"]) == pytest.approx(told)


@pytest.mark.parametrize("look", ["log", "linear"])
def test_other_looks_are_turned_alike(look, model_roll, tmp_path, run: Run):
    outs = tmp_path / "plain", tmp_path / "turned"
    for out, words in zip(outs, ([], ["--turn", "90"]), strict=True):
        assert run("convert", model_roll, "-o", out, *WORDS, "--look", look, *words).code == 0
    told, shown = (pixels(out / "harbour_12.tif") for out in outs)
    # A float has no codes: to what float32 holds of a sum of taps.
    assert off(shown, turned(told, 90)) <= (1 if look == "log" else 2e-5 * told.max())


def test_negatives_are_turned_alike(model_roll, tmp_path, run: Run):
    outs = tmp_path / "plain", tmp_path / "turned"
    for out, words in zip(outs, ([], ["--turn", "270", "--mirror"]), strict=True):
        assert run("split", model_roll, "-o", out, *words).code == 0
    for path in outs[0].glob("harbour_*.tif"):
        assert off(pixels(outs[1] / path.name), turned(pixels(path), 270, True)) <= 1


def test_mended_dust_and_its_mask_are_turned_alike(tmp_path, run: Run):
    folder = tmp_path / "roll"
    scan_file(folder, "strip", 90)
    outs = tmp_path / "plain", tmp_path / "turned"
    for out, words in zip(outs, ([], ["--turn", "90"]), strict=True):
        assert run("convert", folder, "-o", out, *WORDS, "--save-dust-mask", *words).code == 0
    masks, shown = ([pixels(out / "roll_01.dust.png") for out in outs] for _ in range(2))
    assert masks[0].any()
    # A pixel that hardly anything of comes from a mended place may fall on either side.
    unlike = shown[1] != turned(masks[0], 90)
    assert unlike.mean() < 1e-4
    archives = [pixels(out / "roll_01.tif") for out in outs]
    away = ~unlike.any(axis=2)
    assert off(archives[1][away], turned(archives[0], 90)[away]) <= 1


def sheet_and_page(out: Path) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return the contact sheet, and the small pictures of the page in their order."""
    text = (out / "index.html").read_text("utf-8")
    small = [
        np.asarray(Image.open(io.BytesIO(b64decode(data))).convert("RGB"), float)
        for data in re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", text)
    ]
    return pixels(out / "contact-sheet.jpg"), dict(enumerate(small))


def test_sheet_and_page_show_pictures_as_they_are_written(plain, model_roll, tmp_path, run: Run):
    out = tmp_path / "out"
    assert run("convert", model_roll, "-o", out, *WORDS, "--turn", "90").code == 0
    (sheet, small), (paper, before) = sheet_and_page(out), sheet_and_page(plain)
    assert len(small) == len(before) > 12
    for place, picture in before.items():
        told = turned(picture, 90)
        assert small[place].shape == told.shape
        # Packed anew as JPEG.
        assert np.abs(small[place] - told).mean() < 6
    # Upright pictures take less of a row.
    assert sheet.shape != paper.shape


def test_a_frame_goes_before_its_roll(plain, scans: Path, tmp_path, run: Run):
    out = tmp_path / "out"
    (scans / "roll.toml").write_text(
        "turn = 270\nmirror = true\n"
        "[[frames]]\nnumber = 12\nturn = 90\n"
        "[[frames]]\nnumber = 13\nmirror = false\n"
        "[[frames]]\nnumber = 14\nturn = 0\nmirror = false\n",
        encoding="utf-8",
    )
    assert run("convert", scans, "-o", out, *WORDS).code == 0
    ways = {"11": (270, True), "12": (90, True), "13": (270, False), "14": (0, False)}
    for number, way in ways.items():
        name = f"harbour_{number}.tif"
        assert off(pixels(out / name), turned(pixels(plain / name), *way)) <= 1
        packet = (out / f"harbour_{number}.xmp").read_text("utf-8")
        degrees, mirrored = (
            re.search(f"<evenroll:{name}>([^<]+)", packet) for name in ("TurnedDegrees", "Mirrored")
        )
        assert (int(degrees[1]) if degrees else 0, bool(mirrored)) == way


def test_a_rerun_turns_exactly_the_frames_concerned(scans: Path, tmp_path, run: Run):
    out = tmp_path / "out"

    def written_anew(text: str, *words: str) -> set[str]:
        before = states(out) if out.exists() else {}
        (scans / "roll.toml").write_text(text, encoding="utf-8")
        assert run("convert", scans, "-o", out, *WORDS, *words).code == 0
        after = states(out)
        new = (name for name in after if before.get(name) != after[name])
        return {name[8:10] for name in new if name.endswith((".tif", ".png", ".xmp"))}

    entry = "[[frames]]\nnumber = 12\nturn = 90\n"
    assert written_anew("") == {"11", "12", "13", "14", "15", "17"}
    first = contents(out)
    assert written_anew(entry) == {"12"}
    assert written_anew(entry, "--turn", "180") == {"11", "13", "14", "15", "17"}
    assert written_anew(entry, "--turn", "180") == set()
    assert written_anew("") == {"11", "12", "13", "14", "15", "17"}
    assert contents(out) == first


def test_a_mirror_over_a_mirrored_picture_is_none(plain, scans: Path, tmp_path, run: Run):
    # The strip's edge tells that it lies mirrored, and it is written right already.
    with tifffile.TiffFile(scans / "strip-1.tif") as tiff:
        page = tiff.pages[0]
        codes = page.asarray()
        tags = {"resolution": page.resolution, "resolutionunit": "INCH"}
    tifffile.imwrite(scans / "strip-1.tif", codes[:, ::-1], photometric="rgb", **tags)
    out = tmp_path / "out"
    assert run("convert", scans, "-o", out, *WORDS, "--mirror").code == 0
    told, shown = (pixels(at / "harbour_12.png").astype(float) for at in (plain, out))
    told = told[:, ::-1]
    rows, columns = np.minimum(told.shape[:2], shown.shape[:2])
    alike = np.corrcoef(told[:rows, :columns].ravel(), shown[:rows, :columns].ravel())[0, 1]
    assert alike > 0.95


@pytest.mark.parametrize(
    ("text", "words", "told"),
    [
        ("", ["--turn", "45"], "--turn: 45 is no quarter turn; give 0, 90, 180 or 270, clockwise."),
        ("turn = 45\n", [], "roll.toml: 'turn': 45 is no quarter turn; give 0, 90, 180 or 270"),
        ("[[frames]]\nnumber = 12\nturn = 45\n", [], "entry 1 of [[frames]]: 'turn': 45 is no"),
        ("[[frames]]\nnumber = 12\nmirror = 1\n", [], "'mirror' is 1; write true or false"),
    ],
)
def test_another_angle_is_one_clear_error(text, words, told, scans: Path, tmp_path, run: Run):
    (scans / "roll.toml").write_text(text, encoding="utf-8")
    ran = run("convert", scans, "-o", tmp_path / "out", *words)
    assert ran.code == 2
    assert told in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    shutil.rmtree(tmp_path / "out", ignore_errors=True)
