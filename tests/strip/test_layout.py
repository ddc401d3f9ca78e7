"""Strips' outline, angle, scale and kind of film against the film model's truth."""

from dataclasses import replace
from itertools import pairwise
from math import atan2, degrees

import cv2
import numpy as np
import pytest

from pipeline.strip.illumination import Levels, find_levels
from pipeline.strip.layout import Strip, base_mask, find_strips
from tests.film_model import FrameSpec, Holder, ModelScan, Roll, StripSpec, make_scan

PPI = 150
PX_PER_MM = PPI / 25.4
ROLL = Roll("film-a", [FrameSpec("chart"), FrameSpec("coffee"), FrameSpec("table")], seed=1)
OTHER = Roll("film-b", [FrameSpec("coffee"), FrameSpec("quay")], seed=2)


def scanned(*strips: StripSpec, **how) -> ModelScan:
    return make_scan(strips, "scanner-a", how.pop("ppi", PPI), 1, **how)


def looked(scan: ModelScan) -> tuple[np.ndarray, Levels]:
    light = (scan.codes / 65535).astype(np.float32)
    levels = find_levels(light, (scan.codes == 65535).any(axis=2))
    assert levels is not None
    return levels.evened(light), levels


def strips_of(scan: ModelScan, px_per_mm: float | None = PX_PER_MM) -> tuple[Strip, ...]:
    return find_strips(*looked(scan), px_per_mm)


def corner_error(strip: Strip, truth: dict) -> float:
    """Return the largest distance of a corner from the nearest true one, pixels."""
    corners, true = np.array(strip.outline), np.array(truth["outline"])
    return float(np.linalg.norm(corners[:, None] - true, axis=2).min(axis=1).max())


def in_view(strip: Strip, light: np.ndarray, points: list) -> np.ndarray:
    """Return points of the scan in the pixels of the strip's view."""
    return strip.view(light).to_proxy.back(np.array(points))


def edge_errors_mm(strip: Strip, light: np.ndarray, truth: dict, ppi: float = PPI) -> np.ndarray:
    """Return how far the film's edges are off at either end of the view, at most, [top, bottom]."""
    corners = in_view(strip, light, truth["outline"])
    corners = corners[np.argsort(corners[:, 1])]
    right = strip.view(light).light.shape[1] - 1
    off = []
    for pair, row in zip((corners[:2], corners[2:]), strip.film_rows, strict=True):
        slope, level = np.polyfit(pair[:, 0], pair[:, 1], 1)
        off.append(max(abs(level + slope * x - row) for x in (0, right)))
    return np.array(off) / (ppi / 25.4)


def angle_error_deg(strip: Strip, light: np.ndarray, truth: dict) -> float:
    start, end = in_view(strip, light, truth["outline"])[:2]
    along = end - start if end[0] > start[0] else start - end
    return abs(degrees(atan2(along[1], along[0])))


@pytest.fixture(scope="module")
def lying() -> ModelScan:
    return scanned(StripSpec(ROLL, 0, 3, angle_deg=0.6))


@pytest.mark.parametrize(("turn_deg", "angle_deg"), [(0, 0.6), (90, 0.6), (0, -1.2), (270, -1.2)])
def test_outline_and_angle(turn_deg, angle_deg):
    scan = scanned(StripSpec(ROLL, 0, 2, angle_deg=angle_deg), turn_deg=turn_deg)
    (strip,) = strips_of(scan)
    assert corner_error(strip, scan.truth["strips"][0]) < 1.5
    # 0.03 degrees is 0.02 mm across a 36 mm frame.
    assert strip.angle_deg == pytest.approx(angle_deg, abs=0.03)
    assert strip.whole_width
    assert strip.perforated
    assert (strip.film.name, strip.scale_from, strip.px_per_mm) == ("135", "tag", PX_PER_MM)


def test_corners_run_clockwise_from_the_top_left(lying):
    (strip,) = strips_of(lying)
    left_top, right_top, right_bottom, left_bottom = np.array(strip.outline)
    assert np.all(right_top - left_top > (100, -50))
    assert left_top[1] < left_bottom[1]
    assert right_top[1] < right_bottom[1]
    # ISO 1007: 35 mm film is 34.975 mm wide (from memory).
    width_mm = np.linalg.norm(left_bottom - left_top) / PX_PER_MM
    assert width_mm == pytest.approx(34.975, abs=0.3)


@pytest.mark.parametrize("turn_deg", [0, 90])
def test_several_strips_in_a_holder_come_in_order(turn_deg):
    specs = StripSpec(ROLL, 0, 2, angle_deg=0.4), StripSpec(OTHER, 0, 2, angle_deg=-0.5)
    scan = scanned(*specs, turn_deg=turn_deg)
    strips = strips_of(scan)
    truths = sorted(
        scan.truth["strips"], key=lambda one: np.mean(one["outline"], axis=0)[int(turn_deg == 0)]
    )
    assert len(strips) == 2
    for strip, truth in zip(strips, truths, strict=True):
        assert corner_error(strip, truth) < 1.5
        assert strip.angle_deg == pytest.approx(truth["angle_deg"], abs=0.03)


def test_a_light_surround_hides_no_edge():
    scan = scanned(StripSpec(ROLL, 0, 2, angle_deg=0.4), holder=Holder(opaque=False))
    (strip,) = strips_of(scan)
    assert corner_error(strip, scan.truth["strips"][0]) < 1.5
    assert strip.whole_width


def test_a_holder_over_the_rebate_leaves_part_of_the_width():
    scan = scanned(StripSpec(ROLL, 0, 2), holder=Holder(window_margin_mm=-2.5))
    (strip,) = strips_of(scan)
    assert not strip.whole_width
    corners = np.array(strip.outline)
    width_mm = np.linalg.norm(corners[3] - corners[0]) / PX_PER_MM
    assert width_mm == pytest.approx(34.975 - 2 * 2.5, abs=0.3)


@pytest.mark.parametrize("ppi", [120, 200])
def test_perforations_give_the_scale_where_no_resolution_is_told(ppi):
    scan = scanned(StripSpec(ROLL, 0, 3, angle_deg=0.4), ppi=ppi)
    (strip,) = strips_of(scan, None)
    assert strip.scale_from == "perforations"
    # ISO 1007: perforation pitch 4.75 mm, so that the scan's true scale must come out.
    assert strip.px_per_mm == pytest.approx(ppi / 25.4, rel=0.006)
    holes = np.array(scan.truth["strips"][0]["perforations"])
    pitch_px = np.linalg.norm(holes[1] - holes[0])
    assert pitch_px / strip.px_per_mm == pytest.approx(4.75, rel=0.006)


def test_120_film_has_no_perforations_and_its_scale_is_a_guess_from_its_width():
    roll = Roll("film-a", [FrameSpec("chart"), FrameSpec("coffee")], format="120-6x6", seed=1)
    scan = scanned(StripSpec(roll, 0, 2), ppi=100)
    for told in (100 / 25.4, None):
        (strip,) = strips_of(scan, told)
        assert strip.film.name == "120"
        assert not strip.perforated
        # ISO 732, from memory: 120 film is about 61.5 mm wide.
        assert strip.px_per_mm == pytest.approx(100 / 25.4, rel=0.015)
        assert strip.scale_from == ("tag" if told else "guess")


def test_a_resolution_that_fits_no_film_is_not_believed(lying):
    (strip,) = strips_of(lying, 3 * PX_PER_MM)
    assert strip.scale_from == "perforations"
    assert strip.px_per_mm == pytest.approx(PX_PER_MM, rel=0.006)


def test_a_resolution_that_the_user_insists_on_is_not_replaced(lying):
    assert find_strips(*looked(lying), 3 * PX_PER_MM, "option") == ()


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_scan_turns_the_outline(lying, turns):
    light, levels = looked(lying)
    (plain,) = find_strips(light, levels, PX_PER_MM)
    (turned,) = find_strips(np.ascontiguousarray(np.rot90(light, turns)), levels, PX_PER_MM)
    corners = np.array(plain.outline)
    height, width = light.shape[:2]
    for _ in range(turns):
        # A quarter turn to the left takes (x, y) to (y, width - 1 - x).
        corners = np.stack([corners[:, 1], width - 1 - corners[:, 0]], axis=1)
        height, width = width, height
    apart = np.linalg.norm(np.array(turned.outline)[:, None] - corners, axis=2)
    assert apart.min(axis=1).max() < 0.7
    assert turned.angle_deg == pytest.approx(plain.angle_deg, abs=0.02)


def test_base_mask_holds_the_rebate_and_neither_gate_nor_holder(lying):
    light, levels = looked(lying)
    mask = base_mask(light, levels)
    truth = lying.truth["strips"][0]
    corner, along, across = np.array(truth["outline"])[[0, 1, 3]]
    # ISO 1007, from memory: holes begin 2.01 mm from the edge, images 5.5 mm; the top edge of
    # the film before the holes bears print, the strip between holes and images none.
    share = 5.1 / 34.975
    line = (
        corner + share * (across - corner) + np.linspace(0.05, 0.95, 80)[:, None] * (along - corner)
    )
    x, y = np.rint(line).astype(int).T
    assert mask[y, x].mean() > 0.9
    assert not mask[:20].any()
    for hole in truth["perforations"]:
        assert not mask[round(hole[1]), round(hole[0])]


def test_no_strip_where_there_is_only_light(lying):
    _, levels = looked(lying)
    gate = np.empty((120, 200, 3), np.float32)
    gate[:] = levels.illumination.gate
    assert find_strips(gate, levels, PX_PER_MM) == ()
    assert find_strips(np.zeros_like(gate), levels, PX_PER_MM) == ()


# Holders: how much of each rebate is covered, how far the strip is pushed across, what is seen.
HELD = {
    "window": (Holder(), 0.0, 0.7, (True, True), 0.01, 0.05),
    "skewed": (Holder(window_margin_mm=4.5), 0.0, 2.9, (True, True), 0.01, 0.05),
    "bare light": (Holder(opaque=False), 0.0, -2.6, (True, True), 0.01, 0.05),
    "edges hidden": (Holder(window_margin_mm=-1.0), 0.0, 0.4, (False, False), 0.02, 0.05),
    "holes cut": (Holder(window_margin_mm=-2.7), 0.0, -0.4, (False, False), 0.02, 0.05),
    "one side": (Holder(window_margin_mm=0.8), 3.6, 0.3, (True, False), 0.02, 0.05),
    "grey": (Holder(transmittance=0.15), 0.0, 0.5, (True, True), 0.01, 0.05),
    "white": (Holder(transmittance=0.7), 0.0, 0.5, (True, True), 0.01, 0.05),
}


@pytest.mark.parametrize(
    ("way", "turn_deg"), [*((way, 0) for way in HELD), ("holes cut", 90), ("one side", 90)]
)
def test_film_edges_are_known_whatever_the_holder_hides(way, turn_deg):
    holder, push_mm, angle_deg, seen, most_deg, most_mm = HELD[way]
    spec = StripSpec(ROLL, 0, 3, angle_deg=angle_deg, shift_mm=(0.0, push_mm))
    scan = scanned(spec, holder=holder, turn_deg=turn_deg)
    light, levels = looked(scan)
    (strip,) = find_strips(light, levels, PX_PER_MM)
    truth = scan.truth["strips"][0]
    # An upright strip is turned to the left, so that the scan's right comes first.
    assert strip.edges_seen == (seen[::-1] if turn_deg else seen)
    assert angle_error_deg(strip, light, truth) < most_deg
    assert edge_errors_mm(strip, light, truth).max() < most_mm
    assert strip.px_per_mm == PX_PER_MM


def test_where_edges_and_holes_are_hidden_pictures_tell_the_angle():
    frames = [FrameSpec(scene) for scene in ("coffee", "quay", "table", "coffee")]
    roll = Roll("film-d", frames, seed=21)
    spec = StripSpec(roll, 0, 4, angle_deg=0.25)
    scan = scanned(spec, holder=Holder(window_margin_mm=-4.8), ppi=220)
    light, levels = looked(scan)
    (strip,) = find_strips(light, levels, 220 / 25.4)
    assert not strip.perforated
    assert strip.edges_seen == (False, False)
    # The holder's own edges would be a quarter of a degree off.
    assert angle_error_deg(strip, light, scan.truth["strips"][0]) < 0.08
    assert edge_errors_mm(strip, light, scan.truth["strips"][0], 220).max() < 0.2


@pytest.mark.parametrize("sides", ["top", "bottom", "both", "ends", "all"])
def test_a_scan_that_cuts_the_film_tells_where_its_edges_would_be(sides, lying):
    light, levels = looked(lying)
    truth = lying.truth["strips"][0]
    low, high = np.min(truth["outline"], axis=0), np.max(truth["outline"], axis=0)
    cut = np.array([0, 0, light.shape[1], light.shape[0]])
    inside = round(1.7 * PX_PER_MM)
    if sides in ("top", "both", "all"):
        cut[1] = int(low[1]) + inside
    if sides in ("bottom", "both", "all"):
        cut[3] = int(high[1]) - inside
    if sides in ("ends", "all"):
        cut[0], cut[2] = int(low[0]) + 40, int(high[0]) - 40
    part = np.ascontiguousarray(light[cut[1] : cut[3], cut[0] : cut[2]])
    (strip,) = find_strips(part, levels, PX_PER_MM)
    moved = {"outline": [(x - cut[0], y - cut[1]) for x, y in truth["outline"]]}
    assert strip.edges_seen == (cut[1] == 0, cut[3] == light.shape[0])
    assert angle_error_deg(strip, part, moved) < 0.03
    assert edge_errors_mm(strip, part, moved).max() < 0.06


@pytest.mark.parametrize("count", [3, 8])
def test_strips_of_different_films_each_have_their_angle_and_base(count):
    films = ("film-a", "film-b", "film-c", "film-d", "film-e", "film-f", "film-b", "film-a")
    angles = (0.8, -0.9, 0.3, -1.0, 0.9, 0.0, -0.4, 0.6)
    specs = [
        StripSpec(replace(OTHER, film=film, seed=30 + n), 0, 2, angle_deg=angle)
        for n, (film, angle) in enumerate(zip(films[:count], angles, strict=False))
    ]
    scan = scanned(*specs, holder=Holder(between_mm=2.5), ppi=110)
    light, levels = looked(scan)
    strips = find_strips(light, levels, 110 / 25.4)
    assert len(strips) == count
    reference = levels.illumination.reference()
    for strip, truth in zip(strips, scan.truth["strips"], strict=True):
        assert angle_error_deg(strip, light, truth) < 0.03
        assert edge_errors_mm(strip, light, truth, 110).max() < 0.1
        density = -np.log10((np.array(strip.base_light) - levels.illumination.dark) / reference)
        assert density == pytest.approx(truth["base_density"], abs=0.03)


def test_120_and_135_lie_in_one_scan():
    wide = Roll("film-c", [FrameSpec("coffee"), FrameSpec("table")], format="120-6x6", seed=3)
    scan = scanned(StripSpec(ROLL, 0, 3, angle_deg=0.4), StripSpec(wide, 0, 2, angle_deg=-0.5))
    light, levels = looked(scan)
    strips = find_strips(light, levels, PX_PER_MM)
    assert [strip.film.name for strip in strips] == ["135", "120"]
    for strip, truth in zip(strips, scan.truth["strips"], strict=True):
        assert edge_errors_mm(strip, light, truth).max() < 0.05


@pytest.mark.parametrize(
    ("format", "turn_deg"),
    [("135", 90), ("135-half", 0), ("135-square", 90), ("120-6x4.5", 0), ("120-6x6", 90)],
)
def test_a_single_frame_lies_the_way_its_film_runs(format, turn_deg):
    roll = Roll("film-e", [FrameSpec("coffee")], format=format, seed=12)
    scan = scanned(StripSpec(roll, 0, 1, angle_deg=0.5), turn_deg=turn_deg)
    light, levels = looked(scan)
    (strip,) = find_strips(light, levels, PX_PER_MM)
    assert strip.film.name == format[:3]
    assert strip.edges_seen == (True, True)
    assert edge_errors_mm(strip, light, scan.truth["strips"][0]).max() < 0.05


def test_bars_of_the_holder_between_frames_part_no_strip():
    scan = scanned(StripSpec(ROLL, 0, 3), holder=Holder(window_margin_mm=-1.5))
    light, levels = looked(scan)
    frames = [np.array(frame["outline"]) for frame in scan.truth["strips"][0]["frames"]]
    for before, after in pairwise(frames):
        left, right = before[:, 0].max() - 4, after[:, 0].min() + 4
        light[:, round(left) : round(right)] = levels.illumination.dark
    (strip,) = find_strips(light, levels, PX_PER_MM)
    assert strip.perforated
    assert edge_errors_mm(strip, light, scan.truth["strips"][0]).max() < 0.05


@pytest.mark.parametrize("wrong", [0.36, 0.97, 1.03, 1.25])
def test_a_wrong_tag_is_replaced_by_what_the_perforations_tell(wrong, lying):
    light, levels = looked(lying)
    (strip,) = find_strips(light, levels, wrong * PX_PER_MM)
    assert strip.scale_from == "perforations"
    # ISO 1007: pitch 4.750 mm.
    assert strip.px_per_mm == pytest.approx(PX_PER_MM, rel=0.001)
    assert edge_errors_mm(strip, light, lying.truth["strips"][0]).max() < 0.05


def photographed(scan: ModelScan) -> tuple[np.ndarray, np.ndarray]:
    """Return light as a camera's 8 bit JPEG over a light box gives it, and where it clipped."""
    full = np.iinfo(scan.codes.dtype).max
    light = scan.codes / full
    y, x = np.mgrid[-1 : 1 : light.shape[0] * 1j, -1 : 1 : light.shape[1] * 1j]
    even = 1 - 0.12 * ((x - 0.2) ** 2 + (y + 0.1) ** 2)
    light = cv2.GaussianBlur(light * even[:, :, None] * 1.3, (0, 0), 1.1)
    light += np.random.default_rng(3).normal(0, 0.004, light.shape)
    light = np.clip(light, 0, 1)
    # IEC 61966-2-1 (sRGB), from memory.
    shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    _, packed = cv2.imencode(".jpg", np.rint(255 * shown).astype(np.uint8))
    codes = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    value = codes / 255.0
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32), (codes == 255).any(axis=2)


@pytest.mark.parametrize("holder", [Holder(opaque=False), Holder(window_margin_mm=2.0)])
def test_a_photograph_of_a_strip_on_a_light_box(holder):
    scan = scanned(StripSpec(OTHER, 0, 2, angle_deg=-1.4), holder=holder, ppi=220)
    light, clipped = photographed(scan)
    levels = find_levels(light, clipped)
    assert levels is not None
    assert levels.gate_clipped
    (strip,) = find_strips(light, levels, 72 / 25.4)
    truth = scan.truth["strips"][0]
    assert strip.scale_from == "perforations"
    assert strip.px_per_mm == pytest.approx(220 / 25.4, rel=0.002)
    assert strip.edges_seen == (True, True)
    assert angle_error_deg(strip, light, truth) < 0.03
    # The clipped gate moves an edge by a part of a pixel.
    assert edge_errors_mm(strip, light, truth, 220).max() < 0.1


def test_ends_of_a_strip_cut_in_mid_frame():
    spec = StripSpec(ROLL, 0, 3, angle_deg=1.5, trim_mm=(15.0, 9.0))
    scan = scanned(spec, holder=Holder(window_margin_mm=3.0))
    light, levels = looked(scan)
    (strip,) = find_strips(light, levels, PX_PER_MM)
    assert corner_error(strip, scan.truth["strips"][0]) < 0.3 * PX_PER_MM


@pytest.mark.parametrize("tag", [1.0, 0.5, 2.0])
def test_strips_that_touch_are_apart_and_a_halved_tag_splits_none(tag):
    bare = Holder(opaque=False, window_margin_mm=0.0, between_mm=0.0)
    for specs in ([StripSpec(ROLL, 0, 2), StripSpec(OTHER, 0, 2)], [StripSpec(OTHER, 0, 2)]):
        scan = scanned(*specs, holder=bare)
        light, levels = looked(scan)
        strips = find_strips(light, levels, tag * PX_PER_MM)
        assert len(strips) == len(specs)
        for strip, truth in zip(strips, scan.truth["strips"], strict=True):
            assert strip.px_per_mm == pytest.approx(PX_PER_MM, rel=0.002)
            assert edge_errors_mm(strip, light, truth).max() < 0.2


def test_a_base_that_much_of_the_film_is_lighter_than_is_none():
    # 120 film (61.5 mm wide, ISO 732), its pictures of one dense brown: the larger crowd.
    base, picture = np.array([0.5, 0.2, 0.11]), np.array([0.25, 0.09, 0.05])
    light = np.full((500, 900, 3), 0.9, np.float32)
    light[60:429, 60:840] = base
    for left in (90, 470):
        light[77:413, left : left + 336] = picture
    rng = np.random.default_rng(1)
    light *= np.exp(rng.normal(0.0, 0.01, light.shape)).astype(np.float32)
    levels = find_levels(light, np.zeros((500, 900), bool))
    assert levels is not None
    (strip,) = find_strips(light, replace(levels, base_light=tuple(picture)), 6.0)
    np.testing.assert_allclose(strip.base_light, base, rtol=0.02)


BRIGHT = Holder(opaque=False, border_mm=25.0)


@pytest.mark.parametrize("turn_deg", [-65.0, -30.0, 40.0])
def test_film_at_any_turn_is_found(turn_deg):
    scan = scanned(StripSpec(ROLL, 0, 3), holder=BRIGHT)
    light, levels = looked(scan)
    height, width = light.shape[:2]
    side = round(np.hypot(height, width))
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -turn_deg, 1.0)
    turn[:, 2] += (side - 1) / 2 - np.array([width - 1, height - 1]) / 2
    gate = levels.illumination.gate
    turned = cv2.warpAffine(light, turn, (side, side), flags=cv2.INTER_CUBIC, borderValue=gate)
    (strip,) = find_strips(turned, levels, None)
    true = np.array(scan.truth["strips"][0]["outline"]) @ turn[:, :2].T + turn[:, 2]
    assert corner_error(strip, {"outline": true}) < 1.5
    upright = abs(turn_deg) > 45
    off_axis = turn_deg - np.sign(turn_deg) * 90 if upright else turn_deg
    assert strip.angle_deg == pytest.approx(off_axis, abs=0.1)
    assert strip.perforated


def test_a_finger_at_the_end_is_no_film():
    scan = scanned(StripSpec(ROLL, 0, 3), holder=BRIGHT)
    light, levels = looked(scan)
    truth = scan.truth["strips"][0]
    left, top = np.min(truth["outline"], axis=0)
    middle = round(top + 17 * PX_PER_MM)
    light[middle - 50 : middle + 50, : round(left) + 4] = (0.1, 0.06, 0.05)
    (strip,) = find_strips(light, levels, PX_PER_MM)
    assert corner_error(strip, truth) < 1.5


def test_a_clip_joins_no_film_to_the_rim_of_a_lamp():
    scan = scanned(StripSpec(ROLL, 0, 3), holder=BRIGHT)
    light, levels = looked(scan)
    truth = scan.truth["strips"][0]
    left, top = np.min(truth["outline"], axis=0)
    middle, rim = round(top + 17 * PX_PER_MM), (0.12, 0.1, 0.09)
    light[40:52] = light[:, 20:32] = light[middle - 30 : middle + 30, 20 : round(left) + 4] = rim
    strips = find_strips(light, levels, PX_PER_MM)
    assert min(corner_error(strip, truth) for strip in strips) < 1.5
