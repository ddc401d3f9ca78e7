"""What is written of frames by default, and what sheet, page and record say of it."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.render.cut import picture_size
from pipeline.roll.written import as_written
from pipeline.turn import AS_FOUND, TURNS_DEG, Turn
from tests.conftest import Run

BOX = ((10.0, 20.0), (46.0, 20.0), (46.0, 44.0), (10.0, 44.0))


@pytest.fixture
def whole(model_roll: Path, tmp_path: Path, run: Run) -> Path:
    """Return the output of a run that leaves all of the gate."""
    out = tmp_path / "whole"
    assert run("convert", model_roll, "-o", out, "--inset", "0", "--workers", "1").code == 0
    return out


def frames_in(out: Path) -> list[dict]:
    record = json.loads((out / "roll.json").read_text("utf-8"))
    return [frame for strip in record["strips"] for frame in strip["frames"]]


def departure(picture: np.ndarray) -> float:
    """Return how much darker the worst outer line is than the fourth, as a share of full scale.

    Lines are seen in quarters of their length, by medians. A rim's shadow is dark in all channels;
    what is darker in some of them is part of the picture.
    """
    worst = 0.0
    for quarters in range(4):
        lines = np.rot90(picture, quarters)[:4].astype(float) / 65535
        for part in np.array_split(lines[:, 5:-5], 4, axis=1):
            worst = max(worst, float(np.median(part[3] - part[0], axis=0).min()))
    return worst


def test_lines_of_the_rim_go_and_the_outline_stays(converted: Path, whole: Path):
    lines = {}
    for out in (whole, converted):
        pictures = [frame for frame in frames_in(out) if frame["files"]["archive"]]
        lines[out] = [departure(tifffile.imread(out / f["files"]["archive"])) for f in pictures]
    # A sixth of full scale is a line that anybody sees.
    assert sum(line > 1 / 6 for line in lines[whole]) >= 2
    assert max(lines[converted]) < 1 / 6
    for told, kept in zip(frames_in(converted), frames_in(whole), strict=True):
        assert told["outline"] == kept["outline"]
        if told["files"]["archive"] is None:
            continue
        rows, columns = tifffile.imread(converted / told["files"]["archive"]).shape[:2]
        most = 2 * 0.4 * 160 / 25.4 + 1
        assert all(
            0 <= gate - left <= most
            for gate, left in zip(picture_size(told["outline"]), (rows, columns), strict=True)
        )
        assert tifffile.imread(whole / kept["files"]["archive"]).shape[:2] == picture_size(
            kept["outline"]
        )


@pytest.mark.parametrize("turn", [Turn(deg, mirror) for deg in TURNS_DEG for mirror in (0, 1)])
def test_a_small_picture_is_cut_by_shares_and_turned(turn):
    small = np.arange(72 * 48 * 3).reshape(48, 72, 3)
    # Two pixels a scan pixel: 1 off the left, 2 off the top, 3 off the right, 0 off the bottom.
    cut = ((11.0, 22.0), (43.0, 22.0), (43.0, 44.0), (11.0, 44.0))
    shown = as_written(small, BOX, cut, turn)
    assert (shown == turn.picture(small[4:48, 2:66])).all()


def test_a_border_shows_no_more_of_a_small_picture_than_there_is():
    small = np.zeros((48, 72, 3))
    wide = ((0.0, 10.0), (56.0, 10.0), (56.0, 54.0), (0.0, 54.0))
    assert as_written(small, BOX, wide, AS_FOUND).shape == (48, 72, 3)
