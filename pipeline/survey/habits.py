"""What a roll shows of its camera, and files of one picture with parts of others beside it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.frame import GateHabit
from pipeline.outline import size_of
from pipeline.survey.frame import FrameSurvey
from pipeline.survey.look import StripLook
from pipeline.survey.single_gate import SingleGate

# What lies so far beyond the film's end, in pixels of the proxy, is in view where the end is.
_BEYOND_PX = 3.0


@dataclass(frozen=True)
class Habits:
    """What a roll shows of its camera: its gates by format, None where only the format is known.

    `alone` tells that each of its files is of one picture; `single` where that lies in files which
    show nothing but it and its rebate, None where it is not known.
    """

    gates: Mapping[str, GateHabit | None] = field(default_factory=dict, hash=False)
    alone: bool = False
    single: SingleGate | None = None


def ends_seen(look: StripLook) -> tuple[bool, bool]:
    """Tell of the left and right end of a strip's view whether the film ends there.

    Else it goes on, under the holder or beyond the scan's border.
    """
    height, width = look.view.light.shape[:2]
    size = np.array([-(-side // look.factor) for side in (look.scan.width, look.scan.height)])
    seen = []
    for x, covered in zip(
        (-_BEYOND_PX, width - 1 + _BEYOND_PX), look.strip.ends_covered, strict=True
    ):
        beyond = np.array([[x, y] for y in (0.0, (height - 1) / 2, height - 1.0)])
        at = look.view.to_proxy.onto(beyond)
        seen.append(not covered and bool(((at > -0.5) & (at < size - 0.5)).all()))
    return seen[0], seen[1]


def places_alone(frames: Sequence[FrameSurvey], seen: tuple[bool, bool]) -> slice:
    """Return which frames of a strip are not cut off at an end where its film goes on.

    Where all are, the longest is the one.
    """
    first, last = 0, len(frames)
    if last == 0:
        return slice(first, last)
    if frames[0].kind == "partial" and not seen[0]:
        first += 1
    if frames[-1].kind == "partial" and not seen[1]:
        last -= 1
    if first < last:
        return slice(first, last)
    longest = max(range(len(frames)), key=lambda at: size_of(np.asarray(frames[at].outline))[0])
    return slice(longest, longest + 1)
