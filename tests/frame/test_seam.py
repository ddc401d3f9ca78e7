"""Seams of pictures that touch, on scenes drawn by hand: smooth light and shade, no base."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.frame.columns import evidence
from pipeline.frame.frames import find_frames
from pipeline.frame.seam import seams
from pipeline.profile.format import film_sizes, formats_on

PX_PER_MM, NOISE = 6.0, 0.003
FILM = film_sizes()["120"]
HEIGHT = round(FILM.width_mm * PX_PER_MM)


def scene(seed: int, columns: int) -> np.ndarray:
    """Return density (h, columns) of light and shade, on average as dense as any other."""
    rng = np.random.default_rng(seed)
    shade = gaussian_filter(rng.normal(0, 1, (HEIGHT, columns)), 8.0, mode="wrap")
    return 0.8 + 0.25 * shade / shade.std()


def touching(lengths_mm: tuple[float, ...]) -> np.ndarray:
    """Return density above base of a cut strip of pictures without gaps."""
    above = np.random.default_rng(9).normal(0, NOISE, (HEIGHT, round(sum(lengths_mm) * PX_PER_MM)))
    high = round(56.0 * PX_PER_MM)
    rows = slice((HEIGHT - high) // 2, (HEIGHT - high) // 2 + high)
    start = 0
    for seed, length in enumerate(lengths_mm):
        end = start + round(length * PX_PER_MM)
        above[rows, start:end] += scene(seed, end - start)[rows]
        start = end
    return above.astype(np.float32)


def test_a_seam_shows_in_most_rows_and_a_scene_in_few():
    above = touching((56.0, 56.0))
    found = seams(above[40:-40], NOISE, PX_PER_MM)
    assert found.shape == (above.shape[1] + 1,)
    assert abs(int(np.argmax(found)) - 336) <= 2
    assert found.max() > 0.7
    assert np.delete(found, range(330, 343)).max() < 0.55


def test_a_line_that_goes_down_half_of_the_picture_is_no_seam():
    above = scene(1, 400).astype(np.float32)
    above[: HEIGHT // 2, 200:204] -= 0.4
    assert seams(above, NOISE, PX_PER_MM).max() < 0.75


def test_clear_film_and_slivers_have_no_seams():
    clear = np.random.default_rng(1).normal(0, NOISE, (100, 200)).astype(np.float32)
    assert seams(clear, NOISE, PX_PER_MM).max() < 0.05
    assert not seams(clear[:, :12], NOISE, PX_PER_MM).any()


@pytest.mark.parametrize("lengths_mm", [(56.0, 56.0), (69.5, 69.5)])
def test_pictures_that_touch_are_not_one_of_a_longer_format(lengths_mm):
    above = touching(lengths_mm)
    seen = evidence(np.repeat(above[..., None], 3, axis=2), FILM, PX_PER_MM, NOISE)
    frames = find_frames(seen, formats_on("120")).frames
    ends = np.cumsum(lengths_mm) * PX_PER_MM - 0.5
    assert [frame.end for frame in frames] == pytest.approx(ends, abs=0.5 * PX_PER_MM)
