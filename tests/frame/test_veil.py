"""Bands of light along a strip, drawn by hand over gaps and a thin picture."""

import numpy as np
import pytest

from pipeline.frame.columns import evidence
from pipeline.frame.frames import find_frames
from pipeline.frame.veil import bands
from pipeline.profile.format import formats_on
from tests.frame.drawn import BOTTOM, FILM, HEIGHT, PX_PER_MM, TOP

NOISE = 0.004
PICTURES_MM = ((1.0, 37.0), (39.0, 75.0), (77.0, 113.0), (115.0, 151.0))
GAPS = [(round(a * PX_PER_MM) + 1, round(b * PX_PER_MM) - 1) for a, b in ((37, 39), (75, 77))]


def strip(band: float) -> np.ndarray:
    """Return density above base (h, w) of a strip that is cupped, under a band of light.

    The band lies over one rebate and the pictures' upper rows, and grows along the film.
    """
    rng = np.random.default_rng(3)
    above = rng.normal(0, NOISE, (HEIGHT, round(152 * PX_PER_MM)))
    for index, (start, end) in enumerate(PICTURES_MM):
        columns = slice(round(start * PX_PER_MM), round(end * PX_PER_MM))
        above[TOP:BOTTOM, columns] += 0.6
        if index == 1:
            # Thin all over but for specks, as leaves on bright ground are dark.
            above[TOP:BOTTOM, columns] *= (
                rng.random((BOTTOM - TOP, columns.stop - columns.start)) < 0.1
            )
    y = np.arange(HEIGHT)[:, None] / PX_PER_MM
    along = np.linspace(0.5, 1.0, above.shape[1])
    light = band * along * np.exp(-(((y - 5.0) / 1.5) ** 2))
    return (above - np.log10(1 + light)).astype(np.float32)


@pytest.mark.parametrize("band", [0.0, 0.15, 0.3])
def test_frames_under_a_band_of_light_are_found(band):
    above = np.repeat(strip(band)[..., None], 3, axis=2)
    frames = find_frames(evidence(above, FILM, PX_PER_MM, NOISE), formats_on("135")).frames
    assert len(frames) == len(PICTURES_MM)
    for frame, (start, end) in zip(frames, PICTURES_MM, strict=True):
        true = (start * PX_PER_MM - 0.5, end * PX_PER_MM - 0.5)
        assert (frame.start, frame.end) == pytest.approx(true, abs=0.15 * PX_PER_MM)


def test_bands_change_steadily_from_gap_to_gap():
    rows = np.linspace(0.02, 0.08, 100)[:, None]
    across = np.arange(700)[None] / 700
    mean = (rows * (1 + across)).astype(np.float32)
    found = bands(mean, GAPS, NOISE)
    assert found is not None
    between = slice(GAPS[0][0] + 5, GAPS[1][1] - 5)
    assert np.abs(found - mean)[:, between].max() < 0.003


@pytest.mark.parametrize("case", ["none", "one gap", "unlike", "picture", "uneven"])
def test_where_gaps_show_no_bands_or_do_not_agree_nothing_is_taken_off(case):
    mean = np.zeros((100, 700), np.float32)
    gaps = GAPS[:1] if case == "one gap" else GAPS
    for index, (first, last) in enumerate(GAPS):
        part = mean[:, first:last]
        if case == "one gap":
            part += 0.06
        elif case == "unlike":
            part += 0.1 * (index - 0.5) * np.linspace(-2, 2, 100)[:, None]
        elif case == "picture":
            part += np.linspace(0.1, 0.5, 100)[:, None]
        elif case == "uneven":
            part += np.random.default_rng(1).normal(0.06, 0.06, part.shape)
    assert bands(mean, gaps, NOISE) is None
