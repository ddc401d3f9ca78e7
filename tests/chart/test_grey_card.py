"""Grey cards: even areas in pictures of density."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.chart.grey_card import GreyReading, read_grey
from tests.chart.charted import frame_density
from tests.film_model import Scene


def card_in(picture: np.ndarray) -> GreyReading | None:
    """Return what is read in the middle of a picture, if it may be a card."""
    reading = read_grey(picture)
    return reading if reading.is_even else None


def with_card(side: float, density: tuple[float, float, float], noise: float = 0.03) -> np.ndarray:
    """Return a lively picture with an even card in its middle, `side` of it wide and high."""
    rng = np.random.default_rng(5)
    picture = np.kron(rng.uniform(0.1, 1.5, (10, 15, 3)), np.ones((20, 20, 1)))
    rows, columns = picture.shape[:2]
    low, high = (1 - side) / 2, (1 + side) / 2
    place = (
        slice(round(low * rows), round(high * rows)),
        slice(round(low * columns), round(high * columns)),
    )
    picture[place] = density
    return (picture + rng.normal(0, noise, picture.shape)).astype(np.float32)


@given(
    st.floats(0.16, 0.9),
    st.tuples(st.floats(0.2, 2.0), st.floats(0.2, 2.0), st.floats(0.2, 2.0)),
)
def test_a_card_in_the_middle_is_read_whatever_its_size(side, density):
    found = card_in(with_card(side, density))
    assert found is not None
    assert found.density == pytest.approx(density, abs=0.02)
    assert found.area[2] - found.area[0] <= side + 0.05


def test_grain_makes_no_card_uneven():
    found = card_in(with_card(0.2, (0.7, 0.8, 0.9), noise=0.2))
    assert found is not None
    assert found.density == pytest.approx([0.7, 0.8, 0.9], abs=0.03)


def test_a_picture_without_a_card_has_none():
    assert card_in(with_card(0.02, (0.7, 0.7, 0.7))) is None
    assert card_in(np.zeros((60, 90, 3), np.float32)) is None
    assert card_in(frame_density("film-a", "scanner-a", "temple")) is None


def test_the_area_given_is_read_and_no_other():
    picture = with_card(0.3, (0.6, 0.7, 0.8), 0.0)
    picture[:40, :40] = (0.3, 0.4, 0.5)
    reading = read_grey(picture, (0.0, 0.0, 0.1, 0.15))
    assert reading.density == pytest.approx([0.3, 0.4, 0.5])
    assert reading.spread == pytest.approx(np.zeros(3), abs=1e-6)
    assert reading.is_even
    assert not read_grey(picture, (0.0, 0.0, 1.0, 1.0)).is_even


def test_the_smallest_area_is_read_at_the_edge_of_a_small_picture():
    picture = np.full((4, 5, 3), 0.7, np.float32)
    assert read_grey(picture, (0.98, 0.98, 1.0, 1.0)).density == pytest.approx([0.7] * 3)


def test_dust_on_a_card_hardly_changes_it():
    picture = with_card(0.5, (0.6, 0.7, 0.8))
    spots = np.random.default_rng(1).random(picture.shape[:2]) < 0.01
    picture[spots] = 0.0
    assert read_grey(picture, (0.3, 0.3, 0.7, 0.7)).density == pytest.approx(
        [0.6, 0.7, 0.8], abs=0.01
    )


# Stones, bricks, grass and leaves: scikit-image's pictures of textures, and painted leaves.
PATTERNS = ("gravel", "brick", "grass", "leaves")


@pytest.mark.parametrize("scene", PATTERNS)
@pytest.mark.parametrize("tint", [(1, 1, 1), (0.35, 0.62, 0.18), (0.8, 0.4, 0.3)])
@pytest.mark.parametrize("crop", [(0.0, 0.0, 1.0), (0.3, 0.5, 0.5)])
def test_what_has_a_pattern_is_no_card(scene, tint, crop):
    seen = frame_density("film-e", "scanner-b", Scene(scene, crop, tint=tint))
    assert not read_grey(seen).is_even
    for area in ((0.3, 0.3, 0.7, 0.7), (0.45, 0.4, 0.55, 0.5)):
        assert read_grey(seen, area).is_patterned


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"stops": -2.0},
        {"stops": 2.0},
        {"noise": 0.05},
        {"light": "A"},
        {"light": "FL2"},
        {"light": "A", "stops": -1.0, "noise": 0.04},
    ],
)
@pytest.mark.parametrize("film", ["film-b", "wide-d", "wide-g"])
@pytest.mark.parametrize("scanner", ["scanner-c", "judge-camera"])
def test_a_true_card_passes_however_it_was_taken(changes, film, scanner):
    seen = frame_density(film, scanner, "grey", **changes)
    assert read_grey(seen).is_even
    fall = np.linspace(-0.04, 0.04, seen.shape[1])[:, None] + np.zeros(3)
    assert read_grey((seen + fall).astype(np.float32)).is_even


@pytest.mark.parametrize("quality", [60, 90])
def test_a_card_passes_through_jpeg_which_takes_the_colours_of_grain(quality):
    seen = frame_density("film-b", "scanner-c", "grey", noise=0.05)
    code = np.rint(255 * (0.9 * 10.0**-seen) ** (1 / 2.2)).clip(1, 255).astype(np.uint8)
    _, file = cv2.imencode(".jpg", code, [cv2.IMWRITE_JPEG_QUALITY, quality])
    back = np.maximum(cv2.imdecode(file, cv2.IMREAD_COLOR).astype(np.float32), 1.0)
    assert read_grey((-np.log10((back / 255) ** 2.2 / 0.9)).astype(np.float32)).is_even


def test_grain_and_pattern_are_told_apart():
    rng = np.random.default_rng(4)
    shape = (80, 120, 3)
    grain = rng.normal(0.6, 0.06, shape)
    pattern = 0.6 + rng.normal(0.0, 0.06, (80, 120, 1)) + rng.normal(0.0, 0.02, shape)
    whole = (0.0, 0.0, 1.0, 1.0)
    grainy, patterned = (read_grey(p.astype(np.float32), whole) for p in (grain, pattern))
    assert grainy.grain == pytest.approx(0.06, rel=0.1)
    assert grainy.pattern < 0.02
    assert not grainy.is_patterned
    # The outermost twentieth of a normal distribution left out takes 24 % of its variance.
    assert patterned.pattern == pytest.approx(0.06 * np.sqrt(0.76), rel=0.05)
    assert patterned.grain == pytest.approx(0.02, rel=0.1)
    assert patterned.is_patterned


def test_a_card_is_read_alike_large_and_small():
    small = frame_density("film-b", "scanner-c", Scene("gravel"))
    large = np.kron(small, np.ones((4, 4, 1), np.float32))
    assert read_grey(large).pattern == pytest.approx(read_grey(small).pattern, rel=0.3)
    assert not read_grey(large).is_even
