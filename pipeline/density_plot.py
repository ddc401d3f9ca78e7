"""Plot of a roll's densities: where its ranges, marks and figures stand, in px."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

from pipeline.record import FrameRecord, RollRecord


@dataclass(frozen=True)
class Bar:
    """A vertical range with a mark in it, in px; `channel` is 0 to 2."""

    channel: int
    x: float
    top: float
    bottom: float
    mark: float


@dataclass(frozen=True)
class DensityPlot:
    """Geometry of the plot of densities, in px; two panels above each other.

    `panels` are title, top and foot; `steps` channel, left, right and height of a strip's base.
    """

    width: int
    left: int
    panels: tuple[tuple[str, int, int], ...]
    ticks: tuple[tuple[float, str], ...]
    bars: tuple[Bar, ...]
    steps: tuple[tuple[int, float, float, float], ...]
    numbers: tuple[tuple[float, str], ...]
    strips: tuple[tuple[float, float, int], ...]


def density_plot(record: RollRecord) -> DensityPlot:
    """Return the plot: density ranges of the frames above, film base of the strips below."""
    count = max(1, len(record.frames()))
    left, slot = 40, min(44.0, max(24.0, 1030 / count))
    top, foot, base_top, base_foot = 22, 212, 262, 352
    highest = _ceiling(v for f in record.frames() for t in vars(f.density).values() for v in t)
    base_highest = _ceiling(value for strip in record.strips for value in strip.base.density)
    upper = partial(_height, top=top, foot=foot, highest=highest)
    lower = partial(_height, top=base_top, foot=base_foot, highest=base_highest)
    bars, steps, numbers, strips, x = [], [], [], [], float(left)
    for place, strip in enumerate(record.strips, start=1):
        start = x
        for frame in strip.frames:
            bars += _bars(frame, x + slot / 2, slot / 4.5, upper)
            numbers.append((x + slot / 2, frame.number))
            x += slot
        strips.append((start, x, place))
        steps += [
            (channel, start + 3, x - 3, lower(value))
            for channel, value in enumerate(strip.base.density)
            if math.isfinite(value) and x > start
        ]
    ticks = [(upper(n / 2), f"{n / 2:.1f}") for n in range(round(highest * 2) + 1)]
    ticks += [(lower(n / 2), f"{n / 2:.1f}") for n in range(round(base_highest * 2) + 1)]
    panels = (("Frames: density above base", top, foot), ("Film base", base_top, base_foot))
    return DensityPlot(
        math.ceil(max(x, 300)) + 12,
        left,
        panels,
        tuple(ticks),
        tuple(bars),
        tuple(steps),
        tuple(numbers),
        tuple(strips),
    )


def _ceiling(values: Iterable[float]) -> float:
    """Return the next half density above all values, between 0.5 and 5."""
    highest = max((value for value in values if math.isfinite(value)), default=0.0)
    return math.ceil(2 * min(max(highest, 0.5), 5.0)) / 2


def _height(value: float, top: int, foot: int, highest: float) -> float:
    return round(foot - (foot - top) * min(max(value / highest, -0.05), 1.0), 1)


def _bars(frame: FrameRecord, x: float, apart: float, height: Any) -> list[Bar]:
    ranges = zip(frame.density.min, frame.density.median, frame.density.max, strict=True)
    return [
        Bar(channel, round(x + (channel - 1) * apart, 1), height(high), height(low), height(mid))
        for channel, (low, mid, high) in enumerate(ranges)
        if all(map(math.isfinite, (low, mid, high)))
    ]
