"""The compiled loops that pack differences of pixels as deflate; importing them loads the compiler.

One block of RFC 1951 with codes of its own and without matches.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled, index
from pipeline.kinds import Codes

Samples = NDArray[np.uint16]
Words = NDArray[np.uint64]
Table = NDArray[np.uint32]
Whole = NDArray[np.int64]

# So the codes of two bytes fit into 32 bits above their length, and four into a word.
_LONGEST = 12
_BYTES, _END, _SYMBOLS = 256, 256, 257
# So short that sums of 32 bits hold what Adler-32 weighs of it.
_STRETCH = 128
# Where more than one difference of so many is 0, a search for bytes that were there before packs
# better: of noise about a level, files are 1 % smaller by it where it spreads over 30 codes, 10 %
# where over 10.
_FLAT = 64
# Of so many rows the bytes of one are counted.
_ROWS_A_COUNT = 8
_ADLER = 65521
# RFC 1950: deflate, a window of 32 kB, the fastest way.
_ZLIB_HEAD = 0x0178
_LENGTH_BITS, _LENGTH_MASK = np.uint64(7), np.uint64(127)
_SIX, _IN_WORD, _WORD = np.uint64(6), np.uint64(63), np.uint64(64)


@compiled(fast=True)
def _differ(row: Samples, apart: int, differences: Samples) -> None:
    """Fill in differences of samples so far apart (TIFF 6.0, section 14)."""
    for at in range(index(apart)):
        differences[at] = row[at]
    for at in range(index(apart), index(len(row))):
        differences[at] = row[at] - row[at - index(apart)]


@compiled(fast=True)
def _count(samples: Samples, counts: Whole) -> int:
    """Count bytes; return how many samples are 0."""
    flat = 0
    for sample in samples:
        counts[index(sample & np.uint16(255))] += 1
        counts[index(sample >> np.uint16(8))] += 1
        flat += int(sample == 0)
    return flat


@compiled()
def _lengths_of(counts: Whole, order: Whole) -> Whole:
    """Return lengths of codes for symbols whose counts rise in `order`.

    Huffman's way with two queues: symbols, and those that were joined, which rise as well.
    """
    used, lengths = len(order), np.zeros(_SYMBOLS, np.int64)
    weights, parents = np.empty(2 * used, np.int64), np.zeros(2 * used, np.int64)
    weights[:used] = counts[order]
    single, joined = 0, used
    for made in range(used, 2 * used - 1):
        weights[made] = 0
        for _ in range(2):
            if single < used and (joined >= made or weights[single] <= weights[joined]):
                least, single = single, single + 1
            else:
                least, joined = joined, joined + 1
            weights[made] += weights[least]
            parents[least] = made
    depths = np.zeros(2 * used, np.int64)
    for at in range(2 * used - 3, -1, -1):
        depths[at] = depths[parents[at]] + 1
    for at in range(used):
        lengths[order[at]] = min(depths[at], _LONGEST)
    return lengths


@compiled()
def _complete(lengths: Whole, order: Whole) -> None:
    """Make lengths that were cut to the longest a whole set of codes, no more and no less."""
    room = 1 << _LONGEST
    for symbol in order:
        room -= 1 << (_LONGEST - lengths[symbol])
    for symbol in order:
        while room < 0 and lengths[symbol] < _LONGEST:
            lengths[symbol] += 1
            room += 1 << (_LONGEST - lengths[symbol])
    for symbol in order[::-1]:
        while lengths[symbol] > 1 and room >= 1 << (_LONGEST - lengths[symbol]):
            room -= 1 << (_LONGEST - lengths[symbol])
            lengths[symbol] -= 1


@compiled()
def _turned(code: int, length: int) -> int:
    """Return a code with its first bit lowest, as the stream has it."""
    turned = 0
    for bit in range(length):
        turned |= ((code >> bit) & 1) << (length - 1 - bit)
    return turned


@compiled()
def _codes_of(lengths: Whole) -> Whole:
    """Return the codes of lengths (RFC 1951, 3.2.2), first bits lowest."""
    codes, following = np.zeros(len(lengths), np.int64), np.zeros(_LONGEST + 1, np.int64)
    for length in lengths:
        following[length] += length > 0
    code, before = 0, 0
    for length in range(1, _LONGEST + 1):
        code, before = (code + before) << 1, following[length]
        following[length] = code
    for symbol in range(len(lengths)):
        codes[symbol] = _turned(following[lengths[symbol]], lengths[symbol])
        following[lengths[symbol]] += 1
    return codes


@compiled()
def _put(words: Words, state: Words, bits: int, count: int) -> None:
    """Add so many bits; `state` (3) is the word that fills, its bits so far, and its place."""
    more, used = np.uint64(bits), state[1]
    state[0] |= more << used
    state[1] += np.uint64(count)
    if state[1] > _IN_WORD:
        words[state[2]] = state[0]
        state[0], state[2] = more >> (_WORD - used), state[2] + np.uint64(1)
        state[1] &= _IN_WORD


@compiled()
def _begin(words: Words, state: Words, lengths: Whole) -> None:
    """Put the heads of stream and block, and the lengths of codes (RFC 1951, 3.2.7)."""
    _put(words, state, _ZLIB_HEAD, 16)
    # The last block, codes of its own: 257 symbols, one distance, 19 lengths of lengths.
    _put(words, state, 1 | 2 << 1 | (_SYMBOLS - 257) << 3 | (1 - 1) << 8 | (19 - 4) << 13, 17)
    # None for repetitions; lengths 0 to 15 are themselves, in four bits.
    _put(words, state, 0, 9)
    for _ in range(16):
        _put(words, state, 4, 3)
    for length in lengths:
        _put(words, state, _turned(length, 4), 4)
    # The distance, which never comes up, has none.
    _put(words, state, _turned(0, 4), 4)


@compiled()
def _pairs_of(lengths: Whole, codes: Whole, table: Table) -> None:
    """Fill codes of samples, low byte first, above seven bits of their length."""
    for high in range(_BYTES):
        code, length = codes[high], lengths[high]
        for low in range(_BYTES):
            both = codes[low] | (code << lengths[low])
            table[(high << 8) | low] = np.uint32((both << 7) | (length + lengths[low]))


@compiled(fast=True)
def _code(
    samples: Samples, start: int, stop: int, table: Table, words: Words, state: Words
) -> None:
    """Put an even number of samples from `start` to `stop` by the table of their codes."""
    word, used, at = state[0], state[1], state[2]
    for k in range(index(start), index(stop), 2):
        one, other = np.uint64(table[samples[k]]), np.uint64(table[samples[k + index(1)]])
        bits = (one >> _LENGTH_BITS) | ((other >> _LENGTH_BITS) << (one & _IN_WORD))
        word |= bits << used
        words[at] = word
        filled = used + ((one + other) & _LENGTH_MASK)
        # Bits that are added to none never fill a word, so nothing is lost where that is 64 - 0.
        rest = bits >> ((_WORD - used) & _IN_WORD)
        word = rest if filled > _IN_WORD else word
        at += filled >> _SIX
        used = filled & _IN_WORD
    state[0], state[1], state[2] = word, used, at


@compiled(fast=True)
def _sum(samples: Samples, start: int, stop: int, sums: Whole) -> None:
    """Add samples to the two sums of Adler-32 (RFC 1950, 9)."""
    plain, weighed = np.uint32(0), np.uint32(0)
    left = np.uint32(2 * (stop - start))
    for k in range(np.uint32(stop - start)):
        sample = samples[index(start) + index(k)]
        low, high = np.uint32(sample & np.uint16(255)), np.uint32(sample >> np.uint16(8))
        plain += low + high
        weighed += (left - np.uint32(2) * k) * (low + high) - high
    sums[1] = (sums[1] + np.int64(left) * sums[0] + np.int64(weighed)) % _ADLER
    sums[0] = (sums[0] + np.int64(plain)) % _ADLER


@compiled()
def _put_row(samples: Samples, table: Table, words: Words, state: Words, sums: Whole) -> None:
    """Put the differences of a row, stretch by stretch."""
    for start in range(0, len(samples), _STRETCH):
        stop = min(start + _STRETCH, len(samples))
        even = stop - (stop - start) % 2
        _sum(samples, start, stop, sums)
        _code(samples, start, even, table, words, state)
        if even < stop:
            both = int(table[samples[even]])
            _put(words, state, both >> 7, both & 127)


@compiled()
def _codes_for(rows: Codes, apart: int, differences: Samples) -> tuple[Whole, Whole]:
    """Return lengths and codes for rows by the bytes of some of them; none for what is flat."""
    counts, seen, flat = np.zeros(_SYMBOLS, np.int64), 0, 0
    for row in range(min(len(rows), _ROWS_A_COUNT) // 2, len(rows), _ROWS_A_COUNT):
        _differ(rows[row], apart, differences)
        flat += _count(differences, counts)
        seen += len(differences)
    # What may come up in rows that were not counted, and the end.
    counts += 1
    order = np.argsort(counts, kind="mergesort")
    lengths = _lengths_of(counts, order)
    _complete(lengths, order)
    if flat * _FLAT > seen:
        lengths = lengths[:0]
    return lengths, _codes_of(lengths)


@compiled("int64(uint16[:,::1], int64, uint32[::1], uint64[::1])")
def packed_rows(rows: Codes, apart: int, table: Table, words: Words) -> int:
    """Fill words with a zlib stream of the differences of rows; return its bytes.

    None are returned where other ways of packing suit the rows better.

    Parameters
    ----------
    rows
        Samples (n, columns times samples), which are told low byte first.
    apart
        Samples of a pixel.
    table
        Scratch of 65536.
    words
        Of 64 bits, first bits lowest: as many as `deflate.most_words` says.
    """
    state, sums = np.zeros(3, np.uint64), np.array([1, 0])
    differences = np.empty(rows.shape[1], np.uint16)
    lengths, codes = _codes_for(rows, apart, differences)
    if not len(lengths):
        return 0
    _begin(words, state, lengths)
    _pairs_of(lengths, codes, table)
    for row in range(len(rows)):
        _differ(rows[row], apart, differences)
        _put_row(differences, table, words, state, sums)
    _put(words, state, codes[_END], lengths[_END])
    _put(words, state, 0, int((_WORD - state[1]) & np.uint64(7)))
    for byte in (sums[1] >> 8, sums[1] & 255, sums[0] >> 8, sums[0] & 255):
        _put(words, state, byte, 8)
    words[state[2]] = state[0]
    return int(state[2] << np.uint64(3)) + int(state[1] >> np.uint64(3))
