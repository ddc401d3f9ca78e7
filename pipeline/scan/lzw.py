"""LZW of TIFF strips, unfolded a piece after another; it loads the compiler."""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.scan.container import DamageError

# TIFF 6.0, section 13: codes of 9 to 12 bits, of which one empties the table and one is the end.
_CLEAR, _END, _FREE, _MOST_CODES, _MOST_BITS = 256, 257, 258, 4096, 12
_HELD, _BITS, _WIDTH, _NEXT, _LAST, _AT, _ENDED = range(7)

_Bytes = NDArray[np.uint8]
_Whole = NDArray[np.int64]


class LzwDecoder:
    """A decoder as the standard library's are."""

    eof = False

    def __init__(self) -> None:
        self._state = np.array([0, 0, 9, _FREE, -1, 0, 0], np.int64)
        self._before, self._length = np.zeros((2, _MOST_CODES), np.int64)
        self._length[:_CLEAR] = 1
        self._byte = np.zeros(_MOST_CODES, np.uint8)
        self._byte[:_CLEAR] = np.arange(_CLEAR)
        self._packed, self._over = b"", b""

    def decompress(self, data: bytes, most: int, /) -> bytes:
        """Return up to so many bytes; what it can't use of the data yet is kept.

        Raises
        ------
        DamageError
            They hold a code that means nothing.
        """
        self._packed += data
        if not self._over:
            # The last word is as long as the table at the most.
            unfolded = np.empty(most + _MOST_CODES, np.uint8)
            packed, self._state[_AT] = np.frombuffer(self._packed, np.uint8), 0
            table = self._before, self._length, self._byte
            made = unfold_lzw(packed, self._state, *table, unfolded, most)
            if made < 0:
                raise DamageError("its LZW codes make no sense")
            self._packed, self._over = self._packed[self._state[_AT] :], unfolded[:made].tobytes()
        got, self._over = self._over[:most], self._over[most:]
        self.eof = bool(self._state[_ENDED]) and not self._over
        return got


@compiled(
    "int64(Array(uint8, 1, 'C', readonly=True), int64[::1], int64[::1], int64[::1], uint8[::1],"
    " uint8[::1], int64)"
)
def unfold_lzw(
    packed: _Bytes,
    state: _Whole,
    before: _Whole,
    length: _Whole,
    byte: _Bytes,
    unfolded: _Bytes,
    most: int,
) -> int:
    """Unfold words until there are so many bytes, or no more data; return how many, -1 if broken.

    Parameters
    ----------
    state
        Bits held, how many, of how many a code is, the next free code, the last code, the place
        in `packed` and whether the end was met; changed.
    before, length, byte
        The table (4096,): the code that a word goes on from, its bytes, its last byte; changed.
    """
    held, bits, width, free, last, at = state[:6]
    made, ended = 0, 0
    while made < most:
        while bits < width and at < len(packed):
            held, bits, at = (held << 8) | np.int64(packed[at]), bits + 8, at + 1
        if bits < width:
            break
        bits -= width
        code = held >> bits
        held &= (1 << bits) - 1
        if code == _END:
            ended = 1
            break
        if code == _CLEAR:
            width, free, last = 9, _FREE, -1
            continue
        if code > free or (code >= free and last < 0):
            return -1
        # A word that is only about to be made is the last one and its own first byte.
        known = code if code < free else last
        size = length[known]
        place, walked = made + size - 1, known
        while walked >= _FREE:
            unfolded[place] = byte[walked]
            walked, place = before[walked], place - 1
        first = np.uint8(walked)
        unfolded[place] = first
        made += size
        if code == free:
            unfolded[made] = first
            made += 1
        if last >= 0 and free < _MOST_CODES:
            before[free], length[free], byte[free] = last, length[last] + 1, first
            free += 1
            if free == (1 << width) - 1 and width < _MOST_BITS:
                width += 1
        last = code
    state[:] = held, bits, width, free, last, at, ended
    return made
