"""Plot of a roll's densities: where its ranges, marks and figures stand, in px."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

from pipeline.kinds import Triple
from pipeline.record import FrameRecord, RollRecord

Level = tuple[Triple | None, Triple | None]


@dataclass(frozen=True)
class Bar:
    """A vertical range with a mark in it, in px; `channel` is 0 to 2."""

    channel: int
    x: float
    top: float
    bottom: float
    mark: float


@dataclass(frozen=True)
class Step:
    """A level over a strip's length, with its error to either side, in px; `channel` 0 to 2."""

    channel: int
    start: float
    end: float
    y: float
    above: float
    below: float


@dataclass(frozen=True)
class Band:
    """A usual range: its channel (3 for their mean), from where to where, in px."""

    channel: int
    top: float
    bottom: float


@dataclass(frozen=True)
class DensityPlot:
    """Geometry of the plot of densities, in px; panels above each other.

    `panels` are title, top and foot; `steps` are base and edge print of the strips, `bands` what
    is usual of them; `bounds` are heights of toe and shoulder, and what they are.
    """

    width: int
    height: int
    left: int
    panels: tuple[tuple[str, int, int], ...]
    ticks: tuple[tuple[float, str], ...]
    bars: tuple[Bar, ...]
    steps: tuple[Step, ...]
    bands: tuple[Band, ...]
    bounds: tuple[tuple[float, str], ...]
    numbers: tuple[tuple[float, str], ...]
    strips: tuple[tuple[float, float, int], ...]


_FRAMES, _BASES, _PRINTS = (22, 212), (262, 352), (398, 488)
_FOOT = 32


def density_plot(record: RollRecord) -> DensityPlot:
    """Return the plot: ranges of the frames above, base of the strips, and their edge print."""
    count = max(1, len(record.frames()))
    left, slot = 40, min(44.0, max(24.0, 1030 / count))
    told, bases, prints = record.densities, _bases(record), _prints(record)
    highest = _ceiling(v for f in record.frames() for t in vars(f.density).values() for v in t)
    upper = partial(_height, top=_FRAMES[0], foot=_FRAMES[1], highest=highest)
    base_highest = _ceiling(value for level, _ in bases for value in level or ())
    middle = partial(_height, top=_BASES[0], foot=_BASES[1], highest=base_highest)
    usual = told.edge_print_usual
    print_highest = _ceiling([*(v for level, _ in prints for v in level or ()), *(usual or ())])
    lower = partial(_height, top=_PRINTS[0], foot=_PRINTS[1], highest=print_highest)
    with_print = any(level for level, _ in prints)
    bars, steps, numbers, strips, x = [], [], [], [], float(left)
    for place, strip in enumerate(record.strips, start=1):
        start = x
        for frame in strip.frames:
            bars += _bars(frame, x + slot / 2, slot / 4.5, upper)
            numbers.append((x + slot / 2, frame.number))
            x += slot
        strips.append((start, x, place))
        steps += _steps(*bases[place - 1], start + 3, x - 3, middle)
        steps += _steps(*prints[place - 1], start + 3, x - 3, lower)
    ticks = [(upper(n / 2), f"{n / 2:.1f}") for n in range(round(highest * 2) + 1)]
    ticks += [(middle(n / 2), f"{n / 2:.1f}") for n in range(round(base_highest * 2) + 1)]
    panels = [("Frames: density above base", *_FRAMES), (_base_title(record), *_BASES)]
    bands = [
        Band(channel, middle(high), middle(low))
        for channel, (low, high) in enumerate(zip(*(told.base_usual or ((), ())), strict=True))
    ]
    if with_print:
        panels.append(("Edge print: density above base", *_PRINTS))
        ticks += [(lower(n / 2), f"{n / 2:.1f}") for n in range(round(print_highest * 2) + 1)]
        bands += [Band(3, lower(usual[1]), lower(usual[0]))] if usual else []
    return DensityPlot(
        width=math.ceil(max(x, 300)) + 12,
        height=panels[-1][2] + _FOOT,
        left=left,
        panels=tuple(panels),
        ticks=tuple(ticks),
        bars=tuple(bars),
        steps=tuple(steps),
        bands=tuple(bands),
        bounds=tuple(
            (upper(sum(level) / 3.0), text)
            for level, text in ((told.toe_density, "toe"), (told.shoulder_density, "shoulder"))
            if level is not None and numbers and sum(level) / 3.0 < highest
        ),
        numbers=tuple(numbers),
        strips=tuple(strips),
    )


def _bases(record: RollRecord) -> list[Level]:
    """Return base and error of each strip, in Status M where the usual range is in it."""
    told = record.densities.base_usual is not None
    levels: list[Level] = []
    for strip in record.strips:
        level = strip.base.status_m if told and strip.base.status_m else strip.base.density
        known = strip.densities is not None and strip.base.absolute
        levels.append((level, strip.densities.base_error if known and strip.densities else None))
    return levels


def _prints(record: RollRecord) -> list[Level]:
    patches = [strip.densities and strip.densities.edge_print for strip in record.strips]
    return [(patch.density, patch.error) if patch else (None, None) for patch in patches]


def _base_title(record: RollRecord) -> str:
    return "Film base, Status M" if record.densities.base_usual else "Film base"


def _steps(
    level: Triple | None, error: Triple | None, start: float, end: float, height: Any
) -> list[Step]:
    if level is None or end - start <= 0.0:
        return []
    return [
        Step(channel, start, end, height(value), height(value + off), height(value - off))
        for channel, (value, off) in enumerate(zip(level, error or (0.0,) * 3, strict=True))
        if math.isfinite(value) and math.isfinite(off)
    ]


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
