"""Packed runs of TIFF strips, unfolded a piece after another; it loads the compiler."""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled

# TIFF 6.0, section 9: a byte below 128 is one less than how many bytes follow as they are, one
# above it 257 less how often the next byte stands; 128 means nothing.
_NOTHING = 128
_AS_THEY_ARE, _REPEATED, _BYTE, _AT = range(4)


class PackBitsDecoder:
    """A decoder as the standard library's are; of an end its data know nothing."""

    eof = False

    def __init__(self) -> None:
        self._state, self._packed = np.array([0, 0, -1, 0], np.int64), b""

    def decompress(self, data: bytes, most: int, /) -> bytes:
        """Return up to so many bytes; what it can't use of the data yet is kept."""
        self._packed += data
        unfolded, self._state[_AT] = np.empty(most, np.uint8), 0
        made = unfold_runs(np.frombuffer(self._packed, np.uint8), self._state, unfolded)
        self._packed = self._packed[self._state[_AT] :]
        return unfolded[:made].tobytes()


@compiled("int64(Array(uint8, 1, 'C', readonly=True), int64[::1], uint8[::1])")
def unfold_runs(
    packed: NDArray[np.uint8], state: NDArray[np.int64], unfolded: NDArray[np.uint8]
) -> int:
    """Unfold runs until there is no more room, or no more data; return how many bytes.

    Parameters
    ----------
    state
        Bytes still to come as they are, how often one is still to stand, which it is (-1 if it is
        the next one) and the place in `packed`; changed.
    """
    bare, often, byte, at = state[0], state[1], state[2], state[3]
    made, room, size = 0, len(unfolded), len(packed)
    while made < room:
        if bare:
            count = min(bare, room - made, size - at)
            if not count:
                break
            for k in range(count):
                unfolded[made + k] = packed[at + k]
            made, at, bare = made + count, at + count, bare - count
        elif often:
            if byte < 0:
                if at == size:
                    break
                byte, at = np.int64(packed[at]), at + 1
            count = min(often, room - made)
            for k in range(count):
                unfolded[made + k] = byte
            made, often = made + count, often - count
            if not often:
                byte = -1
        else:
            if at == size:
                break
            head, at = np.int64(packed[at]), at + 1
            if head < _NOTHING:
                bare = head + 1
            elif head > _NOTHING:
                often = 2 * _NOTHING + 1 - head
    state[0], state[1], state[2], state[3] = bare, often, byte, at
    return made
