"""What a picture file says about one page of itself, whatever its format."""

import errno
import math
import os
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Protocol

from pipeline.kinds import Codes, Span
from pipeline.problem import Problem, ScanProblem
from pipeline.scan.encoding import Encoding

# A strip of three frames of 6x9 at 9600 ppi has 2.8 thousand million.
_LARGEST_PIXELS = 3_000_000_000
# Deflate packs at most 1032 to 1 and LZW about 2500 to 1; no scan comes near either.
_LARGEST_PACKING = 4000
# Of large scans, which have grain or at least noise (common practice, no source), none packs so
# well by far, and what does is made to fill the memory.
_USUAL_PACKING, _LARGE_BYTES = 200, 512 << 20
# Decodes above this, the size of a large tile, wait for one another; memory is the process's, so
# the lock is as well. It holds nothing.
MUCH_BYTES = 64 << 20
# A run holds about 200 MB besides, and is to hold 600 at the most.
_TOLD_BYTES = 400 << 20
_TURN = threading.RLock()
# What the system answers to places in a file that can't be.
_OF_NONSENSE = (errno.EINVAL, errno.EOVERFLOW)


@dataclass(frozen=True)
class Container:
    """What is done with all pages of one kind of file, and what holds for them.

    `opened` opens a page for reading windows; its last argument promises bands of rows from the
    top downwards, as a whole. `in_parts` tells that strips or tiles can be decoded apart,
    `linear` that codes of more than 8 bits are light unless the file says otherwise, `lossy` that
    a page notes by itself what it has lost. `held` are the bytes that decoding holds for each byte
    of the picture, at the most (measured); 0 where rows or parts are decoded apart.
    """

    opened: "Opened"
    in_parts: bool = False
    linear: bool = False
    lossy: bool = False
    held: float = 0.0


@dataclass(frozen=True)
class CameraExposure:
    """What a camera exposed a picture with: seconds, f-number and ISO speed, None if not told."""

    time_s: float | None = None
    f_number: float | None = None
    speed: float | None = None

    def stops_over(self, other: "CameraExposure") -> float | None:
        """Return how many stops more light it records than another; None if either tells not.

        A lens that tells no f-number, as one without contacts, is taken as left alone.
        """
        if not (self.time_s and other.time_s):
            return None
        speeds = self.speed or 1.0, other.speed or 1.0
        stops = math.log2(self.time_s / other.time_s) + math.log2(speeds[0] / speeds[1])
        if self.f_number and other.f_number:
            stops -= 2.0 * math.log2(self.f_number / other.f_number)
        return stops


@dataclass(frozen=True)
class Page:
    """One colour picture of a file, as its tags describe it.

    `block` are the rows and columns that can be decoded apart, None if pixels lie plainly.
    `directory` says where in a TIFF it is: position in the chain, then in the sub-chain.
    `bits` are those of one sample, `samples` the channels stored, `held_bytes` those that decoding
    holds if it can't be done in parts. `encoding` is None where the file says nothing. `device`
    holds make, model and software where the file names them; `notes` are plain warnings.
    """

    container: Container
    width: int
    height: int
    bits: int
    samples: int
    block: Span | None
    held_bytes: int = 0
    floating: bool = False
    directory: tuple[int, ...] = ()
    infrared_directory: tuple[int, ...] | None = None
    infrared_sample: int | None = None
    infrared_bits: int = 16
    ppi: float | None = None
    encoding: Encoding | None = None
    orientation: int = 1
    digitized: datetime | None = None
    device: dict[str, str] = field(default_factory=dict, hash=False)
    exposure: CameraExposure = CameraExposure()
    notes: tuple[str, ...] = ()

    @property
    def device_name(self) -> str | None:
        """Return make and model of scanner or camera, None where the file names none.

        Software is left out: it has many versions, and one scanner may be driven by several.
        """
        told = (self.device.get(name) for name in ("make", "model"))
        return " ".join(word for word in told if word) or None


class Reader(Protocol):
    """An open page, from which windows are read."""

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""

    def both(self, rows: Span, columns: Span) -> tuple[Codes, Codes]:
        """Return the codes of R, G and B and those of the infra-red plane, (rows, columns)."""


Opened = Callable[[Path, Page, bool], AbstractContextManager[Reader]]


class DamageError(ValueError):
    """What is wrong with a file's data, in words for the user."""


class OfColour:
    """A reader of a format that carries no infra-red plane."""

    def both(self, rows: Span, columns: Span) -> tuple[Codes, Codes]:
        """Raise, since these formats carry no infra-red plane."""
        raise ValueError("the page has no infra-red plane")


class Source(Protocol):
    """Something else than its file that a scan's pixels are read from."""

    def opened(self) -> AbstractContextManager[Reader]:
        """Open it for reading windows; for one thread at a time."""


@contextmanager
def in_turn(decoded_bytes: int) -> Iterator[None]:
    """Let only one decode go on in this process of those that take much memory."""
    if decoded_bytes < MUCH_BYTES:
        yield
        return
    with _TURN:
        yield


@contextmanager
def guarded(path: Path) -> Iterator[None]:
    """Turn whatever a broken file makes a decoder raise into a `ScanProblem`."""
    try:
        yield
    except Problem:
        raise
    except FileNotFoundError as error:
        raise ScanProblem(path, "there is no such file", "check the name") from error
    except PermissionError as error:
        raise ScanProblem(path, "may not be read", "change its permissions") from error
    except MemoryError as error:
        raise ScanProblem(
            path, "does not fit in memory", "save it as a TIFF in strips or tiles"
        ) from error
    except UnicodeEncodeError as error:
        raise ScanProblem(path, "has a name that is no UTF-8 text", "rename it") from error
    # Decoders of damaged files raise nearly anything, and all of it means the same here.
    except Exception as error:
        if isinstance(error, OSError) and error.errno == errno.ELOOP:
            raise ScanProblem(
                path, "is a link that leads back to itself", "give the scan itself"
            ) from error
        if isinstance(error, OSError) and error.errno not in (None, *_OF_NONSENSE):
            raise ScanProblem(
                path, f"can't be read ({os.strerror(error.errno)})", "check its name and its disk"
            ) from error
        raise broken(path, f"is damaged ({_reason(error)})") from error


def _reason(error: Exception) -> str:
    """Return what is wrong in plain words: what a library says of it means nothing to users."""
    if isinstance(error, DamageError):
        return str(error)
    if isinstance(error, (TypeError, LookupError, ArithmeticError, AttributeError, struct.error)):
        return "its tags make no sense"
    return "its data end too early or make no sense"


def broken(path: Path, what: str) -> ScanProblem:
    """Return the problem of a file that only another copy or scan can mend."""
    return ScanProblem(path, what, "copy the file again or scan again")


def check_dimensions(path: Path, width: int, height: int, stored_bytes: int, wanted: int) -> None:
    """Raise if a picture is empty, absurdly large or larger than its data can hold.

    Parameters
    ----------
    stored_bytes, wanted
        Bytes of the picture as stored and decoded.
    """
    if width <= 0 or height <= 0:
        raise broken(path, f"holds a picture of {width} x {height} pixels")
    if width * height > _LARGEST_PIXELS:
        raise ScanProblem(
            path,
            f"claims {width} x {height} pixels, more than any scan has",
            "scan one strip a file",
        )
    packing = _USUAL_PACKING if wanted > _LARGE_BYTES else _LARGEST_PACKING
    if wanted > packing * stored_bytes:
        raise broken(path, f"claims {width} x {height} pixels in {stored_bytes} bytes of data")


def check_decoded(path: Path, decoded_bytes: int) -> tuple[str, ...]:
    """Return notes on what has to be decoded in one piece and takes so much memory.

    Raises
    ------
    ScanProblem
        It takes more than half of the memory there is.
    """
    size = f"{decoded_bytes / 1e9:.1f} GB of memory"
    if decoded_bytes > _memory_bytes() // 2:
        raise ScanProblem(path, f"takes {size} to decode", "save it as a TIFF without compression")
    if decoded_bytes < _TOLD_BYTES:
        return ()
    return (f"takes {size} to decode: as a TIFF without compression it would take little",)


def _memory_bytes() -> float:
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):
        return math.inf


def check_colour(path: Path, channels: int) -> None:
    """Raise if a picture hasn't red, green and blue."""
    if channels == 1:
        raise ScanProblem(path, "has one channel", "scan as colour, not as black and white")
    if channels not in (3, 4):
        raise ScanProblem(path, f"has {channels} channels", "scan as RGB colour")
