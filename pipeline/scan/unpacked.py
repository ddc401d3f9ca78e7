"""A compressed scan's pixels, decoded once into a scratch file that all its frames read."""

import os
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.kinds import Codes, Span
from pipeline.scan.container import Reader
from pipeline.scan.scan import Scan, opened
from pipeline.scan.stored import StoredRows
from pipeline.whole_file import PREFIX, SUFFIX, output_problem

_BAND_BYTES = 4 << 20
# The frames of a scan take at most as much room again, and another scan may be under way.
_ROOM = 4
_WRITES_AT_PLACES = hasattr(os, "pwrite")


Block = tuple[Span, Span]


@dataclass
class _Part:
    """Where the samples of R, G and B, or of infra-red, lie in the scratch file.

    Start and type are known from the first ones that are decoded.
    """

    samples: int
    start: int = 0
    kind: np.dtype[Any] | None = None


@dataclass(eq=False)
class UnpackedScan:
    """A scan that is decoded when it is first opened, by all threads that open it.

    If its scratch file can't be made or the scan is damaged, each reader decodes what it needs,
    with the same codes. So it is in other processes, which get nothing of this. A scratch file
    has no name: the system takes it back with the process.

    Parameters
    ----------
    scan
        The scan as it lies in its file.
    block
        Its rows and columns that can be decoded apart.
    folder
        Where the scratch file goes.
    """

    scan: Scan
    block: Span
    folder: Path
    _colour: _Part = field(default_factory=lambda: _Part(3), init=False)
    _infrared: _Part = field(default_factory=lambda: _Part(1), init=False)
    _changed: threading.Condition = field(default_factory=threading.Condition, init=False)
    _closing: ExitStack = field(default_factory=ExitStack, init=False)
    _file: Any = field(default=None, init=False)
    _left: list[Block] = field(default_factory=list, init=False)
    _under_way: int = field(default=0, init=False)
    _state: str = field(default="new", init=False)

    def __reduce__(self) -> tuple[Any, tuple[()]]:
        """Cross to other processes as None, which is a scan that lies in its file."""
        return type(None), ()

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        """Open the scan for reading windows, decoded if need be; for one thread at a time."""
        if self._is_unpacked():
            yield _UnpackedReader(self)
        else:
            with opened(self.scan) as reader:
                yield reader

    @property
    def is_one_block(self) -> bool:
        """Tell whether only one thread can decode it."""
        return self.block[0] >= self.scan.height and self.block[1] >= self.scan.width

    def close(self) -> None:
        """Give the room back, when nobody decodes any more; whoever still reads fails."""
        with self._changed:
            self._fail()
            self._changed.wait_for(lambda: not self._under_way)

    def decode(self) -> None:
        """Decode what nobody has begun."""
        with self._changed:
            if self._state == "new":
                self._state = "going on" if self._begin() else "failed"
            helps = bool(self._left)
        if helps:
            self._decode()

    def _is_unpacked(self) -> bool:
        """Decode, wait for what others decode; tell whether all went well."""
        self.decode()
        with self._changed:
            self._changed.wait_for(lambda: self._state != "going on")
            return self._state == "whole"

    def _fail(self) -> None:
        """Give up, and give the room back as soon as nobody writes any more."""
        with self._changed:
            self._state, self._left = "failed", []
            if not self._under_way:
                self._closing.close()
            self._changed.notify_all()

    def _begin(self) -> bool:
        """Make the scratch file if there is room for it and the frames."""
        try:
            if shutil.disk_usage(self.folder).free < _ROOM * _scan_bytes(self.scan):
                return False
            self._file = self._closing.enter_context(_scratch_file(self.folder))
        except OSError:
            return False
        self._left = list(_blocks(self.scan, self.block))[::-1]
        return True

    def _decode(self) -> None:
        """Decode blocks until there are none left; none are left either if one fails."""
        # Taken before the scan is opened, as opening one may mean decoding all of it.
        block = self._next()
        if block is None:
            return
        try:
            with opened(self.scan, in_order=True) as reader:
                while block is not None:
                    begun, block = block, None
                    self._decode_block(reader, begun)
                    block = self._next()
        # Whatever it is, readers meet it again where it concerns them.
        except Exception:
            self._fail()
            if block is not None:
                self._done()

    def _decode_block(self, reader: Reader, block: Block) -> None:
        try:
            for rows in _bands(self.scan, block):
                if self._state != "going on":
                    break
                self._write(reader, rows, block[1])
        except Exception:
            self._fail()
        finally:
            self._done()

    def _next(self) -> Block | None:
        with self._changed:
            if not self._left:
                return None
            self._under_way += 1
            return self._left.pop()

    def _done(self) -> None:
        with self._changed:
            self._under_way -= 1
            if self._state == "failed":
                self._fail()
            elif self._state == "going on" and not self._left and not self._under_way:
                self._state = "whole"
            self._changed.notify_all()

    def _write(self, reader: Reader, rows: Span, columns: Span) -> None:
        """Decode rows of a block and write them to their places."""
        start = 0
        if self.scan.infrared:
            codes, plane = reader.both(rows, columns)
            start = self.scan.height * self.scan.width * 3 * codes.dtype.itemsize
            self._put(self._infrared, start, plane[..., None], rows, columns)
        else:
            codes = reader.codes(rows, columns)
        self._put(self._colour, 0, codes, rows, columns)

    def _put(self, part: _Part, start: int, codes: Codes, rows: Span, columns: Span) -> None:
        with self._changed:
            if part.kind is None:
                part.start, part.kind = start, codes.dtype
            if (part.start, part.kind) != (start, codes.dtype):
                raise TypeError("blocks of one scan differ in type")
        dense = np.ascontiguousarray(codes)
        first, row_bytes = self._place(part, rows, columns)
        if columns == (0, self.scan.width):
            self._write_at(dense, first)
            return
        for row, line in enumerate(dense):
            self._write_at(line, first + row * row_bytes)

    def _write_at(self, dense: Codes, start: int) -> None:
        """Write all bytes of a dense array at a place."""
        left = dense.reshape(-1).view(np.uint8).data
        while left:
            if _WRITES_AT_PLACES:
                count = os.pwrite(self._file.fileno(), left, start)
            else:
                with self._changed:
                    self._file.seek(start)
                    count = self._file.write(left)
            left, start = left[count:], start + count

    def _place(self, part: _Part, rows: Span, columns: Span) -> tuple[int, int]:
        """Return where the first row of a window starts, and the bytes from row to row."""
        if part.kind is None:
            raise ValueError("the page has no infra-red plane")
        pixel = part.samples * part.kind.itemsize
        row_bytes = self.scan.width * pixel
        return part.start + rows[0] * row_bytes + columns[0] * pixel, row_bytes

    def read(self, infrared: bool, rows: Span, columns: Span) -> Codes:
        """Return code values of a window, shape (rows, columns, samples), once all is decoded.

        Raises
        ------
        OutputProblem
            The disk of the scratch file fails.
        """
        part = self._infrared if infrared else self._colour
        start, row_bytes = self._place(part, rows, columns)
        size = rows[1] - rows[0], columns[1] - columns[0], part.samples
        codes = np.empty(size, part.kind)
        stored = StoredRows(self.scan.path, self._file, codes.dtype, self._changed)
        try:
            stored.fill(codes, start, row_bytes)
        except OSError as error:
            raise output_problem(self.folder, error) from error
        return codes


class _UnpackedReader:
    """Windows of a scan that lies unpacked."""

    def __init__(self, unpacked: UnpackedScan) -> None:
        self._unpacked = unpacked

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        return self._unpacked.read(False, rows, columns)

    def both(self, rows: Span, columns: Span) -> tuple[Codes, Codes]:
        """Return the code values of R, G and B and of the infra-red plane."""
        return self.codes(rows, columns), self._unpacked.read(True, rows, columns)[..., 0]


@contextmanager
def _scratch_file(folder: Path) -> Iterator[Any]:
    # Some disks give it a name for a moment; a run killed then leaves what others sweep.
    with tempfile.TemporaryFile(dir=folder, prefix=PREFIX, suffix=SUFFIX, buffering=0) as file:
        yield file


def decode(unpacked: UnpackedScan | None) -> None:
    """Decode a scan that others will read; in another process there is nothing to do."""
    if unpacked is not None:
        unpacked.decode()


def _scan_bytes(scan: Scan) -> int:
    samples = 4 if scan.infrared else 3
    return scan.width * scan.height * samples * -(-scan.bits // 8)


def _row_bytes(scan: Scan, columns: Span) -> int:
    return max(1, _scan_bytes(scan) // (scan.width * scan.height) * (columns[1] - columns[0]))


def _blocks(scan: Scan, block: Span) -> Iterator[Block]:
    """Yield rows and columns of the scan in whole blocks, of some megabytes if blocks are small."""
    wide = min(block[1], scan.width)
    high = min(block[0], scan.height)
    across = max(1, _BAND_BYTES // (high * _row_bytes(scan, (0, wide)))) * wide
    down = max(1, _BAND_BYTES // (high * _row_bytes(scan, (0, min(across, scan.width))))) * high
    for top in range(0, scan.height, down):
        for left in range(0, scan.width, across):
            yield (
                (top, min(top + down, scan.height)),
                (left, min(left + across, scan.width)),
            )


def _bands(scan: Scan, block: Block) -> Iterator[Span]:
    """Yield the rows of a block in bands of a few megabytes."""
    (top, bottom), columns = block
    high = max(1, _BAND_BYTES // _row_bytes(scan, columns))
    for row in range(top, bottom, high):
        yield row, min(row + high, bottom)
