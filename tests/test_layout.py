"""Strips' outline, angle, scale and kind of film against the film model's truth."""

import numpy as np
import pytest

from pipeline.illumination import Levels, find_levels
from pipeline.layout import Strip, base_mask, find_strips
from tests.film_model import FrameSpec, Holder, ModelScan, Roll, StripSpec, make_scan

PPI = 150
PX_PER_MM = PPI / 25.4
ROLL = Roll("film-a", [FrameSpec("chart"), FrameSpec("coffee"), FrameSpec("astronaut")], seed=1)
OTHER = Roll("film-b", [FrameSpec("coffee"), FrameSpec("rocket")], seed=2)


def scanned(*strips: StripSpec, **how) -> ModelScan:
    return make_scan(strips, "scanner-a", how.pop("ppi", PPI), 1, **how)


def looked(scan: ModelScan) -> tuple[np.ndarray, Levels]:
    light = (scan.codes / 65535).astype(np.float32)
    levels = find_levels(light, (scan.codes == 65535).any(axis=2))
    assert levels is not None
    return light, levels


def strips_of(scan: ModelScan, px_per_mm: float | None = PX_PER_MM) -> tuple[Strip, ...]:
    return find_strips(*looked(scan), px_per_mm)


def corner_error(strip: Strip, truth: dict) -> float:
    """Return the largest distance of a corner from the nearest true one, pixels."""
    corners, true = np.array(strip.outline), np.array(truth["outline"])
    return float(np.linalg.norm(corners[:, None] - true, axis=2).min(axis=1).max())


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
    assert strip.vertical == (turn_deg in (90, 270))
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
    assert turned.vertical == (turns % 2 == 1)
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
