"""How a picture is turned before it is written: mirrored, and turned by quarters."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.check import Wrong
from pipeline.kinds import Area, Corners, Pixels

TURNS_DEG = (0, 90, 180, 270)


@dataclass(frozen=True)
class Turn:
    """What is done to a picture that lies as it was found.

    It is mirrored left to right first where `mirror` says so, then turned clockwise by
    `turn_deg`, one of `TURNS_DEG`.
    """

    turn_deg: int = 0
    mirror: bool = False

    @staticmethod
    def read_deg(value: Any) -> Any:
        """Return an angle that turns by whole quarters, or what is no number as it is.

        Raises Wrong if it is another angle.
        """
        if isinstance(value, (int, float)) and value not in TURNS_DEG:
            raise Wrong(f"{value!r} is no quarter turn", "give 0, 90, 180 or 270, clockwise")
        return value

    @property
    def quarters(self) -> int:
        """Return how many quarters it is turned by, 0 to 3."""
        return self.turn_deg // 90

    @property
    def swaps(self) -> bool:
        """Tell whether its rows become columns."""
        return self.quarters % 2 == 1

    def corners(self, outline: Corners) -> Corners:
        """Return corners in the order of the picture once turned; they stay where they are."""
        first, second, third, fourth = outline
        order = (second, first, fourth, third) if self.mirror else outline
        return order[4 - self.quarters :] + order[: 4 - self.quarters]

    def sides(self, sides: Area) -> Area:
        """Return what belongs to the left, top, right and lower side of the picture once turned."""
        left, top, right, lower = sides
        order = (right, top, left, lower) if self.mirror else sides
        first, second, third, fourth = (order[(side - self.quarters) % 4] for side in range(4))
        return first, second, third, fourth

    def picture(self, pixels: Pixels) -> Pixels:
        """Return pixels (h, w, ...) turned, without copying them."""
        return np.rot90(np.fliplr(pixels) if self.mirror else pixels, -self.quarters)


AS_FOUND = Turn()
"""Nothing is done."""
