"""Bars of a holder across the film, drawn by hand over gaps, beside light-struck film."""

import numpy as np
import pytest

from pipeline.frame.bridge import without_bridges
from pipeline.frame.columns import evidence
from pipeline.frame.frames import find_frames
from pipeline.profile.format import formats_on
from tests.frame.drawn import BOTTOM, FILM, HEIGHT, PX_PER_MM, TOP

GAP_MM = 2.0
PICTURES_MM = ((2.0, 38.0), (40.0, 76.0), (78.0, 114.0))


def strip(bars_mm=(), opaque: float = 2.6) -> np.ndarray:
    """Return density above base (h, w) of three pictures, under opaque bars from edge to edge."""
    above = np.random.default_rng(1).normal(0, 0.003, (HEIGHT, round(116.0 * PX_PER_MM)))
    for start, end in PICTURES_MM:
        above[TOP:BOTTOM, round(start * PX_PER_MM) : round(end * PX_PER_MM)] += 0.7
    for start, end in bars_mm:
        above[:, round(start * PX_PER_MM) : round(end * PX_PER_MM)] = opaque
    return above.astype(np.float32)


def found(above: np.ndarray):
    seen = evidence(np.repeat(above[..., None], 3, axis=2), FILM, PX_PER_MM, 0.003)
    return find_frames(seen, formats_on("135")).frames


def test_pictures_end_before_the_bars_over_their_gaps():
    frames = found(strip(((38.6, 39.4), (76.6, 77.4))))
    for frame, (start, end) in zip(frames, PICTURES_MM, strict=True):
        true = (start * PX_PER_MM - 0.5, end * PX_PER_MM - 0.5)
        assert (frame.start, frame.end) == pytest.approx(true, abs=0.15 * PX_PER_MM)


def test_film_that_light_struck_and_dense_pictures_are_left():
    struck = strip()
    struck[:, -90:] = 2.2
    between_holes = strip()
    between_holes[:, -90:] = 2.2
    between_holes[5:25, -80:-60] = between_holes[5:25, -50:-30] = -0.5
    dense = strip()
    dense[TOP:BOTTOM, 300:310] = 2.8
    for above in (strip(), struck, between_holes, dense):
        assert without_bridges(above, PX_PER_MM, GAP_MM)[0] is above


def test_only_what_a_bar_covers_is_taken_for_base():
    above = strip(((38.5, 39.5),))
    kept = above.copy()
    shown, covered = without_bridges(above, PX_PER_MM, GAP_MM)
    changed = np.flatnonzero((shown != above).any(axis=0))
    assert np.array_equal(changed, np.flatnonzero(covered))
    assert 229 <= changed[0] <= 231
    assert 236 <= changed[-1] <= 239
    assert np.array_equal(above, kept)


def test_tape_over_the_edges_of_pictures_tells_nothing_of_them():
    """A splice's tape reaches 1.5 mm into both pictures; their length tells where they end."""
    above = strip(((36.5, 41.5),))
    assert without_bridges(above, PX_PER_MM, GAP_MM)[0] is above


def test_wide_bars_tell_about_where_pictures_lie_and_that_their_edges_are_hidden():
    """Bars of 3.6 mm reach 0.8 mm into the pictures on both sides: any end under them will do."""
    above = strip(((37.2, 40.8), (75.2, 78.8)))
    assert without_bridges(above, PX_PER_MM, GAP_MM)[1].any()
    frames = found(above)
    seen_mm = ((2.0, 37.2), (40.8, 75.2), (78.8, 114.0))
    for frame, (start, end), (first, last) in zip(frames, PICTURES_MM, seen_mm, strict=True):
        assert start - 0.25 < (frame.start + 0.5) / PX_PER_MM < first + 0.25
        assert last - 0.25 < (frame.end + 0.5) / PX_PER_MM < end + 0.25
        assert frame.confidence < 0.95


def test_a_bar_beside_which_one_picture_leaves_no_base_is_one():
    above = strip(((38.5, 39.9),))
    above[:, round(39.9 * PX_PER_MM) : round(76.0 * PX_PER_MM)] = 0.6
    _, covered = without_bridges(above, PX_PER_MM, GAP_MM)
    assert covered.any()
    struck = above.copy()
    struck[:, round(39.9 * PX_PER_MM) : round(76.0 * PX_PER_MM)] = 1.6
    assert not without_bridges(struck, PX_PER_MM, GAP_MM)[1].any()


def test_an_edge_under_a_bar_is_told_by_the_others_and_doubted_without_them():
    """A bar over a gap covers the rim of the picture beside it: its border is no gate's."""
    frames = found(strip(((37.4, 38.8), (76.6, 77.4))))
    assert frames[0].end == pytest.approx(38.0 * PX_PER_MM - 0.5, abs=0.15 * PX_PER_MM)
    alone = strip(((37.4, 38.8),))[:, : round(39.6 * PX_PER_MM)]
    (lone,) = found(alone)
    assert lone.confidence < 0.9
