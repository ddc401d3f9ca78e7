"""Signs of a roll: laws that hold for any densities. Percentiles are numpy's, spreads its std."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.diagnosis.signs import (
    SIGNS,
    PatchDensities,
    RollSigns,
    picture_blocks,
    signs_of_document,
    signs_of_ranges,
    signs_of_samples,
    told_signs,
)
from pipeline.profile.film import find_film

UNMASK = find_film("generic").unmask
PATCHES = PatchDensities((0.9, 1.0, 1.1), (0.2, 0.6, 0.9), (1.9, 2.3, 2.6))
SAMPLES = arrays(np.float64, (3, 30, 3), elements=st.floats(0.1, 1.4))


def named(signs: RollSigns) -> dict[str, float]:
    return dict(zip(SIGNS, signs.values, strict=True))


def part(signs: RollSigns, name: str) -> np.ndarray:
    return np.array([value for key, value in named(signs).items() if key.startswith(name)])


def test_medians_highlights_and_shadows_are_the_means_of_the_frames():
    rng = np.random.default_rng(1)
    frames = rng.uniform(0.1, 1.4, (4, 400, 3))
    told = signs_of_samples(list(frames), UNMASK, PATCHES)
    least, median, most = np.percentile(frames, [1, 50, 99], axis=1)
    for name, value in (
        ("median_", median),
        ("highlights_", most - median),
        ("shadows_", median - least),
    ):
        assert np.exp(part(told, name)) - 0.01 == pytest.approx(value.mean(axis=0))
    assert told.frames == 4
    assert told.known().all()


def test_of_very_many_pictures_some_blocks_are_held_and_tell_the_same():
    """Blocks of 2000 pictures take 19 MB, and as much again where they are put together."""

    def pictures():
        rng = np.random.default_rng(2)
        for _ in range(2000):
            yield rng.normal((0.7, 0.8, 0.9), (0.05, 0.1, 0.15), (400, 3)) + rng.normal(
                0.0, 0.02, 3
            )

    red, green, blue = np.concatenate(list(pictures())).T
    tracemalloc.start()
    told = signs_of_samples(pictures(), np.eye(3), PATCHES)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 15e6
    spreads = np.exp([part(told, name)[0] for name in ("roll_red_green", "roll_blue_green")])
    expected = np.std(red - green), np.std(blue - green)
    assert spreads - 0.01 == pytest.approx(expected, rel=0.01)


@given(SAMPLES, st.permutations(range(3)))
def test_order_of_pictures_says_nothing(samples, order):
    one = signs_of_samples(list(samples), UNMASK, PATCHES)
    other = signs_of_samples([samples[i] for i in order], UNMASK, PATCHES)
    assert other.values == pytest.approx(one.values)


@given(SAMPLES)
def test_ranges_tell_all_but_the_saturation(samples):
    whole = named(signs_of_samples(list(samples), UNMASK, PATCHES))
    ranges = np.percentile(samples, [1, 50, 99], axis=1)
    told = named(signs_of_ranges(*ranges, PATCHES))
    for name, value in told.items():
        if name.startswith(("frame_", "roll_")):
            assert np.isnan(value)
        else:
            assert value == pytest.approx(whole[name])


@given(SAMPLES, st.floats(0.02, 0.1))
def test_silver_in_all_channels_leaves_the_spread_of_colours(samples, more):
    """Grey density adds to the channels alike; the rows of the unmask matrix sum to 1."""
    neutral = samples.mean(axis=2, keepdims=True)
    before = named(signs_of_samples(list(samples), UNMASK, PATCHES))
    after = named(signs_of_samples(list(samples + more * neutral), UNMASK, PATCHES))
    for name in ("frame_red_green", "frame_blue_green", "roll_red_green"):
        assert after[name] == pytest.approx(before[name], abs=2e-3)
    assert after["frame_neutral"] >= before["frame_neutral"] - 1e-9


@given(SAMPLES, st.floats(0.3, 1.1))
def test_development_scales_all_that_is_above_base(samples, contrast):
    before = signs_of_samples(list(samples), UNMASK, PatchDensities((0.9, 1.0, 1.1)))
    weak = PatchDensities(tuple(contrast * value for value in (0.9, 1.0, 1.1)))
    after = signs_of_samples(list(contrast * samples), UNMASK, weak)
    known = before.known()
    grown = np.exp(np.array(after.values)[known]) - 0.01
    assert grown == pytest.approx(contrast * (np.exp(np.array(before.values)[known]) - 0.01))


def test_what_is_out_of_view_is_not_known():
    told = signs_of_samples([np.full((5, 3), 0.7)], UNMASK, PatchDensities())
    shown = {name for name, seen in zip(SIGNS, told.known(), strict=True) if seen}
    assert not any(name.startswith(("edge_print", "base", "densest_r")) for name in shown)
    assert "median_red" in shown


def test_a_roll_without_pictures_shows_only_its_patches():
    told = signs_of_samples([], UNMASK, PATCHES)
    shown = {name for name, seen in zip(SIGNS, told.known(), strict=True) if seen}
    patches = ("edge_print_", "base_", "densest_")
    channels = ("red", "green", "blue")
    assert shown == {f"{patch}{channel}" for patch in patches for channel in channels}
    assert told.frames == 0


def document(**densities) -> dict:
    frame = {
        "kind": "picture",
        "density": {"min": [0.1] * 3, "median": [0.7] * 3, "max": [1.4] * 3},
    }
    blank = frame | {"kind": "blank"}
    strips = [{"base": {"absolute": True}, "frames": [frame, frame, blank]}]
    return {"strips": strips, "densities": {"base": [0.2, 0.6, 0.9], **densities}}


def test_a_record_tells_ranges_base_and_print():
    told = signs_of_document(document(edge_print=[0.9, 1.0, 1.1]))
    rows = (np.full((2, 3), value) for value in (0.1, 0.7, 1.4))
    patches = PatchDensities((0.9, 1.0, 1.1), (0.2, 0.6, 0.9))
    assert told.values == pytest.approx(signs_of_ranges(*rows, patches).values, nan_ok=True)
    assert told.frames == 2


def test_a_relative_base_is_not_taken_for_an_absolute_one():
    relative = document()
    relative["strips"][0]["base"]["absolute"] = False
    assert np.isnan(part(signs_of_document(relative), "base_")).all()


@given(SAMPLES)
def test_signs_come_back_from_the_record_as_they_were(samples):
    signs = signs_of_samples(list(samples), UNMASK, PatchDensities((0.9, 1.0, 1.1)))
    back = signs_of_document({"strips": [], "densities": {"signs": told_signs(signs)}})
    assert back.values == pytest.approx(signs.values, nan_ok=True)
    assert back.frames == signs.frames


@pytest.mark.parametrize(
    "broken",
    [
        {"strips": 3},
        {"strips": [{"frames": [{"kind": "picture"}], "base": {"absolute": True}}]},
        {"densities": {"signs": {"median_red": "dense"}}},
        {"strips": [], "densities": {"edge_print": ["a", 1, 2]}},
        {"densities": [1]},
        {"densities": {"signs": {"median_red": 1e308}}},
        {"densities": {"signs": {"base_blue": -float("inf")}}},
        {"strips": [], "densities": {"edge_print": [0.8, 1e200, 1.6]}},
    ],
)
def test_a_record_of_something_else_is_refused(broken):
    with pytest.raises(ValueError, match=r"densities|could not convert"):
        signs_of_document(broken)


def test_what_is_too_dense_to_see_tells_no_colour():
    rng = np.random.default_rng(2)
    plain = rng.uniform(0.1, 1.0, (3, 400, 3))
    # Stray light in a scanner makes colours of what is nearly black.
    odd = np.where(rng.random((3, 400, 1)) < 0.2, rng.uniform(2.4, 4.0, (3, 400, 3)), plain)
    one, other = (signs_of_samples(list(each), UNMASK, PATCHES) for each in (plain, odd))
    assert part(other, "frame_") == pytest.approx(part(one, "frame_"), abs=0.1)
    dense = signs_of_samples([np.full((400, 3), 2.6)], UNMASK, PATCHES)
    assert np.isnan(part(dense, "frame_")).all()
    # 3.2 less the base is all that is believed.
    assert np.exp(part(dense, "median_")) - 0.01 == pytest.approx([2.6, 2.6, 2.3])


def test_blocks_are_means_of_even_parts_and_the_rim_is_left_out():
    picture = np.zeros((90, 130, 3), np.float32)
    picture[:, :65] = 0.4
    picture[:, 65:] = 0.8
    picture[:2] = picture[-2:] = 3.0
    blocks = picture_blocks(picture)
    assert 300 < len(blocks) < 500
    assert blocks.max() == pytest.approx(0.8, abs=1e-5)
    assert blocks.mean() == pytest.approx(0.6, abs=0.02)
    noisy = picture_blocks(picture + np.random.default_rng(1).normal(0, 0.1, picture.shape))
    assert np.std(noisy - blocks) < 0.05


@pytest.mark.parametrize("size", [(1, 1), (3, 200), (16, 24)])
def test_small_pictures_have_few_blocks(size):
    blocks = picture_blocks(np.full((*size, 3), 0.5))
    assert 0 < len(blocks) <= size[0] * size[1]
    assert blocks == pytest.approx(np.full(blocks.shape, 0.5))
