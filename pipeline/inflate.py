"""Deflated data unfolded in order, a piece at a time, never more than is asked for."""

from collections.abc import Iterator

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

_MOST_AT_ONCE = 1 << 20


class DataEndError(Exception):
    """Deflated data end before all that was asked for."""


class Inflated:
    """Bytes that pieces of one deflated stream (RFC 1950) unfold to."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._left = pieces, b""
        self._stream = isal_zlib.decompressobj()

    def fill(self, target: NDArray[np.uint8]) -> None:
        """Fill a dense array with the next bytes.

        Raises
        ------
        DataEndError
            There are not so many.
        isal.isal_zlib.error
            They are damaged.
        """
        flat = target.reshape(-1)
        at = 0
        while at < len(flat):
            got = self._next(min(len(flat) - at, _MOST_AT_ONCE))
            if not got:
                raise DataEndError("its data end too early")
            flat[at : at + len(got)] = np.frombuffer(got, np.uint8)
            at += len(got)

    def end(self) -> bool:
        """Read up to the end of the stream and its check; tell whether nothing came before it."""
        return not self._next(1) and bool(self._stream.eof)

    def _next(self, most: int) -> bytes:
        """Return up to so many bytes; none at the end."""
        while not self._stream.eof:
            # Without input it gives what it holds back.
            got: bytes = self._stream.decompress(self._left, most)
            self._left = self._stream.unconsumed_tail
            if got:
                return got
            if not self._left:
                self._left = next(self._pieces, b"")
            if not self._left:
                break
        return b""
