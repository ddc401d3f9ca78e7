"""Strips as zlib itself unpacks them, beside what it and others make of the same bytes."""

import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from isal import isal_zlib

from pipeline.write.deflate import Deflate


def differences(rows: np.ndarray) -> bytes:
    """Return the bytes of differences along rows (TIFF 6.0, section 14)."""
    return np.diff(rows, axis=1, prepend=np.uint16(0)).astype("<u2").tobytes()


def grain(seed: int, shape: tuple[int, ...], spread: float) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0.0, spread, shape)
    return np.clip(20000.0 + noise, 0, 65535).astype(np.uint16)


KINDS = {
    "grain": lambda seed, shape: grain(seed, shape, 900.0),
    "little grain": lambda seed, shape: grain(seed, shape, 2.0),
    "any codes": lambda seed, shape: grain(seed, shape, 1e6) ^ grain(seed + 1, shape, 1e6),
    "flat": lambda seed, shape: np.full(shape, 65535, np.uint16),
    "black": lambda seed, shape: np.zeros(shape, np.uint16),
    "specks": lambda seed, shape: grain(seed, shape, 1.0) * (grain(seed, shape, 1.0) > 20002),
    # Some bytes are far rarer than a code can tell, and yet it is long on the average.
    "steep": lambda seed, shape: (
        (2.0 ** np.random.default_rng(seed).uniform(0.0, 16.0, shape))
        .astype(np.uint16)
        .cumsum(axis=1)
        .astype(np.uint16)
    ),
}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, deadline=None)
@given(st.tuples(st.integers(1, 40), st.integers(1, 300), st.integers(1, 4)), st.integers(0, 99))
def test_zlib_unpacks_what_was_packed(kind, shape, seed):
    rows = KINDS[kind](seed, shape)
    assert zlib.decompress(Deflate().packed(rows)) == differences(rows)


def test_rows_unlike_those_that_were_counted_are_packed():
    rows = grain(0, (32, 400, 3), 1.0)
    rows[1::2] = grain(1, (16, 400, 3), 1e6)
    rows[5] = 7
    assert zlib.decompress(Deflate().packed(rows)) == differences(rows)


def test_room_is_used_again():
    deflate = Deflate()
    for shape in ((2, 9, 3), (32, 900, 3), (32, 900, 3), (5, 900, 3)):
        rows = grain(sum(shape), shape, 300.0)
        packed = deflate.packed(rows)
        assert zlib.decompress(packed) == differences(rows)
        assert bytes(packed) == bytes(Deflate().packed(rows))


@pytest.mark.parametrize("spread", [1.0, 10.0, 30.0, 100.0, 300.0, 1300.0])
def test_noise_is_packed_as_well_as_by_others(spread):
    rows = grain(3, (32, 3000, 3), spread)
    told = differences(rows)
    assert len(Deflate().packed(rows)) < 1.02 * len(isal_zlib.compress(told, 1))


def test_what_is_flat_takes_next_to_nothing():
    rows = np.full((32, 3000, 3), 40000, np.uint16)
    assert len(Deflate().packed(rows)) < rows.nbytes / 300


@pytest.mark.parametrize("share", [0.01, 0.05, 0.2, 0.5])
def test_what_is_flat_in_part_is_packed_nearly_as_well_as_by_others(share):
    rows = grain(5, (32, 3000, 3), 900.0)
    rows[:, : int(3000 * share)] = 65535
    assert len(Deflate().packed(rows)) < 1.02 * len(isal_zlib.compress(differences(rows), 1))


@pytest.mark.parametrize("kind", ["grain", "flat"])
def test_rows_may_lie_in_any_order_in_memory(kind):
    rows = KINDS[kind](6, (3, 40, 25)).transpose(2, 1, 0)[::-1, ::2]
    assert zlib.decompress(Deflate().packed(rows)) == differences(rows)
