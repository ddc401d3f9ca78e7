"""The headers of JPEG XL (ISO/IEC 18181-1, annex on image headers, from memory)."""

from dataclasses import dataclass
from fractions import Fraction

from pipeline.scan.container import DamageError

_START = b"\xff\x0a"
_RATIOS = (
    Fraction(1), Fraction(12, 10), Fraction(4, 3), Fraction(3, 2),
    Fraction(16, 9), Fraction(5, 4), Fraction(2),
)  # fmt: skip
_SRGB, _GREY_SPACE, _XYB_SPACE, _CUSTOM = 13, 1, 2, 2
_ALPHA, _SPOT, _MOSAIC = 0, 2, 5
# Enough for all headers before the coded profile.
_HEADER_BYTES = 4096


class NoStill(ValueError):
    """The file is sound, but no single picture: it says what it is."""


@dataclass(frozen=True)
class JxlHeader:
    """What the headers say: size in pixels as stored, bits, channels, orientation 1 to 8.

    `transfer` is a number of ITU-T H.273, table 3, `gamma` the exponent from light to codes; both
    are None where a colour profile is packed among the data.
    """

    width: int
    height: int
    bits: int = 8
    floating: bool = False
    channels: int = 3
    orientation: int = 1
    transfer: int | None = _SRGB
    gamma: float | None = None


def jxl_header(codestream: bytes) -> JxlHeader:
    """Return what the first bytes of a codestream say.

    Raises
    ------
    DamageError
        They are no such headers.
    NoStill
        They are of an animation or hold a preview.
    """
    if not codestream.startswith(_START):
        raise DamageError("it is no JPEG XL picture")
    bits = _Bits(codestream[2:_HEADER_BYTES])
    width, height = _size(bits)
    if bits.flag():
        return JxlHeader(width, height)
    orientation = 1
    if bits.flag():
        orientation = 1 + bits.take(3)
        if bits.flag():
            _size(bits)
        if bits.flag():
            raise NoStill("holds a small preview before its picture")
        if bits.flag():
            raise NoStill("is an animation")
    floating, depth = _depth(bits)
    bits.flag()
    extras = [_extra(bits) for _ in range(bits.choose((0, 0), (1, 0), (2, 4), (1, 12)))]
    bits.flag()
    grey, transfer, gamma = _colour(bits)
    channels = (1 if grey else 3) + extras.count(_ALPHA)
    return JxlHeader(width, height, depth, floating, channels, orientation, transfer, gamma)


class _Bits:
    """Bits of a stream, the lowest of each byte first."""

    def __init__(self, data: bytes) -> None:
        self._left, self._count = int.from_bytes(data, "little"), 8 * len(data)

    def take(self, count: int) -> int:
        """Return the next number of so many bits."""
        if count > self._count:
            raise DamageError("it is cut short")
        value = self._left & ((1 << count) - 1)
        self._left >>= count
        self._count -= count
        return value

    def flag(self) -> bool:
        return bool(self.take(1))

    def choose(self, *ways: tuple[int, int]) -> int:
        """Return a number in one of four ways: an offset, and bits added to it."""
        offset, count = ways[self.take(2)]
        return offset + self.take(count)

    def name(self) -> int:
        """Return one of a list of names."""
        return self.choose((0, 0), (1, 0), (2, 4), (18, 6))


def _size(bits: _Bits) -> tuple[int, int]:
    small = bits.flag()

    def side() -> int:
        return 8 * (1 + bits.take(5)) if small else bits.choose((1, 9), (1, 13), (1, 18), (1, 30))

    height = side()
    ratio = bits.take(3)
    return (int(height * _RATIOS[ratio - 1]) if ratio else side()), height


def _depth(bits: _Bits) -> tuple[bool, int]:
    if not bits.flag():
        return False, bits.choose((8, 0), (10, 0), (12, 0), (1, 6))
    depth = bits.choose((32, 0), (16, 0), (24, 0), (1, 6))
    bits.take(4)
    return True, depth


def _extra(bits: _Bits) -> int:
    """Pass over a channel besides the colours; return its kind."""
    if bits.flag():
        return _ALPHA
    kind = bits.name()
    _depth(bits)
    bits.choose((0, 0), (3, 0), (4, 0), (1, 3))
    bits.take(8 * bits.choose((0, 0), (0, 4), (16, 5), (48, 10)))
    if kind == _ALPHA:
        bits.flag()
    elif kind == _SPOT:
        bits.take(64)
    elif kind == _MOSAIC:
        bits.choose((1, 0), (0, 2), (3, 4), (19, 8))
    return kind


def _colour(bits: _Bits) -> tuple[bool, int | None, float | None]:
    """Return whether it is grey, its transfer and its exponent."""
    if bits.flag():
        return False, _SRGB, None
    packed, space = bits.flag(), bits.name()
    grey = space == _GREY_SPACE
    if packed or space == _XYB_SPACE:
        return grey, None, None
    if bits.name() == _CUSTOM:
        _points(bits, 1)
    if not grey and bits.name() == _CUSTOM:
        _points(bits, 3)
    if bits.flag():
        return grey, None, bits.take(24) / 1e7
    return grey, bits.name(), None


def _points(bits: _Bits, count: int) -> None:
    for _ in range(2 * count):
        bits.choose((0, 19), (1 << 19, 19), (1 << 20, 20), (1 << 21, 21))
