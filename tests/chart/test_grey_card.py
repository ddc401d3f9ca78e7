"""Grey cards: even areas in pictures of density."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.chart.chart import find_grey_card, read_grey
from tests.chart.charted import frame_density


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
    found = find_grey_card(with_card(side, density))
    assert found is not None
    assert found.density == pytest.approx(density, abs=0.02)
    assert found.area[2] - found.area[0] <= side + 0.05


def test_grain_makes_no_card_uneven():
    found = find_grey_card(with_card(0.2, (0.7, 0.8, 0.9), noise=0.2))
    assert found is not None
    assert found.density == pytest.approx([0.7, 0.8, 0.9], abs=0.03)


def test_a_picture_without_a_card_has_none():
    assert find_grey_card(with_card(0.02, (0.7, 0.7, 0.7))) is None
    assert find_grey_card(np.zeros((60, 90, 3), np.float32)) is None
    assert find_grey_card(frame_density("film-a", "scanner-a", "temple")) is None


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
