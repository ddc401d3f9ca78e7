"""Words on a picture: how wide they are, what fits, and their ink."""

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]


@cache
def _face() -> Any:
    """Return OpenCV's own font, which needs no font file and knows most scripts."""
    return cv2.FontFace("sans")


def ink_width(text: str, size: int, weight: int = 400) -> int:
    """Return the width of the ink in px."""
    return int(cv2.getTextSize((0, 0), text, (0, 0), _face(), size, weight)[2]) if text else 0


def shortened(text: str, size: int, width: int) -> str:
    """Return the text, cut and closed with an ellipsis where it is wider than `width` px."""
    if ink_width(text, size) <= width:
        return text
    kept = bisect_left(
        range(len(text)), True, key=lambda n: ink_width(f"{text[:n]}…", size) > width
    )
    return f"{text[: kept - 1].rstrip()}…" if kept > 1 else ""


def first_fitting(choices: Iterable[str], size: int, width: int) -> str:
    """Return the first of the choices that fits, or nothing."""
    return next((text for text in choices if ink_width(text, size) <= width), "")


def letter(
    sheet: Picture, text: str, at: tuple[int, int], size: int, ink: Colour, weight: int = 400
) -> None:
    """Write on the sheet; `at` is the left end of the base line."""
    if text:
        cv2.putText(sheet, text, at, ink, _face(), size, weight)


def wrapped(text: str, size: int, width: int, most: int = 2) -> Iterator[str]:
    """Yield at most `most` lines, the last one shortened if need be."""
    words = text.split()

    def is_wide(count: int) -> bool:
        return ink_width(" ".join(words[:count]), size) > width

    for number in range(most):
        if not words:
            return
        count = bisect_left(range(2, len(words) + 1), True, key=is_wide) + 1
        count = len(words) if number == most - 1 else count
        yield shortened(" ".join(words[:count]), size, width)
        words = words[count:]
