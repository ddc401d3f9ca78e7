"""Seeing codes on a rebate and fitting their tracks, against zxing-cpp's encoder."""

import cv2
import numpy as np
import pytest

from pipeline.edge.chain import LONE_READS
from pipeline.edge.code import bits_of, encode, load_edge_format
from pipeline.edge.rebate import Rebate, cut_rebate
from pipeline.edge.track import fit_track, seen_codes
from tests.edge.drawn import Look, draw_strip, reference_tracks, run_of

LAYOUT = load_edge_format()
MODULES = (len(LAYOUT.clock), len(LAYOUT.without_number().clock))
TEXTS = run_of("85-3", 46, 4)


def rebate_of(strip):
    return cut_rebate(strip.light, strip.px_per_mm, strip.bottom_row, True, LAYOUT)


def seen_on(rebate, reads=LONE_READS):
    """What is read as often as a chain asks for, from left to right."""
    seen = [one for one in seen_codes(rebate, MODULES) if one.reads >= reads]
    return sorted(seen, key=lambda one: one.x)


def fitted(rebate, text, clock=LAYOUT.clock):
    """The tracks of all codes with a text, each fitted from where it is seen."""
    data = reference_tracks(text)[1]
    seen = [one for one in seen_on(rebate, 1) if one.text == text]
    return [fit_track(rebate, one.x, one.module, clock, data) for one in seen]


def plain_rebate(absorptance):
    """A rebate at 12 pixels a mm, sample for sample."""
    return Rebate(
        absorptance.astype(np.float32), 1.0, 1.0, 2.8, True, (0, len(absorptance)), np.ones(3)
    )


@pytest.mark.parametrize("px_per_mm", [5.0, 8.0, 12.0, 31.0])
@pytest.mark.parametrize("module_mm", [0.41, 0.43, 0.46])
def test_tracks_are_fitted_in_place_and_width(px_per_mm, module_mm):
    look = Look(px_per_mm=px_per_mm, module_mm=module_mm)
    strip = draw_strip(TEXTS, 80.0, look)
    rebate = rebate_of(strip)
    for text, column in strip.codes.items():
        (track,) = fitted(rebate, text)
        assert track.match > 0.95
        assert rebate.strip_x(track.x) == pytest.approx(column, abs=0.05 * px_per_mm)
        module = track.module * rebate.x_px_per_sample / px_per_mm
        assert module == pytest.approx(module_mm, rel=0.005)
        row = strip.bottom_row - 1.225 * px_per_mm
        assert rebate.strip_y(track.y) == pytest.approx(row, abs=0.12 * px_per_mm)
        row = strip.bottom_row - 0.575 * px_per_mm
        assert rebate.strip_y(track.data_y) == pytest.approx(row, abs=0.2 * px_per_mm)


def test_codes_are_read_whose_clock_lies_above_the_middle_of_what_shows():
    """Blurred tracks that lie high on a rebate cut at the film's edge, as photographs are."""
    texts, module_mm, from_edge_mm, track_mm, fine = TEXTS[:3], 0.43, 0.6, 0.7, 8
    plane = np.zeros((34 * fine, 768 * fine), np.float32)
    scale = 12.0 * fine
    for place, text in enumerate(texts):
        for track, bits in enumerate(reference_tracks(text)[::-1]):
            lower = 34 * fine - (from_edge_mm + track * track_mm) * scale
            rows = slice(round(lower - track_mm * scale), round(lower))
            for module in np.flatnonzero(bits):
                first = (5.0 + 19.0 * place + module * module_mm) * scale
                plane[rows, round(first) : round(first + module_mm * scale)] = 1.0
    plane = plane.reshape(34, fine, 768, fine).mean(axis=(1, 3))
    plane = 0.95 * cv2.GaussianBlur(plane, (0, 0), 0.24 * 12.0)
    plane[:10] = np.where(np.arange(768) % 57 < 24, -0.26, plane[:10])
    assert [one.text for one in seen_on(plain_rebate(plane))] == texts


@pytest.mark.parametrize("off", [-0.4, 0.4])
def test_a_track_is_fitted_from_near_by(off):
    strip = draw_strip(TEXTS, 80.0)
    rebate = rebate_of(strip)
    seen = seen_on(rebate)[1]
    data = reference_tracks(TEXTS[1])[1]
    track = fit_track(rebate, seen.x + off * seen.module, seen.module * 1.02, LAYOUT.clock, data)
    assert rebate.strip_x(track.x) == pytest.approx(strip.codes[TEXTS[1]], abs=0.6)
    elsewhere = fit_track(rebate, seen.x + 114.0, seen.module, LAYOUT.clock, data)
    assert elsewhere is None or elsewhere.match < 0.5


@pytest.mark.parametrize("blur_mm", [0.1, 0.15, 0.2, 0.25])
def test_codes_are_read_through_blur(blur_mm):
    rebate = rebate_of(draw_strip(TEXTS, 80.0, Look(px_per_mm=8.0, blur_mm=blur_mm)))
    assert {one.text for one in seen_on(rebate, 1)} >= set(TEXTS)
    for text in TEXTS:
        # The pixel's own width and the resampling blur as well, at most by one step of the list.
        (track,) = fitted(rebate, text)
        assert blur_mm / 0.43 - 0.05 <= track.blur <= blur_mm / 0.43 + 0.13


@pytest.mark.parametrize("mirrored", [False, True])
def test_direction_is_that_of_the_print(mirrored):
    seen = seen_on(rebate_of(draw_strip(TEXTS, 80.0, Look(mirrored=mirrored))))
    assert [one.text for one in seen] == (TEXTS[::-1] if mirrored else TEXTS)
    assert [one.module < 0.0 for one in seen] == [mirrored] * 4


@pytest.mark.parametrize("fade", [1.0, 0.4])
@pytest.mark.parametrize("density", [0.05, 0.8])
def test_thin_print_and_fading_base_are_no_hindrance(density, fade):
    strip = draw_strip(TEXTS, 80.0, Look(print_density=density, noise=0.001))
    slope = np.linspace(1.0, fade, strip.light.shape[1], dtype=np.float32)
    rebate = cut_rebate(strip.light * slope[:, None], 12.0, strip.bottom_row, True, LAYOUT)
    assert [one.text for one in seen_on(rebate)] == TEXTS


def test_likeness_tells_the_code_from_its_neighbours():
    rebate = rebate_of(draw_strip(TEXTS, 80.0))
    for one in seen_on(rebate):
        bits = reference_tracks(one.text)[1]
        right = fit_track(rebate, one.x, one.module, LAYOUT.clock, bits).match
        assert right > 0.95
        for place in range(bits.size):
            other = bits.copy()
            other[place] ^= True
            assert fit_track(rebate, one.x, one.module, LAYOUT.clock, other).match < right


@pytest.mark.parametrize("place", range(31))
def test_any_single_wrong_bit_is_noticed(place):
    clock, data = (track.copy() for track in reference_tracks(TEXTS[0]))
    data[place] ^= True
    assert seen_on(rebate_of(draw_strip(TEXTS[:1], 20.0, tracks={0: (clock, data)}))) == []


def test_a_code_without_a_product_is_none():
    tracks = {0: (bits_of(LAYOUT.clock), encode(LAYOUT, 0, 3, 20))}
    assert seen_on(rebate_of(draw_strip(TEXTS[:1], 20.0, tracks=tracks)), 1) == []


@pytest.mark.parametrize("seed", range(4))
def test_noise_holds_no_code(seed):
    noise = np.random.default_rng(seed).normal(0.0, 0.2, (44, 1400))
    assert seen_on(plain_rebate(noise)) == []


def test_empty_and_even_rebates_hold_no_code():
    assert seen_on(plain_rebate(np.zeros((44, 1400)))) == []
    bars = np.broadcast_to(np.arange(1400) // 5 % 2, (44, 1400))
    assert seen_on(plain_rebate(bars)) == []


def test_a_rebate_smaller_than_a_code_holds_none():
    assert seen_on(plain_rebate(np.eye(44, 60))) == []
    assert seen_on(plain_rebate(np.ones((2, 400)))) == []


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("px_per_mm", [5.0, 8.0, 16.0])
def test_codes_with_and_without_numbers_are_told_apart(px_per_mm, mirrored):
    look = Look(px_per_mm=px_per_mm, mirrored=mirrored)
    for texts in (["85-3"] * 4, TEXTS):
        seen = seen_on(rebate_of(draw_strip(texts, 80.0, look)))
        assert sorted(one.text for one in seen) == sorted(texts)
        for one in seen:
            module = abs(one.module) / 12.0
            assert module == pytest.approx(look.module_mm, rel=0.02)
