"""Scratches, glass, plates, ends of the roll and 8 bit files of the film model against laws."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms
from scipy import ndimage

from tests.film_model import (
    Camera,
    FrameSpec,
    Glass,
    Holder,
    ModelScan,
    Roll,
    Scratch,
    StripSpec,
    Veil,
    load_scanner,
    make_scan,
    random_faded,
    random_glass,
    random_leaks,
    random_scratches,
    random_strip,
    spaced,
    write_scan,
)
from tests.film_model.geometry import Window, place
from tests.film_model.glass import behind_glass
from tests.film_model.painted import paint
from tests.film_model.reading import light, straightened, strip_of
from tests.film_model.roll import lay_out
from tests.film_model.scanner import encode
from tests.film_model.scratches import scratch_share, scratched
from tests.film_model.spectra import colour_science

Floats = NDArray[np.float64]
LAMP_FALLS_OFF = 0.04
SEEDS = st.integers(0, 10_000)


def scan_of(count: int = 1, strip: dict[str, Any] | None = None, **options: Any) -> ModelScan:
    fields = {
        key: options.pop(key)
        for key in ("leader_mm", "tail_mm", "tail_struck_mm")
        if key in options
    }
    frames = (FrameSpec("grey"),) * count
    roll = Roll("film-a", frames, edge_print=False, **fields)
    spec = StripSpec(roll, count=count, **(strip or {}))
    return make_scan([spec], **{"ppi": 200.0, "noise": False, **options})


@settings(max_examples=40)
@given(st.floats(-90, 90), st.floats(0.02, 0.2), st.floats(3, 12))
def test_a_scratch_covers_its_length_times_its_width(
    angle: float, width: float, px_per_mm: float
) -> None:
    """Plain geometry; pixels wider than the scratch hold it in parts."""
    placement = place((30.0, 30.0), 50.0, 50.0, angle, px_per_mm)
    scratch = Scratch((10.0, 25.0), (40.0, 25.5), width)
    size = int(60 * px_per_mm)
    share = scratch_share(scratch, placement, Window(0, 0, size, size))
    area = np.hypot(30.0, 0.5) * width * px_per_mm**2
    # Its ends may cut a pixel aslant: half a pixel of the length each at most.
    assert share.sum() == pytest.approx(area, abs=width * px_per_mm)
    diagonal = np.sqrt(2)
    assert share.min() >= -1e-6
    assert share.max() <= min(1.0, diagonal * width * px_per_mm) + 1e-4


def test_scratches_take_density_off_or_add_it() -> None:
    """Densities one behind the other add (ISO 5-2); scraped bare, film is as light as no film."""
    placement = place((10.0, 10.0), 20.0, 20.0, 0.0, 10.0)
    window = Window(0, 0, 200, 200)
    film = np.full((200, 200, 4), 0.1, np.float32)
    bare, half, scored = (
        scratched(film.copy(), [scratch], placement, window)[100, 100]
        for scratch in (
            Scratch((2.0, 10.0), (18.0, 10.0), 1.0, lost_share=1.0),
            Scratch((2.0, 10.0), (18.0, 10.0), 1.0, lost_share=0.5),
            Scratch((2.0, 10.0), (18.0, 10.0), 1.0, added_density=0.3),
        )
    )
    np.testing.assert_allclose(-np.log10([bare, half, scored])[:, 0], [0.0, 0.5, 1.3], atol=1e-5)


def test_scratches_run_over_frames_and_gaps_but_not_over_holes() -> None:
    scratch = Scratch((0.0, 15.0), (76.0, 15.0), 0.15, lost_share=1.0)
    in_holes = Scratch((0.0, 3.4), (76.0, 3.4), 0.15, added_density=0.8)
    plain = scan_of(2)
    marked = scan_of(2, {"scratches": (scratch, in_holes)})
    across = (
        straightened(marked, 14.0, 16.0)[:, 60:-60] / straightened(plain, 14.0, 16.0)[:, 60:-60]
    )
    assert across.max(axis=0).min() > 1.5
    assert across[[0, -1]].max() < 1.02
    seen = light(marked)[..., 1]
    holes = [seen[round(y), round(x)] for x, y in strip_of(marked)["perforations"]]
    assert min(holes) > 0.9
    assert marked.truth == plain.truth


@given(SEEDS)
def test_random_scratches_keep_to_their_ranges(seed: int) -> None:
    for scratch in random_scratches(np.random.default_rng(seed), 228.0, 35.0):
        assert 0.02 <= scratch.width_mm <= 0.2
        assert 0 <= scratch.lost_share <= 1
        assert (scratch.lost_share > 0) != (scratch.added_density > 0)


def test_ghost_is_the_scan_shifted_blurred_and_dim() -> None:
    """Source: scipy.ndimage.shift and gaussian_filter; whole pixels, so no interpolation."""
    seen = np.zeros((80, 120, 4), np.float32)
    seen[30:50, 40:80] = 1.0
    glass = Glass(0.05, (1.6, -0.8), 0.4)
    ghost = behind_glass(glass, seen, 10.0) - seen
    expected = ndimage.gaussian_filter(ndimage.shift(seen[..., 0], (-8, 16), order=1), 4.0) * 0.05
    np.testing.assert_allclose(ghost[..., 1], expected, atol=2e-4)
    assert not ghost[..., 3].any()


def test_veil_is_a_round_bell_of_its_light() -> None:
    """The volume under a Gaussian is 2 pi sigma squared times its height."""
    black = np.zeros((200, 300, 4), np.float32)
    veiled = behind_glass(Glass(veils=(Veil((0.5, 0.5), 2.0, 0.04),)), black, 10.0)
    assert veiled[..., 0].max() == pytest.approx(0.04, rel=1e-3)
    assert veiled[..., 0].sum() == pytest.approx(2 * np.pi * 20.0**2 * 0.04, rel=1e-3)


@given(SEEDS)
def test_random_glass_is_a_matter_of_per_cents(seed: int) -> None:
    glass = random_glass(np.random.default_rng(seed))
    assert 0.01 <= glass.ghost_share <= 0.06
    assert 1 <= np.hypot(*glass.ghost_shift_mm) <= 8
    assert all(0.01 <= veil.light <= 0.06 for veil in glass.veils)


@pytest.mark.parametrize(
    ("plate", "level"),
    [
        ({}, 0.0001),
        ({"transmittance": 0.2}, 0.2),
        ({"reflected": 0.9}, 0.9),
        ({"transmittance": 0.05, "reflected": 0.6}, 0.65),
    ],
)
def test_plate_shows_its_own_light_and_hides_the_film(
    plate: dict[str, float], level: float
) -> None:
    """Light through the plate and light from its face add; light through film lies behind it."""
    holder = Holder(window_margin_mm=-1.5, **plate)
    scan = scan_of(holder=holder, scanner="scanner-a")
    clear = scan_of(holder=Holder(window_margin_mm=-1.5), scanner="scanner-a")
    told, seen = strip_of(scan), light(scan)[..., 1]
    assert seen[4, 4] == pytest.approx(level, rel=LAMP_FALLS_OFF, abs=0.004)
    corner = np.array(told["outline"])[0]
    x, y = np.rint(corner + np.array([10.0, 0.7]) * 200 / 25.4).astype(int)
    base = 10.0 ** -told["base_density"][1]
    covered = plate.get("transmittance", 0.0001) * base + plate.get("reflected", 0.0)
    assert seen[y, x] == pytest.approx(covered, rel=LAMP_FALLS_OFF, abs=0.004)
    middle = tuple(n // 2 for n in seen.shape)
    assert seen[middle] == pytest.approx(light(clear)[..., 1][middle], abs=0.004)


def test_struck_tail_is_black_and_an_unstruck_start_is_not() -> None:
    scan = scan_of(2, {"trim_mm": (-0.4, 0.0)}, tail_mm=20.0, tail_struck_mm=12.0)
    band = straightened(scan, 10.0, 25.0, 4.0).mean(axis=0)
    base = 10.0 ** -strip_of(scan)["base_density"][1]
    assert band[2:5].min() > 0.9 * base
    assert band[-44:-4].max() < 0.2 * base
    # Light spreads in the film: a tenth every 1.2 mm, so 5 mm further on there is little left.
    assert band[-79:-70].min() > 0.95 * base


def test_gaps_are_as_told() -> None:
    """Between images of nominal size, without the camera's own play."""
    rng = np.random.default_rng(4)
    strip = random_strip(rng, count=3, camera=Camera(gap_jitter_mm=0.3, pitch_error_mm=0.2))
    gates = lay_out(spaced(strip, [None, 0.4, -1.5, None, 6.0]).roll).gates
    gaps = [later.u0_mm - gate.u1_mm for gate, later in pairwise(gates)]
    np.testing.assert_allclose(gaps, [0.4, -1.5, 2.0, 6.0], atol=1e-9)


@given(SEEDS)
@settings(max_examples=30)
def test_leaks_lie_near_gaps_and_fading_has_a_cause(seed: int) -> None:
    rng = np.random.default_rng(seed)
    strip = random_strip(rng)
    gates = lay_out(strip.roll).gates
    gaps = [(a.u1_mm + b.u0_mm) / 2 for a, b in pairwise(gates)]
    leaks = random_leaks(rng, strip)
    assert 1 <= len(leaks) <= 3
    assert all(np.abs(np.subtract(gaps, leak.at_mm)).min() < 8 for leak in leaks)
    process = random_faded(rng)
    assert max(process.contrast) < 0.8 or min(process.fog) > 0


def test_srgb_files_carry_the_curve_of_the_standard(tmp_path: Path) -> None:
    """Source: colour-science's inverse sRGB EOTF (IEC 61966-2-1), and LittleCMS for the profile."""
    device = replace(load_scanner("scanner-a"), bits=8, container_bits=8, tone="srgb")
    linear = np.linspace(0, 1, 300, dtype=np.float32).reshape(1, 100, 3)
    expected = colour_science().models.eotf_inverse_sRGB(linear.astype(float)) * 255
    assert np.abs(encode(device, linear) - expected).max() < 0.51
    scan = scan_of(scanner=device, ppi=100.0)
    assert scan.codes.dtype == np.uint8
    linear_scan = scan_of(scanner="scanner-a", ppi=100.0)
    np.testing.assert_allclose(light(scan), light(linear_scan), atol=0.006)
    path = write_scan(tmp_path, "strip", scan)
    with tifffile.TiffFile(path) as tif:
        (tmp_path / "profile.icc").write_bytes(tif.pages[0].tags["InterColorProfile"].value)
    ramp = Image.fromarray(np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2))
    shown = ImageCms.profileToProfile(
        ramp, str(tmp_path / "profile.icc"), ImageCms.createProfile("sRGB")
    )
    assert shown is not None
    assert np.abs(np.asarray(shown).astype(int) - np.asarray(ramp)).max() <= 1


def dark_share(name: str, seed: int) -> Floats:
    """Return where a painted scene is darker than 4.5 stops below grey, by column and row."""
    return (paint(name, (480, 720), seed).max(axis=2) < 0.18 * 2**-4.4).astype(float)


@pytest.mark.parametrize("seed", range(6))
def test_doorposts_stand_at_full_height_one_to_four_mm_wide(seed: int) -> None:
    """Posts may touch, so a dark run is 1 to 12 mm of the 36 mm wide gate."""
    columns = dark_share("doorway", seed).all(axis=0)
    bounds = np.flatnonzero(np.diff(np.concatenate([[0], columns.astype(int), [0]])))
    runs_mm = np.diff(bounds.reshape(-1, 2), axis=1)[:, 0] / 20.0
    assert 1 <= len(runs_mm) <= 3
    assert runs_mm.min() > 0.9
    assert runs_mm.max() < 12.1


@pytest.mark.parametrize("seed", range(6))
def test_half_black_is_black_at_one_side(seed: int) -> None:
    dark = dark_share("half-black", seed)
    assert 0.25 < dark.mean() < 0.75
    assert {dark[:, 5].mean(), dark[:, -5].mean()} == {0.0, 1.0}


@pytest.mark.parametrize("seed", range(6))
def test_leaves_hang_at_the_edges(seed: int) -> None:
    dark = dark_share("leafy-edges", seed)
    sides = max(dark[:, :48].mean(), dark[:, -48:].mean())
    assert sides > 0.3
    assert dark[180:300, 270:450].mean() < 0.5 * sides


@pytest.mark.parametrize("seed", range(6))
def test_night_sky_is_black_with_bright_points(seed: int) -> None:
    picture = paint("night-sky", (480, 720), seed).max(axis=2)
    assert np.median(picture) < 0.18 * 2**-3
    assert picture.max() > 0.18
    assert (picture > 0.18 / 2).mean() < 0.1
