"""Small pictures of a roll, put away on the disk so that memory does not grow with its scans."""

import math
import os
import tempfile
import weakref
from dataclasses import dataclass
from threading import Lock
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

# A roll of 36 pictures takes 20 MB: only longer ones need a file.
_HELD_BYTES = 24 << 20


class PictureStore:
    """Keeps arrays as long as anybody needs them: the first few in memory, others in a file.

    The file has no name and goes with the store.
    """

    def __init__(self, held_bytes: int = _HELD_BYTES) -> None:
        self._room = held_bytes
        self._file: IO[bytes] | None = None
        self._lock = Lock()

    def put_away(self, array: NDArray[Any]) -> "NDArray[Any] | StoredPicture":
        """Return what an array is to be had from: itself, or its place in the file.

        Where the file can't be written, it stays in memory.
        """
        with self._lock:
            if array.nbytes <= self._room:
                self._room -= array.nbytes
                return array
            try:
                place = self._written(array)
            # A full disk, or no folder for temporary files.
            except OSError:
                return array
        return StoredPicture(self, place, array.shape, array.dtype)

    def _written(self, array: NDArray[Any]) -> int:
        """Write an array at the file's end; return its place there."""
        if self._file is None:
            self._file = tempfile.TemporaryFile(prefix="evenroll-", buffering=0)  # noqa: SIM115
            weakref.finalize(self, self._file.close)
        place = self._file.seek(0, os.SEEK_END)
        array.tofile(self._file)
        return place

    def read(self, place: int, shape: tuple[int, ...], dtype: np.dtype[Any]) -> NDArray[Any]:
        """Return the array at a place in the file.

        Raises
        ------
        OSError
            If the disk fails.
        """
        if self._file is None:
            raise ValueError("nothing was put away")
        with self._lock:
            self._file.seek(place)
            array = np.fromfile(self._file, dtype, math.prod(shape))
        if array.size != math.prod(shape):
            raise OSError("a temporary file has lost its end")
        return array.reshape(shape)


@dataclass(frozen=True, eq=False)
class StoredPicture:
    """An array in a store; `numpy.asarray` reads it. Pickled, it is the array itself."""

    store: PictureStore
    place: int
    shape: tuple[int, ...]
    dtype: np.dtype[Any]

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        """Return the array, read anew each time."""
        array = self.store.read(self.place, self.shape, self.dtype)
        return array if dtype is None else array.astype(dtype, copy=False)

    def __len__(self) -> int:
        """Return its length along the first axis."""
        return self.shape[0]

    def __reduce__(self) -> tuple[Any, ...]:
        """Return how it is pickled."""
        return np.asarray, (np.asarray(self),)
