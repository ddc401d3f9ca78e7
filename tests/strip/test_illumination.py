"""Open gate, dark level and film base against the film model's truth."""

import numpy as np
import pytest

from pipeline.strip.crowd import crowded_places
from pipeline.strip.illumination import (
    Levels,
    base_of,
    dark_level,
    fades_from_gate,
    find_levels,
)
from tests.film_model import FrameSpec, Holder, ModelScan, Roll, StripSpec, make_scan

ROLL = Roll("film-a", [FrameSpec("chart"), FrameSpec("coffee")], seed=1)


def scanned(scanner: str = "scanner-a", **how) -> ModelScan:
    return make_scan([StripSpec(ROLL, 0, 2, angle_deg=0.4)], scanner, 150, 1, **how)


def linear(scan: ModelScan) -> np.ndarray:
    full = np.iinfo(scan.codes.dtype).max
    return ((scan.codes / full) ** scan.truth["scanner"]["gamma"]).astype(np.float32)


def seen(scan: ModelScan) -> Levels:
    full = np.iinfo(scan.codes.dtype).max
    levels = find_levels(linear(scan), (scan.codes == full).any(axis=2))
    assert levels is not None
    return levels


def base_error(levels: Levels, scan: ModelScan) -> float:
    dark = np.asarray(levels.illumination.dark)
    span = levels.illumination.reference()
    density = -np.log10((np.asarray(levels.base_light) - dark) / span)
    return float(np.abs(density - scan.truth["strips"][0]["base_density"]).max())


@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b", "scanner-c", "scanner-d"])
def test_gate_dark_and_base_are_those_of_the_scanner_and_film(scanner):
    scan = scanned(scanner)
    levels = seen(scan)
    told = scan.truth["scanner"]
    # The model's own gate before fall-off (at most 8 %) and flare.
    gate = np.array(told["open_gate"]) + told["offset"]
    assert levels.illumination.gate == pytest.approx(gate, rel=0.09)
    assert np.all(np.asarray(levels.illumination.gate) <= gate + 1e-3)
    # Behind the holder the model leaves its offset and the lens's flare, no more.
    dark, offset = np.asarray(levels.illumination.dark), np.array(told["offset"])
    assert np.all(dark >= offset - 1e-3)
    assert np.all(dark <= offset + told["flare"])
    # A step of the crowd's bins is 0.03; the base is measured closer later.
    assert base_error(levels, scan) < 0.02
    assert not levels.gate_clipped


def test_an_even_scan_without_noise_gives_the_gate_exactly():
    light = np.full((60, 90, 3), 0.8, np.float32)
    light[20:40] = np.array([0.5, 0.2, 0.1], np.float32)
    levels = find_levels(light, np.zeros(light.shape[:2], bool))
    assert levels is not None
    # IEC 60050 845-24-089: transmittance is light over light of the open gate.
    assert levels.illumination.gate == pytest.approx((0.8,) * 3, rel=1e-5)
    assert levels.base_light == pytest.approx((0.5, 0.2, 0.1), rel=1e-5)
    assert levels.illumination.dark == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("gains", [(0.85, 0.85, 0.85), (0.8, 0.95, 1.05)])
def test_the_scanners_drift_moves_gate_and_base_alike(gains):
    plain, drifted = seen(scanned(noise=False)), seen(scanned(gains=gains, noise=False))

    def span(levels: Levels, light: tuple[float, float, float]) -> np.ndarray:
        return np.asarray(light) - levels.illumination.dark

    assert drifted.illumination.gate is not None
    assert plain.illumination.gate is not None
    for part in ("gate", "base"):
        lights = [
            span(levels, levels.illumination.gate if part == "gate" else levels.base_light)
            for levels in (drifted, plain)
        ]
        # Density is a ratio of lights (ISO 5-2), so that gains cancel; 0.5 % is 0.002 D.
        assert lights[0] / lights[1] == pytest.approx(np.array(gains), rel=0.005)


def test_a_clipped_open_gate_gives_no_gate_but_the_base():
    scan = scanned("scanner-d", open_gate=1.5)
    levels = seen(scan)
    assert levels.gate_clipped
    assert levels.illumination.gate is None
    assert not levels.illumination.absolute
    base = 10.0 ** -np.array(scan.truth["strips"][0]["base_density"]) * 1.5
    assert np.asarray(levels.base_light) - levels.illumination.dark == pytest.approx(base, rel=0.06)


def test_bare_film_without_an_open_gate_in_view_is_its_own_base():
    holder = Holder(window_margin_mm=-2.5, end_margin_mm=-0.5)
    roll = Roll("film-a", [FrameSpec(kind="blank")], format="120-6x6", seed=1)
    scan = make_scan([StripSpec(roll, 0, 1)], "scanner-a", 90, 1, holder=holder)
    levels = seen(scan)
    assert levels.illumination.gate is None
    assert not levels.gate_clipped
    told = scan.truth["scanner"]
    base = 10.0 ** -np.array(scan.truth["strips"][0]["base_density"]) * told["open_gate"]
    assert np.asarray(levels.base_light) - levels.illumination.dark == pytest.approx(base, rel=0.05)


def test_a_light_surround_has_no_dark_level():
    assert seen(scanned(holder=Holder(opaque=False))).illumination.dark == (0.0, 0.0, 0.0)


def test_the_dark_level_is_what_an_opaque_border_reads():
    light = np.full((50, 70, 3), 0.4, np.float32)
    light[:4] = light[-4:] = np.array([0.004, 0.005, 0.006], np.float32)
    assert dark_level(light) == pytest.approx((0.004, 0.005, 0.006), rel=1e-5)
    # Dark inside, as a dense picture is, tells nothing.
    inside = np.full((50, 70, 3), 0.4, np.float32)
    inside[10:40, 10:60] = 0.005
    assert dark_level(inside) == (0.0, 0.0, 0.0)


def test_a_lit_table_beside_the_light_is_no_darkness():
    light = np.full((80, 120, 3), 0.8, np.float32)
    light[:20] = (0.02, 0.018, 0.015)
    assert dark_level(light) == pytest.approx((0.02, 0.018, 0.015), rel=1e-5)
    # A picture's blue lies below the table's.
    light[40:70, 10:110] = (0.05, 0.01, 0.005)
    assert dark_level(light) == (0.0, 0.0, 0.0)


def test_a_dense_picture_at_the_border_is_no_darkness():
    light = np.full((80, 120, 3), (0.7, 0.2, 0.15), np.float32)
    # Density 1.2 above an orange base, from edge to edge: the next picture on the film.
    light[10:70, :8] = light[0, 0] * np.float32(10.0**-1.2)
    assert dark_level(light) == (0.0, 0.0, 0.0)
    # A mask that only the veil of orange light reaches is as dark as it reads.
    light[10:70, :8] = light[0, 0] * np.float32(0.01)
    assert dark_level(light) == pytest.approx((0.007, 0.002, 0.0015), rel=1e-5)


def bare_light(blue: float) -> np.ndarray:
    """Return light (h, w, 3) over a dark grey table, with film on it, a little noisy."""
    light = np.full((200, 300, 3), (0.9, 0.9, blue))
    light[:40] = light[-40:] = (0.03, 0.028, 0.03)
    light[80:120, 60:240] *= np.array([0.55, 0.22, 0.12])
    light[84:116, 70:230] *= np.random.default_rng(3).uniform(0.1, 0.9, (32, 160, 1))
    return light * np.random.default_rng(1).normal(1.0, 0.004, light.shape)


def test_a_table_is_no_base_where_the_light_clips_in_one_channel():
    light = np.clip(bare_light(blue=1.05), 0, 1).astype(np.float32)
    levels = find_levels(light, (light >= 1).any(axis=2))
    assert levels is not None
    assert levels.gate_clipped
    assert levels.base_light == pytest.approx((0.495, 0.198, 0.126), rel=0.06)
    # What clips in blue is no brighter in the others than it was seen.
    assert levels.brightest == pytest.approx((0.9, 0.9, 1.0), rel=0.02)


def test_small_light_things_beside_busy_film_leave_it_its_base():
    light = bare_light(blue=0.9)
    # Grain leaves no even area on the film; signs on a screen are even.
    light[80:120, 60:240] *= np.random.default_rng(2).normal(1.0, 0.08, (40, 180, 1))
    light[55:71, 100:116] = (0.6, 0.7, 0.3)
    levels = find_levels(light.astype(np.float32), np.zeros(light.shape[:2], bool))
    assert levels is not None
    assert levels.illumination.gate == pytest.approx((0.9, 0.9, 0.9), rel=0.01)
    assert levels.base_light == pytest.approx((0.495, 0.198, 0.108), rel=0.1)


def test_parts_of_the_lamp_that_seams_cut_off_are_no_film_lighter_than_the_base():
    light = bare_light(blue=0.9)
    # A sleeve's seams around a piece of it that lies a little lower, and so is a little darker.
    light[122:154, 4:296] *= 0.25
    light[125:151, 7:293] *= 4.0 * 10.0**-0.055
    levels = find_levels(light.astype(np.float32), np.zeros(light.shape[:2], bool))
    assert levels is not None
    assert levels.illumination.gate == pytest.approx((0.9, 0.9, 0.9), rel=0.03)
    assert levels.base_light == pytest.approx((0.495, 0.198, 0.108), rel=0.1)


def test_the_foil_of_a_sleeve_is_no_film_lighter_than_the_base():
    light = np.full((240, 320, 3), 0.8, np.float32)
    base = np.array([0.4, 0.18, 0.09], np.float32)
    # A milky page over the most of the light, in it two strips that are dense but for their rims.
    light[20:220, 20:300] *= 10.0**-0.15
    for top in (40, 130):
        light[top : top + 60, 60:260] = base
        light[top + 10 : top + 50, 70:250] = 0.2 * base
    levels = find_levels(light, np.zeros(light.shape[:2], bool))
    assert levels is not None
    assert levels.base_light == pytest.approx(tuple(base.tolist()), rel=0.02)


@pytest.mark.parametrize("level", [0.0, 0.0005])
def test_a_dark_scan_shows_no_levels(level):
    light = np.full((40, 60, 3), level, np.float32)
    assert find_levels(light, np.zeros(light.shape[:2], bool)) is None


def test_the_same_levels_however_the_scan_is_turned():
    light = linear(scanned())
    clipped = np.zeros(light.shape[:2], bool)
    plain = find_levels(light, clipped)
    assert plain is not None
    for turns in (1, 2, 3):
        turned = find_levels(np.rot90(light, turns), np.rot90(clipped, turns))
        assert turned is not None
        assert turned.base_light == pytest.approx(plain.base_light, rel=1e-3)
        assert turned.illumination.gate == pytest.approx(plain.illumination.gate, rel=1e-3)
        assert turned.illumination.dark == pytest.approx(plain.illumination.dark, abs=1e-4)


def test_each_strips_own_base_is_found_in_its_part_of_the_scan():
    other = Roll("film-d", [FrameSpec("quay"), FrameSpec("coffee")], seed=8)
    strips = [StripSpec(ROLL, 0, 2), StripSpec(other, 0, 2)]
    scan = make_scan(strips, "scanner-b", 130, 4)
    levels, light = seen(scan), linear(scan)
    dark, span = np.asarray(levels.illumination.dark), levels.illumination.reference()
    for truth in scan.truth["strips"]:
        x, y = (np.array(truth["outline"])[:, axis] for axis in (0, 1))
        part = light[int(y.min()) + 3 : int(y.max()) - 3, int(x.min()) + 3 : int(x.max()) - 3]
        base = base_of(part.reshape(-1, 3), levels)
        assert base is not None
        density = -np.log10((np.asarray(base) - dark) / span)
        assert density == pytest.approx(np.array(truth["base_density"]), abs=0.03)


def test_no_base_where_only_the_gate_or_grey_shows():
    levels = seen(scanned())
    gate = np.tile(np.asarray(levels.illumination.gate, np.float32), (500, 1))
    assert base_of(gate, levels) is None
    assert base_of(0.4 * gate, levels) is None


def test_a_lamps_fall_off_under_a_clipped_gate_is_not_the_base():
    y, x = np.mgrid[-1:1:200j, -1:1:300j]
    lamp = 1.1 - 0.3 * (x**2 + y**2) / 2
    light = np.repeat(lamp[:, :, None], 3, axis=2)
    light[80:120, 60:240] *= np.array([0.6, 0.25, 0.14])
    light += np.random.default_rng(1).normal(0, 0.002, light.shape)
    light = np.clip(light, 0, 1).astype(np.float32)
    levels = find_levels(light, (light >= 1).any(axis=2))
    assert levels is not None
    assert levels.gate_clipped
    middle = lamp[80:120, 60:240].mean()
    assert levels.base_light == pytest.approx(
        (0.6 * middle, 0.25 * middle, 0.14 * middle), rel=0.06
    )


def test_film_under_a_clipped_gate_has_an_edge_and_a_lamps_fall_off_none():
    rng = np.random.default_rng(2)
    gate, level = np.zeros(3), np.full(3, -0.1)
    film = np.concatenate([rng.normal(level, 0.004, (4000, 3)), np.zeros((6000, 3))])
    assert not fades_from_gate(level, gate, film)
    fading = np.repeat(rng.uniform(-0.12, 0, (10_000, 1)), 3, axis=1)
    assert fades_from_gate(level, gate, fading)


def crowds_by_hand(logs: np.ndarray) -> list[tuple[np.ndarray, float]]:
    """Return what `crowded_places` promises, counted cell by cell in a dictionary."""
    inside = logs[logs.min(axis=1) > -2.2]
    cells = np.floor(inside / np.float32(0.03)).astype(int)
    names, counts = np.unique(cells, axis=0, return_counts=True)
    open_cells, found = {tuple(name) for name in names}, []
    for name in names[np.argsort(-counts, kind="stable")]:
        if tuple(name) not in open_cells:
            continue
        near = np.abs(cells - name).max(axis=1) <= 1
        if near.sum() / len(logs) >= 0.004:
            found.append((np.median(inside[near], axis=0), near.sum() / len(logs)))
            open_cells -= {tuple(cell) for cell in cells[near]}
    return sorted(found, key=lambda crowd: -float(crowd[0].sum()))


@pytest.mark.parametrize("spread", [0.02, 0.2, 8.0])
def test_crowds_are_those_counted_cell_by_cell(spread):
    rng = np.random.default_rng(4)
    middles = np.array([[-0.1, -0.2, -0.3], [-0.9, -1.2, -1.4], [-1.0, -1.21, -1.38]])
    logs = rng.normal(middles[:, None], 0.01, (3, 400, 3)).reshape(-1, 3)
    wide = np.concatenate([logs, rng.normal(0.0, spread, (300, 3))]).astype(np.float32)
    # Light of floats may spread over more bins than a table of them could hold.
    wide = np.concatenate([wide, np.full((1, 3), 30.0 * spread, np.float32)])
    found, expected = crowded_places(wide), crowds_by_hand(wide)
    assert len(found) == len(expected) >= 2
    for (level, share), (by_hand, part) in zip(found, expected, strict=True):
        assert level == pytest.approx(by_hand, abs=1e-7)
        assert share == pytest.approx(part)


def test_light_of_which_nothing_is_film_has_no_crowds():
    assert crowded_places(np.full((50, 3), -3.0, np.float32)) == []
    assert crowded_places(np.zeros((0, 3), np.float32)) == []
