"""Blocks that hold a mask, against what they are to do: cover it, and stay apart."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.dust.fill import groups, near_blocks

SHAPES = st.tuples(st.integers(1, 400), st.integers(1, 400))


def some_mask(shape: tuple[int, int], seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    mask = np.zeros(shape, bool)
    for _ in range(rng.integers(0, 6)):
        y, x = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        mask[y : y + rng.integers(1, 90), x : x + rng.integers(1, 9)] = True
    return mask


@given(SHAPES, st.integers(0, 10_000))
def test_groups_cover_a_mask_and_share_none_of_it(shape, seed):
    mask = some_mask(shape, seed)
    times = np.zeros(shape, int)
    for box in groups(mask):
        times[box] += mask[box]
    assert (times == mask).all()


@given(SHAPES, st.integers(0, 10_000))
def test_runs_cover_a_mask_once_and_lie_in_their_halo(shape, seed):
    mask = some_mask(shape, seed)
    times = np.zeros(shape, int)
    place = np.arange(mask.size).reshape(shape)
    for run, wide, inner in near_blocks(mask):
        times[run] += 1
        assert (place[wide][inner] == place[run]).all()
    assert times.max(initial=0) <= 1
    assert (times[mask] == 1).all()
