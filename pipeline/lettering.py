"""Lettering on a drawn sheet: measured, shortened to its room, written."""

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Pen:
    """Lettering with OpenCV's own font, which needs no font file and knows most scripts."""

    face: Any

    def width(self, text: str, size: int, weight: int = 400) -> int:
        """Return the width of the ink in px."""
        if not text:
            return 0
        return int(cv2.getTextSize((0, 0), text, (0, 0), self.face, size, weight)[2])

    def shorten(self, text: str, size: int, width: int) -> str:
        """Return the text, cut and closed with an ellipsis where it is wider than `width` px."""
        if self.width(text, size) <= width:
            return text
        kept = bisect_left(
            range(len(text)), True, key=lambda n: self.width(f"{text[:n]}…", size) > width
        )
        return f"{text[: kept - 1].rstrip()}…" if kept > 1 else ""

    def first_fitting(self, choices: Iterable[str], size: int, width: int) -> str:
        """Return the first of the choices that fits, or nothing."""
        return next((text for text in choices if self.width(text, size) <= width), "")

    def write(
        self,
        sheet: Picture,
        text: str,
        at: tuple[int, int],
        size: int,
        ink: Colour,
        weight: int = 400,
    ) -> None:
        """Write on the sheet; `at` is the left end of the base line."""
        if text:
            cv2.putText(sheet, text, at, ink, self.face, size, weight)

    def wrap(self, text: str, size: int, width: int, most: int = 2) -> Iterator[str]:
        """Yield at most `most` lines, the last one shortened if need be."""
        words = text.split()
        for number in range(most):
            count = len(words) if number == most - 1 else self._words_fitting(words, size, width)
            if not words:
                return
            yield self.shorten(" ".join(words[:count]), size, width)
            words = words[count:]

    def _words_fitting(self, words: list[str], size: int, width: int) -> int:
        count = 1
        while count < len(words) and self.width(" ".join(words[: count + 1]), size) <= width:
            count += 1
        return count
