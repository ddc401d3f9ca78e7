"""The camera's gate and transport: how large its pictures are, how far apart, how turned."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.film_format import FrameFormat

_LEAST_CLEAR_FRAMES = 4
# A camera's size and gaps over a roll are at least so uncertain.
_LEAST_SIZE_SPREAD_MM = 0.05
_LEAST_GAP_SPREAD_MM = 0.35


@dataclass(frozen=True)
class GateHabit:
    """What a camera does to every frame of a roll, and by how much it may differ.

    Lengths in millimetres, each with its standard deviation: the picture's length along the
    film, its height across, the gap between pictures; `tilt` is the turn of the gate against the
    film as a slope, clockwise positive.
    """

    length_mm: float
    length_spread_mm: float
    height_mm: float
    height_spread_mm: float
    gap_mm: float
    gap_spread_mm: float
    tilt: float = 0.0
    tilt_spread: float = 0.006


def usual_habit(form: FrameFormat) -> GateHabit:
    """Return what is known of any camera of a format."""
    film = form.film
    return GateHabit(
        length_mm=form.image_along_mm,
        length_spread_mm=film.gate_spread * form.image_along_mm,
        height_mm=film.image_across_mm,
        height_spread_mm=film.gate_spread * film.image_across_mm,
        gap_mm=film.usual_gap_mm,
        gap_spread_mm=film.gap_spread_mm,
    )


def shared_habit(strips: Sequence[tuple[GateHabit, int]]) -> GateHabit | None:
    """Return the habit that the strips of a roll share, or None where too little is clear.

    Parameters
    ----------
    strips
        Each strip's habit with its number of frames whose edges are clear.

    Notes
    -----
    How the gate lies against the film is left open: a strip's own angle is part of it.
    """
    clear = [(habit, count) for habit, count in strips if count > 0]
    counts = [count for _, count in clear]
    if sum(counts) < _LEAST_CLEAR_FRAMES:
        return None

    def middle(name: str) -> float:
        return float(np.median(np.repeat([getattr(habit, name) for habit, _ in clear], counts)))

    return replace(
        clear[0][0],
        length_mm=middle("length_mm"),
        length_spread_mm=_LEAST_SIZE_SPREAD_MM,
        height_mm=middle("height_mm"),
        height_spread_mm=_LEAST_SIZE_SPREAD_MM,
        gap_mm=middle("gap_mm"),
        gap_spread_mm=max(_LEAST_GAP_SPREAD_MM, middle("gap_spread_mm")),
        tilt=GateHabit.tilt,
        tilt_spread=GateHabit.tilt_spread,
    )
