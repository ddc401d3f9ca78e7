"""What is written of a frame: less than its picture, or rebate around it.

References: numpy's own cutting of an upright picture; the way of a point of film through the
frame's base.
"""

import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from pipeline.frame.area import written_area
from pipeline.render.cut import picture_size
from pipeline.settings.settings import Settings, with_changes
from pipeline.strip.base import FrameBase
from tests.survey.surveyed import ABSOLUTE

SHADED = ((-0.3, 0.02, -0.05, 0.01), (-0.7, -0.03, -0.04, 0.02), (-1.0, 0.01, -0.06, -0.02))
BASE = FrameBase(SHADED, -0.4, 0.2, -0.7, 0.7, ABSOLUTE)
# 10 pixels a millimetre.
PPI = 254.0
WIDTH, HEIGHT = 500, 400
SCAN = SimpleNamespace(width=WIDTH, height=HEIGHT)


def outline(angle_deg: float, middle, columns: float, rows: float, flip: bool = False):
    angle = math.radians(angle_deg)
    right = np.array([math.cos(angle), math.sin(angle)]) * columns / 2
    down = np.array([-math.sin(angle), math.cos(angle)]) * rows / 2
    right = -right if flip else right
    corners = (-right - down, right - down, right + down, down - right)
    return tuple((float(x), float(y)) for x, y in (np.array(middle) + c for c in corners))


def written(corners, base: FrameBase = BASE, **changes: float):
    settings = with_changes(Settings(), changes)
    return written_area(
        corners,
        base,
        inset_mm=(settings.inset_mm or 0.0,) * 4,
        border_mm=settings.border_mm,
        ppi=PPI,
        width=SCAN.width,
        height=SCAN.height,
    )


def sides(before, after) -> np.ndarray:
    """Return how far left, top, right and bottom lie outwards of where they were (pixels)."""
    old, new = np.array(before), np.array(after)
    right, down = old[1] - old[0], old[3] - old[0]
    right, down = right / np.hypot(*right), down / np.hypot(*down)
    low, high = new[0] - old[0], new[2] - old[2]
    return np.array([-low @ right, -low @ down, high @ right, high @ down])


def test_frame_is_written_as_it_is_unless_asked():
    corners = outline(1.0, (250, 200), 360, 240)
    assert written(corners) == (corners, BASE)


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("angle_deg", [0.0, 0.7, -3.0, 90.0, 181.0, 45.0])
@pytest.mark.parametrize(("name", "outwards"), [("inset_mm", -10.0), ("border_mm", 10.0)])
def test_all_sides_move_by_as_much_along_the_frame(name, outwards, angle_deg, flip):
    corners = outline(angle_deg, (250, 200), 200, 120, flip)
    area, _ = written(corners, **{name: 1.0})
    assert sides(corners, area) == pytest.approx([outwards] * 4, abs=1e-9)
    assert picture_size(area) == (120 + 2 * outwards, 200 + 2 * outwards)


def test_at_least_half_of_a_narrow_picture_is_left():
    corners = outline(0.5, (250, 200), 60, 240)
    area, _ = written(corners, inset_mm=5.0)
    assert sides(corners, area) == pytest.approx([-15, -50, -15, -50], abs=1e-9)


def test_border_ends_where_the_scan_does():
    corners = ((29.5, 99.5), (389.5, 99.5), (389.5, 339.5), (29.5, 339.5))
    area, _ = written(corners, border_mm=10.0)
    assert area == ((-0.5, -0.5), (489.5, -0.5), (489.5, 399.5), (-0.5, 399.5))


def test_side_beyond_the_scan_stays_where_it_is():
    corners = ((-10.5, 99.5), (349.5, 99.5), (349.5, 339.5), (-10.5, 339.5))
    area, _ = written(corners, border_mm=3.0)
    assert area == ((-10.5, 69.5), (379.5, 69.5), (379.5, 369.5), (-10.5, 369.5))


middles = st.tuples(st.floats(0, WIDTH), st.floats(0, HEIGHT))
sizes = st.tuples(st.floats(20, 400), st.floats(20, 300))


@given(
    st.floats(-15, 15), st.sampled_from([0, 90, 180, 270]), middles, sizes, st.booleans(),
    st.floats(0.1, 10.0),
)  # fmt: skip
def test_border_shows_nothing_that_was_not_scanned(
    tilt_deg, quarter, middle, size, flip, border_mm
):
    corners = outline(tilt_deg + quarter, middle, *size, flip=flip)
    area, _ = written(corners, border_mm=border_mm)
    moved, after = sides(corners, area), np.array(area)
    assert moved.min() >= -1e-9
    assert moved.max() <= border_mm * 10 + 1e-9
    # Rectangular as before.
    assert after[1] - after[0] == pytest.approx(after[2] - after[3], abs=1e-6)
    # Beside a picture that itself ends at the scan's edge, its neighbours' border may lean over.
    lean = border_mm * 10 * math.sin(math.radians(abs(tilt_deg)))
    low, high = np.array([-0.5, -0.5]), np.array([WIDTH - 0.5, HEIGHT - 0.5])
    before = np.array(corners)
    for side, ends in enumerate(((0, 3), (0, 1), (1, 2), (2, 3))):
        axis = int(np.argmin(np.abs(before[ends[1]] - before[ends[0]])))
        if before[list(ends), axis].mean() < before[:, axis].mean():
            over, was_over = (low[axis] - c[list(ends), axis].min() for c in (after, before))
        else:
            over, was_over = (c[list(ends), axis].max() - high[axis] for c in (after, before))
        assert over <= (0.01 if moved[side] > 1e-6 else max(was_over, 0.0) + lean + 1e-6)


@given(
    st.floats(-5, 5), st.booleans(), st.sampled_from(["inset_mm", "border_mm"]),
    st.floats(0.1, 5.0), st.floats(0, 1), st.floats(0, 1),
)  # fmt: skip
def test_film_keeps_its_base_whatever_is_written_around_it(angle_deg, flip, name, mm, u, v):
    corners = outline(angle_deg, (240, 210), 360.4, 239.7, flip)
    area, base = written(corners, **{name: mm})
    point = np.array(corners[0]) + u * np.subtract(corners[1], corners[0])
    point = point + v * np.subtract(corners[3], corners[0])
    assert place(base, area, point) == pytest.approx(place(BASE, corners, point), abs=1e-9)
    assert (base.terms, base.illumination) == (BASE.terms, BASE.illumination)


def test_border_is_written_and_told(run, model_roll, converted, tmp_path):
    out = tmp_path / "out"
    words = ["convert", model_roll, "-o", out, "--border", 2, "--look", "linear", "--share", "png"]
    assert run(*words).code == 0
    plain, record = (json.loads((at / "roll.json").read_text()) for at in (converted, out))
    for strip, told in zip(plain["strips"], record["strips"], strict=True):
        for frame, moved in zip(strip["frames"], told["frames"], strict=True):
            shift = 2 * strip["ppi"] / 25.4
            assert sides(frame["outline"], moved["outline"]) == pytest.approx([shift] * 4, abs=0.05)
            if moved["files"]["archive"] is None:
                continue
            light = tifffile.imread(out / moved["files"]["archive"])
            assert light.shape[:2] == picture_size(moved["outline"])
            assert np.isfinite(light).all()


def test_inset_is_cut_off_negatives(run, model_roll, tmp_path):
    out = tmp_path / "out"
    assert run("split", model_roll, "-o", out, "--inset", 1).code == 0
    record = json.loads((out / "roll.json").read_text())
    frame = record["strips"][0]["frames"][0]
    codes = tifffile.imread(out / frame["files"]["archive"])
    assert codes.shape[:2] == picture_size(frame["outline"])
    # 36 by 24 mm less 1 mm all around, at 160 pixels an inch.
    assert codes.shape[:2] == pytest.approx((22 * 160 / 25.4, 34 * 160 / 25.4), abs=3)


def test_inset_and_border_together_are_wrong_usage(run, model_roll, tmp_path):
    left = run("convert", model_roll, "-o", tmp_path / "out", "--border", 2, "--inset", 1)
    assert left.code == 2
    assert left.err.strip() == (
        "inset and border exclude each other; give one of them, or 0 for the other."
    )


def place(base: FrameBase, corners, point: np.ndarray) -> tuple[float, float]:
    """Return a scan point's x and y in the strip, by where it lies between a picture's sides."""
    first, second, _, last = np.array(corners)
    u, v = np.linalg.solve(np.column_stack([second - first, last - first]), point - first)
    return (
        base.left + u * (base.right - base.left),
        base.top + v * (base.bottom - base.top),
    )
