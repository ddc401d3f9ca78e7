"""Deflated data in order, against the standard library's zlib."""

import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from isal import isal_zlib
from numpy.testing import assert_array_equal

from pipeline.inflate import DataEndError, Inflated


def pieces(data: bytes, size: int):
    return (data[at : at + size] for at in range(0, len(data), size))


@given(st.binary(max_size=3000), st.integers(1, 700), st.data())
def test_it_is_what_zlib_unfolds(plain: bytes, size: int, data):
    repeated = plain * data.draw(st.integers(1, 20))
    stream = Inflated(pieces(zlib.compress(repeated, data.draw(st.integers(0, 9))), size))
    got, at = np.zeros(len(repeated), np.uint8), 0
    while at < len(got):
        count = data.draw(st.integers(1, len(got) - at))
        stream.fill(got[at : at + count])
        at += count
    assert got.tobytes() == repeated
    assert stream.end()


def test_several_rows_are_filled_at_once():
    plain = np.random.default_rng(1).integers(0, 9, (700, 5000), np.uint8)
    got = np.zeros_like(plain)
    Inflated(pieces(zlib.compress(plain.tobytes()), 1000)).fill(got)
    assert_array_equal(got, plain)


def test_data_that_end_too_early_or_late_are_told():
    packed = zlib.compress(bytes(1000))
    with pytest.raises(DataEndError):
        Inflated(pieces(packed, 3)).fill(np.zeros(1001, np.uint8))
    with pytest.raises(DataEndError):
        Inflated(pieces(packed[:-8], 3)).fill(np.zeros(1001, np.uint8))
    early = Inflated(pieces(packed, 3))
    early.fill(np.zeros(999, np.uint8))
    assert not early.end()
    cut = Inflated(pieces(packed[:-2], 3))
    cut.fill(np.zeros(1000, np.uint8))
    assert not cut.end()


def test_a_wrong_check_is_refused():
    packed = bytearray(zlib.compress(bytes(1000)))
    packed[-1] ^= 1
    stream = Inflated(pieces(bytes(packed), 100))

    def read():
        stream.fill(np.zeros(1000, np.uint8))
        stream.end()

    with pytest.raises(isal_zlib.error):
        read()
