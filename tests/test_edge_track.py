"""Finding clocks on a rebate and reading data tracks, against zxing-cpp's encoder."""

import numpy as np
import pytest

from pipeline.edge_code import is_valid, load_edge_format
from pipeline.edge_track import expected_match, find_tracks
from pipeline.rebate import Rebate, cut_rebate
from tests.drawn_edge import Look, draw_strip, reference_tracks, run_of

LAYOUT = load_edge_format()
TEXTS = run_of("85-3", 46, 4)


def rebate_of(strip):
    return cut_rebate(strip.light, strip.px_per_mm, strip.bottom_row, True, LAYOUT)


def tracks_of(strip):
    rebate = rebate_of(strip)
    return rebate, find_tracks(rebate, LAYOUT)


def plain_rebate(absorptance):
    """A rebate at 12 pixels a mm, sample for sample."""
    return Rebate(
        absorptance.astype(np.float32), 1.0, 1.0, 2.8, True, (0, len(absorptance)), np.ones(3)
    )


@pytest.mark.parametrize("px_per_mm", [5.0, 8.0, 12.0, 31.0])
@pytest.mark.parametrize("module_mm", [0.41, 0.43, 0.46])
def test_clocks_are_found_in_place_and_width(px_per_mm, module_mm):
    look = Look(px_per_mm=px_per_mm, module_mm=module_mm)
    strip = draw_strip(TEXTS, 80.0, look)
    rebate, tracks = tracks_of(strip)
    assert len(tracks) == 4
    for track, column in zip(tracks, strip.codes.values(), strict=True):
        assert rebate.strip_x(track.clock.x) == pytest.approx(column, abs=0.05 * px_per_mm)
        module = track.clock.module * rebate.x_px_per_sample / px_per_mm
        assert module == pytest.approx(module_mm, rel=0.005)
        row = strip.bottom_row - 1.225 * px_per_mm
        assert rebate.strip_y(track.clock.y) == pytest.approx(row, abs=0.12 * px_per_mm)
        row = strip.bottom_row - 0.575 * px_per_mm
        assert rebate.strip_y(track.data_y) == pytest.approx(row, abs=0.2 * px_per_mm)


@pytest.mark.parametrize("blur_mm", [0.1, 0.15, 0.2, 0.25])
def test_bits_are_read_through_blur(blur_mm):
    strip = draw_strip(TEXTS, 80.0, Look(px_per_mm=8.0, blur_mm=blur_mm))
    tracks = tracks_of(strip)[1]
    for track, text in zip(tracks, TEXTS, strict=True):
        # Reference: the encoder of zxing-cpp.
        assert np.array_equal(track.soft > 0.0, reference_tracks(text)[1])
        # The pixel's own width and the resampling blur as well, at most by one step of the list.
        assert blur_mm / 0.43 - 0.05 <= track.clock.blur <= blur_mm / 0.43 + 0.13


@pytest.mark.parametrize("mirrored", [False, True])
def test_direction_is_that_of_the_print(mirrored):
    strip = draw_strip(TEXTS, 80.0, Look(mirrored=mirrored))
    tracks = tracks_of(strip)[1]
    assert len(tracks) == 4
    texts = TEXTS[::-1] if mirrored else TEXTS
    for track, text in zip(tracks, texts, strict=True):
        assert (track.clock.module < 0.0) is mirrored
        assert track.direction_margin > 0.05
        assert np.array_equal(track.soft > 0.0, reference_tracks(text)[1])


def test_thin_print_is_read():
    strip = draw_strip(TEXTS, 80.0, Look(print_density=0.05, noise=0.001))
    tracks = tracks_of(strip)[1]
    assert len(tracks) == 4
    for track, text in zip(tracks, TEXTS, strict=True):
        assert np.array_equal(track.soft > 0.0, reference_tracks(text)[1])
        assert track.clock.contrast == pytest.approx(1.0 - 10.0**-0.05, rel=0.15)


def test_likeness_tells_the_code_from_its_neighbours():
    tracks = tracks_of(draw_strip(TEXTS, 80.0))[1]
    for track, text in zip(tracks, TEXTS, strict=True):
        bits = reference_tracks(text)[1]
        right = expected_match(track, bits, LAYOUT)
        assert right > 0.95
        for place in range(bits.size):
            other = bits.copy()
            other[place] ^= True
            assert expected_match(track, other, LAYOUT) < right


def test_base_that_fades_along_the_strip_is_no_hindrance():
    strip = draw_strip(TEXTS, 80.0)
    fade = np.linspace(1.0, 0.4, strip.light.shape[1], dtype=np.float32)
    rebate = cut_rebate(strip.light * fade[:, None], 12.0, strip.bottom_row, True, LAYOUT)
    tracks = find_tracks(rebate, LAYOUT)
    assert len(tracks) == 4
    for track, text in zip(tracks, TEXTS, strict=True):
        assert np.array_equal(track.soft > 0.0, reference_tracks(text)[1])


@pytest.mark.parametrize("seed", range(4))
def test_noise_holds_no_code(seed):
    noise = np.random.default_rng(seed).normal(0.0, 0.2, (44, 1400))
    assert find_tracks(plain_rebate(noise), LAYOUT) == ()


def test_an_empty_rebate_holds_no_code():
    assert find_tracks(plain_rebate(np.zeros((44, 1400))), LAYOUT) == ()


def test_even_bars_are_no_valid_code():
    bars = np.broadcast_to(np.arange(1400) // 5 % 2, (44, 1400))
    tracks = find_tracks(plain_rebate(bars), LAYOUT)
    assert not any(is_valid(LAYOUT, track.soft > 0.0) for track in tracks)


def test_a_rebate_smaller_than_a_code_holds_none():
    assert find_tracks(plain_rebate(np.eye(44, 60)), LAYOUT) == ()
    assert find_tracks(plain_rebate(np.ones((2, 400))), LAYOUT) == ()


def test_shorter_clocks_are_told_from_the_beginning_of_longer_ones():
    plain = LAYOUT.without_number()
    strip = draw_strip(TEXTS, 80.0)
    rebate = rebate_of(strip)
    # The longer clock begins like the shorter one but for a module: alone, it would pass.
    assert len(find_tracks(rebate, plain)) == 4
    assert find_tracks(rebate, plain, LAYOUT) == ()


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("px_per_mm", [5.0, 8.0, 16.0])
def test_clocks_of_print_without_numbers_are_kept_against_their_rival(px_per_mm, mirrored):
    look = Look(px_per_mm=px_per_mm, mirrored=mirrored)
    strip = draw_strip(["85-3"] * 4, 80.0, look)
    tracks = find_tracks(rebate_of(strip), LAYOUT.without_number(), LAYOUT)
    assert len(tracks) == 4
    for track in tracks:
        assert (track.clock.module < 0.0) is mirrored
        # Reference: the encoder of zxing-cpp.
        assert np.array_equal(track.soft > 0.0, reference_tracks("85-3")[1])
