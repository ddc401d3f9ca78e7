"""The lightest film of a strip told from backdrops, reflections and veils."""

import numpy as np
import pytest

from pipeline.strip.lightest import lighter_film

PX_PER_MM = 8.0
ROWS, COLUMNS, REBATE = 480, 900, 22


def view(backdrop: float, rebate: int = REBATE, noise: float = 0.004) -> np.ndarray:
    """Return log10 light (h, w, 3) off the base: two pictures of an even backdrop, a gap."""
    off = np.zeros((ROWS, COLUMNS, 3), np.float32)
    for first, last in ((0, 430), (470, COLUMNS)):
        off[rebate : ROWS - rebate, first:last] = -backdrop
    # Subjects are as dark as they like.
    off[150:400, 100:250] = off[120:400, 600:800] = -0.6
    rng = np.random.default_rng(3)
    return off + rng.normal(0, noise, off.shape).astype(np.float32)


def kept(off: np.ndarray) -> np.ndarray:
    """Return which readings of a view are kept for base."""
    like = np.abs(off).max(axis=2) < 0.12
    return lighter_film(off, like, PX_PER_MM)


@pytest.mark.parametrize("backdrop", [0.03, 0.06, 0.1])
@pytest.mark.parametrize("rebate", [REBATE, 0])
def test_a_backdrop_inside_pictures_is_no_base(backdrop, rebate):
    off = view(backdrop, rebate)
    found = kept(off)
    level = np.median(off[found], axis=0)
    assert level == pytest.approx([0, 0, 0], abs=0.004)
    assert found[:, 440:460].mean() > 0.95
    assert found[100:140, 300:420].mean() < 0.02


def test_a_lighter_spot_leaves_the_base():
    off = view(0.6)
    off[200:300, 300:400] = 0.06
    found = kept(off)
    assert found[:, 440:460].mean() > 0.95
    assert found[2:20].mean() > 0.95


def test_film_that_grows_lighter_along_the_strip_is_one():
    off = view(0.6) + np.linspace(0, 0.05, COLUMNS, dtype=np.float32)[:, None]
    assert (kept(off) == (np.abs(off).max(axis=2) < 0.12)).all()


def test_print_and_holes_leave_the_rebate_a_line():
    off = view(0.05)
    off[6:14, ::3] = -0.4
    off[4:18, 40::60] = 0.5
    found = kept(off)
    assert np.median(off[found], axis=0) == pytest.approx([0, 0, 0], abs=0.004)


def test_nothing_in_nothing():
    off = np.full((40, 60, 3), -1.0, np.float32)
    assert not kept(off).any()


def test_gaps_under_a_lamp_that_falls_off_are_one_film():
    off = np.full((ROWS, COLUMNS, 3), -0.6, np.float32)
    for middle in (30, 240, 450, 660, 870):
        off[:, middle - 15 : middle + 15] = 0.0
    x = np.linspace(-1, 1, COLUMNS, dtype=np.float32)
    off += (-0.1 * x**2)[:, None]
    off += np.random.default_rng(5).normal(0, 0.003, off.shape).astype(np.float32)
    found = kept(off)
    assert all(found[:, at - 10 : at + 10].mean() > 0.95 for at in (30, 240, 450, 660, 870))


def test_rebates_under_a_lamp_that_falls_off_across_the_film_are_one_film():
    off = np.full((ROWS, COLUMNS, 3), -0.6, np.float32)
    off[:REBATE] = off[-REBATE:] = 0.0
    off += np.linspace(0.03, -0.03, ROWS, dtype=np.float32)[:, None, None]
    off += np.random.default_rng(6).normal(0, 0.003, off.shape).astype(np.float32)
    found = kept(off)
    assert found[4:18].mean() > 0.95
    assert found[-18:-4].mean() > 0.95
