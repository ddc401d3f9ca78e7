"""What unfolds the packed data of TIFF strips, a piece after another."""

import lzma
import sys
from collections.abc import Callable
from typing import Protocol

from isal import igzip_lib

# TIFF 6.0, sections 9, 13 and 14, and technical note 2: LZW, deflate, its older number, packbits;
# LZMA and zstd as tifffile writes them.
_LZW, DEFLATE, _OLD_DEFLATE, _PACKBITS, _LZMA, _ZSTD = 5, 8, 32946, 32773, 34925, 50000
# The largest window of the usual levels takes 65 MB.
_MOST_LZMA_BYTES = 128 << 20


class Decoder(Protocol):
    """What unfolds a stream, a piece after another, as the standard library's decoders do it."""

    @property
    def eof(self) -> bool:
        """Tell whether the stream has ended."""

    def decompress(self, data: bytes, most: int, /) -> bytes:
        """Return up to so many bytes; what it can't use of the data yet is kept."""


def decoder_of(scheme: int) -> Decoder:
    """Return what unfolds a strip that is packed after a scheme, a number of TIFF.

    Raises
    ------
    KeyError
        None is known that unfolds it piece by piece.
    """
    return _DECODERS[scheme]()


def is_unfolded(scheme: int) -> bool:
    """Tell whether strips that are packed after a scheme can be unfolded piece by piece."""
    return scheme in _DECODERS


def may_lack_end(scheme: int) -> bool:
    """Tell whether what is packed so may stop without an end or a check."""
    return scheme in (_LZW, _PACKBITS)


def _deflate() -> Decoder:
    return igzip_lib.IgzipDecompressor(flag=igzip_lib.DECOMP_ZLIB)


def _lzw() -> Decoder:
    from pipeline.scan.lzw import LzwDecoder

    return LzwDecoder()


def _packbits() -> Decoder:
    from pipeline.scan.packbits import PackBitsDecoder

    return PackBitsDecoder()


def _lzma() -> Decoder:
    return lzma.LZMADecompressor(memlimit=_MOST_LZMA_BYTES)


def _zstd() -> Decoder:
    if sys.version_info >= (3, 14):
        from compression.zstd import ZstdDecompressor
    else:
        from backports.zstd import ZstdDecompressor

    return ZstdDecompressor()


_DECODERS: dict[int, Callable[[], Decoder]] = {
    _LZW: _lzw,
    DEFLATE: _deflate,
    _OLD_DEFLATE: _deflate,
    _PACKBITS: _packbits,
    _LZMA: _lzma,
    _ZSTD: _zstd,
}
