"""The film model's camera gates: turned, of odd sizes, with round corners, cut by film or crop."""

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.transform import EuclideanTransform

from tests.film_model import (
    Camera,
    FrameSpec,
    Holder,
    ModelScan,
    Roll,
    StripSpec,
    crop_scan,
    load_scanner,
    make_scan,
)
from tests.film_model.geometry import span_inside, turned_rectangle
from tests.film_model.reading import light, patch_densities, strip_of
from tests.sources import SOURCES

Floats = NDArray[np.float64]
PPI = 200.0
PX_PER_MM = PPI / 25.4
TURNED = Camera(gate_turn_deg=0.7, gate_size_error_mm=(0.6, -0.3))
TURNED_BACK = Camera(gate_turn_deg=-0.5, gate_shift_mm=0.4, gate_corner_mm=1.5)


def scan_of(
    camera: Camera,
    scene: str = "grey",
    count: int = 2,
    format: str = "135",
    strip: dict[str, Any] | None = None,
    **options: Any,
) -> ModelScan:
    frames = (FrameSpec(scene),) * count
    roll = Roll("film-a", frames, format=format, camera=camera, edge_print=False)
    spec = StripSpec(roll, count=count, **(strip or {}))
    return make_scan([spec], **{"ppi": PPI, "noise": False, **options})


def to_strip(strip: dict[str, Any], points: object) -> Floats:
    """Map scan points to the strip's millimetres, from the corners of its outline alone."""
    length, width = strip["length_mm"], strip["film_width_mm"]
    seen = np.array(strip["outline"], np.float32)[[0, 1, 3]]
    matrix = cv2.getAffineTransform(seen, np.float32([[0, 0], [length, 0], [0, width]]))
    return np.asarray(points, float) @ matrix[:, :2].T + matrix[:, 2]


@pytest.mark.parametrize("camera", [TURNED, TURNED_BACK])
@pytest.mark.parametrize(
    ("strip", "turn"),
    [({"angle_deg": 0.8}, 0), ({"reversed": True}, 90), ({"mirrored": True, "angle_deg": -1}, 270)],
)
def test_outline_is_the_gate_s_rectangle_turned_about_its_centre(
    camera: Camera, strip: dict[str, Any], turn: int
) -> None:
    """Source: scikit-image's EuclideanTransform; positive is clockwise with y downwards."""
    told = strip_of(scan_of(camera, strip=strip, turn_deg=turn, ppi=100.0))
    for frame in told["frames"]:
        (u0, u1), (v0, v1) = frame["u_mm"], frame["v_mm"]
        corners = np.array([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])
        turned = EuclideanTransform(rotation=np.deg2rad(camera.gate_turn_deg))
        centre = corners.mean(axis=0)
        expected = turned(corners - centre) + centre
        np.testing.assert_allclose(to_strip(told, frame["outline"]), expected, atol=0.003)
        assert frame["turn_deg"] == camera.gate_turn_deg


@pytest.mark.parametrize("camera", [TURNED, TURNED_BACK])
@pytest.mark.parametrize(
    ("strip", "turn"), [({"angle_deg": 0.8}, 0), ({"mirrored": True}, 90), ({"reversed": True}, 0)]
)
def test_film_is_exposed_inside_the_outline_and_nowhere_else(
    camera: Camera, strip: dict[str, Any], turn: int
) -> None:
    """Source: OpenCV's pointPolygonTest says which pixels lie within an outline."""
    scan = scan_of(camera, strip=strip, turn_deg=turn)
    told, seen = strip_of(scan), light(scan)[..., 1]
    grey_light, base_light = (
        10.0 ** -(np.array(told["base_density"]) + above)[1]
        for above in (np.array(told["grey_above_base"]), np.zeros(3))
    )
    between = float(np.sqrt(grey_light * base_light))
    for frame in told["frames"]:
        outline = np.array(frame["outline"], np.float32)
        x0, y0 = (outline.min(axis=0) - 6).astype(int)
        x1, y1 = (outline.max(axis=0) + 7).astype(int)
        for y in range(y0, y1):
            for x in range(x0, x1):
                off = cv2.pointPolygonTest(outline, (x, y), True) / PX_PER_MM
                near_corner = np.hypot(*(outline - (x, y)).T).min() < 2.2 * PX_PER_MM
                if near_corner or abs(off) < 0.15 or off < -0.6:
                    continue
                assert (seen[y, x] < between) == (off > 0), (x, y, off)


@pytest.mark.parametrize(("format", "error"), [("135", (0.8, 0.6)), ("120-6x7", (-1.2, -0.9))])
def test_size_of_the_gate_adds_to_the_format_s(format: str, error: tuple[float, float]) -> None:
    nominal = {"135": SOURCES["film-135"]["image"], "120-6x7": SOURCES["film-120"]["6x7"]}[format]
    plain, odd = (
        strip_of(scan_of(Camera(gate_size_error_mm=e), format=format, ppi=60.0))["frames"]
        for e in ((0.0, 0.0), error)
    )
    for frame in odd:
        corners = np.array(frame["outline"]) / (60.0 / 25.4)
        sides = np.linalg.norm(corners[[1, 3]] - corners[0], axis=1)
        np.testing.assert_allclose(sides, np.add(nominal, error), atol=0.01)
    # The camera's pitch and the gate's middle stay where they are.
    for ours, usual in zip(odd, plain, strict=True):
        for key in ("u_mm", "v_mm"):
            assert np.mean(ours[key]) == pytest.approx(np.mean(usual[key]), abs=1e-3)


@pytest.mark.parametrize(("format", "radius"), [("135", 1.5), ("120-6x6", 4.0)])
def test_round_corners_take_off_what_four_quarter_circles_leave(format: str, radius: float) -> None:
    """A square less its inscribed circle of radius r is (4 - pi) r squared (plain geometry)."""
    areas = []
    for corner in (0.0, radius):
        scan = scan_of(Camera(gate_corner_mm=corner), format=format, count=1)
        told = strip_of(scan)
        assert told["frames"][0]["corner_mm"] == corner
        outline = np.array(told["frames"][0]["outline"])
        x0, y0 = np.rint(outline.min(axis=0)).astype(int) - 4
        x1, y1 = np.rint(outline.max(axis=0)).astype(int) + 5
        density = -np.log10(light(scan)[y0:y1, x0:x1, 1])
        share = (density - density.min()) / (density[density.shape[0] // 2].max() - density.min())
        areas.append(float(np.clip(share, 0, 1).sum()) / PX_PER_MM**2)
    assert areas[0] - areas[1] == pytest.approx((4 - np.pi) * radius**2, rel=0.05)


def test_patches_turn_with_the_gate() -> None:
    level, turned = (scan_of(c, "chart", count=1, ppi=250.0) for c in (Camera(), TURNED))
    np.testing.assert_allclose(patch_densities(turned), patch_densities(level), atol=0.03)


def test_cut_of_the_film_ends_both_long_sides_of_a_turned_gate() -> None:
    """The cut is the line u = 0 of the strip, whatever the gate's turn."""
    told = strip_of(scan_of(TURNED, strip={"trim_mm": (14.0, 9.0), "angle_deg": 0.5}))
    first, last = (to_strip(told, f["outline"]) for f in told["frames"])
    np.testing.assert_allclose(first[[0, 3], 0], 0.0, atol=0.003)
    np.testing.assert_allclose(last[[1, 2], 0], told["length_mm"], atol=0.003)
    assert [f["kind"] for f in told["frames"]] == ["partial", "partial"]
    slope = np.diff(first[[0, 1]], axis=0)[0]
    assert np.rad2deg(np.arctan2(slope[1], slope[0])) == pytest.approx(0.7, abs=0.01)


@given(st.floats(-180, 180), st.floats(1, 90), st.floats(1, 60))
def test_turned_rectangle_keeps_centre_and_sides(angle: float, along: float, deep: float) -> None:
    matrix = turned_rectangle((20.0, 30.0), (along, deep), angle)
    corners = np.array([(0, 0), (along, 0), (along, deep), (0, deep)]) @ matrix[:, :2].T
    corners += matrix[:, 2]
    np.testing.assert_allclose(corners.mean(axis=0), (20.0, 30.0), atol=1e-9)
    sides = np.linalg.norm(corners[[1, 3]] - corners[0], axis=1)
    np.testing.assert_allclose(sides, (along, deep))


@given(*[st.tuples(*[st.integers(-400, 1200).map(lambda eighths: eighths / 8)] * 2)] * 2)
def test_span_inside_holds_the_points_inside(
    start: tuple[float, float], end: tuple[float, float]
) -> None:
    """Against 401 points along the line, each asked whether it lies in the rectangle.

    The rectangle's sides lie off the eighths that lines start on, so that none runs along a side.
    """
    first, last = np.array(start), np.array(end)
    low, high = np.array([0.03, 10.03]), np.array([100.03, 60.03])
    span = span_inside(first, last, low, high)
    shares = np.linspace(0, 1, 401)
    points = first + shares[:, None] * (last - first)
    inside = ((points >= low) & (points <= high)).all(axis=1)
    if span is None:
        assert inside.sum() <= 1
    else:
        told = (shares >= span[0]) & (shares <= span[1])
        at_side = np.abs(shares[:, None] - span).min(axis=1) < 1e-6
        assert (told == inside)[~at_side].all()


@pytest.mark.parametrize(
    ("margin", "shift", "opaque", "seen"),
    [
        (1.0, 0.0, True, (True, True)),
        (-1.5, 0.0, True, (False, False)),
        (-1.0, 2.0, True, (True, False)),
        (-1.0, -2.0, True, (False, True)),
        (-1.0, 0.0, False, (True, True)),
    ],
)
def test_truth_says_which_edges_of_the_film_are_in_view(
    margin: float, shift: float, opaque: bool, seen: tuple[bool, bool]
) -> None:
    """Light beside the film is the holder's margin, more by the shift on one side."""
    holder = Holder(opaque=opaque, window_margin_mm=margin)
    told = strip_of(scan_of(Camera(), holder=holder, strip={"shift_mm": (0.0, shift)}, ppi=60.0))
    edges = told["edges_in_view_mm"]
    assert (edges["top"] is not None, edges["bottom"] is not None) == seen
    for span in edges.values():
        assert span is None or span == pytest.approx([0.0, told["length_mm"]], abs=0.01)


def test_an_edge_that_leaves_its_window_is_in_view_up_to_there() -> None:
    """Film 1 mm from the plate, turned by 1 degree, leaves after 1 mm / sin(1 degree) = 57 mm."""
    scan = scan_of(
        Camera(), count=4, holder=Holder(window_margin_mm=1.0), strip={"angle_deg": 1.0}, ppi=60.0
    )
    told = strip_of(scan)
    half, reach = told["length_mm"] / 2, 1.0 / np.sin(np.deg2rad(1.0))
    # The film's own tilt moves its edges by half its width times 1 - cos(1 degree): 3 um.
    top, bottom = (told["edges_in_view_mm"][key] for key in ("top", "bottom"))
    along = told["film_width_mm"] / 2 * np.tan(np.deg2rad(1.0))
    assert top == pytest.approx([half - reach - along, told["length_mm"]], abs=0.5)
    assert bottom == pytest.approx([0.0, half + reach + along], abs=0.5)


@pytest.mark.parametrize("strip", [{}, {"reversed": True}, {"mirrored": True}])
def test_crop_moves_the_truth_with_the_picture(strip: dict[str, Any]) -> None:
    """Holes are open gate, wherever they come to lie."""
    whole = scan_of(TURNED, "chart", strip=strip | {"angle_deg": 0.4}, infrared=True)
    part = crop_scan(whole, 60, 50, 13, 21)
    rows, columns = whole.codes.shape[:2]
    np.testing.assert_array_equal(part.codes, whole.codes[50 : rows - 21, 60 : columns - 13])
    assert part.truth["size_px"] == [columns - 73, rows - 71]
    assert whole.truth["size_px"] == [columns, rows]
    assert part.infrared is not None
    assert part.infrared.shape == part.codes.shape[:2]
    seen = light(part)[..., 1]
    holes = [
        seen[round(y), round(x)]
        for x, y in strip_of(part)["perforations"]
        if 2 < x < columns - 75 and 2 < y < rows - 73
    ]
    assert len(holes) > 20
    assert min(holes) > 0.9
    moved = np.subtract(strip_of(whole)["outline"], strip_of(part)["outline"])
    np.testing.assert_allclose(moved, [[60, 50]] * 4, atol=0.002)
    for before, after in zip(strip_of(whole)["frames"], strip_of(part)["frames"], strict=True):
        told = np.subtract(before["patches"][7]["centre"], after["patches"][7]["centre"])
        np.testing.assert_allclose(told, [60, 50], atol=0.002)


def test_crop_ends_frames_where_the_scan_ends() -> None:
    whole = scan_of(Camera(), "chart", count=3)
    x1 = np.array(strip_of(whole)["frames"][1]["outline"])[:, 0].mean()
    width = whole.codes.shape[1]
    part = crop_scan(whole, 0, 0, width - round(x1) - 1, 0)
    frames = strip_of(part)["frames"]
    assert [f["kind"] for f in frames] == ["picture", "partial"]
    assert "patches" in frames[0]
    assert "patches" not in frames[1]
    right = np.array(frames[1]["outline"])[[1, 2], 0]
    np.testing.assert_allclose(right, round(x1) + 0.5, atol=0.01)
    told = strip_of(part)
    for span in told["edges_in_view_mm"].values():
        assert span == pytest.approx([0.0, frames[1]["u_mm"][1]], abs=0.01)


def test_crop_leaves_the_scanner_alone() -> None:
    whole = scan_of(Camera(), scanner="scanner-d", ppi=60.0)
    assert crop_scan(whole, 1, 1, 1, 1).scanner is load_scanner("scanner-d")
