"""How codes lie in memory: side by side, or beside others."""

import numpy as np
from numpy.lib.stride_tricks import as_strided

from pipeline.kinds import Codes


def dense_codes(codes: Codes) -> tuple[Codes, int, int, int] | None:
    """Return the memory (n,) in which pixels (h, w, channels) lie side by side, forth or back.

    After it come where the first pixel begins, and by how many codes the next ones down and along
    are further. None where three or four codes are not those of a pixel, which may have others
    than those asked for. So codes are gone through in vectors where they lie, without a copy, which
    takes longer than most of what is done with them.
    """
    high, wide, channels = codes.shape
    down, along, step = (stride // codes.itemsize for stride in codes.strides)
    if (step != 1 and channels > 1) or abs(along) not in (3, 4):
        return None
    backwards = tuple(axis for axis, stride in enumerate((down, along)) if stride < 0)
    first = max(0, -down) * (high - 1) + max(0, -along) * (wide - 1)
    count = abs(down) * (high - 1) + abs(along) * (wide - 1) + channels
    begun = np.flip(codes, backwards) if backwards else codes
    return as_strided(begun, (count,), (codes.itemsize,)), first, down, along
