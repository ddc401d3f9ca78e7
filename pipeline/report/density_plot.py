"""Plot of a roll's densities: ranges of its frames, base and edge print of its strips."""

import math
from collections.abc import Iterable, Sequence
from functools import partial
from itertools import accumulate, pairwise
from typing import Any

import numpy as np

from pipeline.kinds import Float64, Triple
from pipeline.record import RollRecord, StripRecord
from pipeline.report import plot
from pipeline.words import printable

_LEFT, _RIGHT, _LEAST_WIDTH = 40, 62, 260
_FRAMES, _BASES, _PRINTS = (52, 242), (292, 382), (428, 518)
_FOOT = 32
_DENSEST = 5.0
_NONE, _UNKNOWN = (0.0, 0.0, 0.0), (math.nan, math.nan, math.nan)

Level = tuple[Triple | None, Triple]


def densities_plot(record: RollRecord, before: int = 0) -> plot.Plot:
    """Return the plot: ranges of the frames above, base of the strips, and their edge print.

    `before` are how many strips of the roll stand in plots before this one.
    """
    printed = any(_print(strip)[0] for strip in record.strips)
    also = ", and its edge print above base" if printed else ""
    text = (
        "Above, the density range of each frame over its film base; below, the film base of each "
        f"strip{also}."
    )
    width = _LEFT + max(_slot(record) * len(record.frames()), _LEAST_WIDTH) + _RIGHT
    height = (_PRINTS if printed else _BASES)[1] + _FOOT
    draw = partial(_draw, before=before)
    return plot.Plot("Densities along the roll", text, math.ceil(width), height, record, draw)


def _draw(figure: "plot.Figure", record: RollRecord, before: int) -> None:
    told = record.densities
    plot.key(figure, _LEFT, 8, plot.MARKS, columns=3)
    _draw_frames(figure, record)
    bases = [_base(strip, told.base_usual is not None) for strip in record.strips]
    title = "Film base, Status M" if told.base_usual else "Film base"
    axes = _panel(figure, record, _BASES, title, _values(bases))
    lows, highs = told.base_usual or ((), ())
    _draw_levels(axes, record, bases, zip(lows, highs, plot.COLOURS, strict=False))
    prints = [_print(strip) for strip in record.strips]
    if any(level for level, _ in prints):
        usual = told.edge_print_usual or ()
        title = "Edge print: density above base"
        axes = _panel(figure, record, _PRINTS, title, [*_values(prints), *usual])
        _draw_levels(axes, record, prints, [(*usual, plot.SOFT)] if usual else [])
    axes.set_xticks([(start + end) / 2 for start, end in _spans(record)])
    places = range(before + 1, before + len(record.strips) + 1)
    axes.set_xticklabels([f"strip {place}" for place in places])


def _panel(
    figure: "plot.Figure",
    record: RollRecord,
    sides: tuple[int, int],
    title: str,
    values: Iterable[float],
) -> "plot.Axes":
    """Return axes, in px across, for densities from 0 to the next half above all of them."""
    right = figure.get_figwidth() * figure.dpi - _RIGHT
    highest = max((value for value in values if math.isfinite(value)), default=0.0)
    axes = plot.panel(figure, _LEFT, sides[0], right, sides[1], title)
    axes.set(xlim=(0, right - _LEFT), xticks=[])
    plot.halves(axes, "y", 0.0, min(max(highest, 0.5), _DENSEST))
    for start, _ in _spans(record)[1:]:
        axes.axvline(start, color=plot.SOFT, linewidth=1, linestyle=(0, (2, 3)))
    return axes


def _draw_frames(figure: "plot.Figure", record: RollRecord) -> None:
    told, slot, frames = record.densities, _slot(record), record.frames()
    ranges = [(f.density.min, f.density.median, f.density.max) for f in frames]
    known = np.array(ranges).reshape(-1, 3, 3)
    axes = _panel(figure, record, _FRAMES, "Frames: density above base", known.ravel())
    known = _inside(axes, known)
    places = slot * (np.arange(len(frames)) + 0.5)
    for channel, (name, look) in enumerate(plot.MARKS.items()):
        is_known = np.isfinite(known[:, :, channel]).all(axis=1)
        low, middle, high = known[is_known, :, channel].T
        x = places[is_known] + (channel - 1) * slot / 4.5
        axes.vlines(x, low, high, look["color"], linewidth=2.5, gid=f".range.{name}")
        axes.plot(x, middle, **look, gid=f".mark.{name}")
    for place, frame in zip(places, frames, strict=True):
        number = printable(frame.number)
        axes.annotate(number, (place, 0), (0, -18), plot.ACROSS, "offset points", ha="center")
    for level, word in ((told.toe_density, "toe"), (told.shoulder_density, "shoulder")):
        height = math.inf if level is None else sum(level) / 3.0
        if frames and height < axes.get_ylim()[1]:
            axes.axhline(height, color=plot.INK, linewidth=1, linestyle=(0, (6, 4)), gid=".bound")
            axes.annotate(word, (1, height), (5, 0), plot.UPWARD, "offset points", va="center")


def _draw_levels(
    axes: "plot.Axes", record: RollRecord, levels: Sequence[Level], usual: Iterable[Any]
) -> None:
    """Draw levels over the lengths of their strips, with their errors, and what is usual."""
    for low, high, colour in usual:
        ends = _inside(axes, np.array([low, high]))
        axes.axhspan(*ends, color=colour, alpha=0.2, linewidth=0, gid=".usual")
    starts, ends = np.array(_spans(record)).T
    known = np.array([(level or _UNKNOWN, error) for level, error in levels])
    for channel, (name, look) in enumerate(plot.MARKS.items()):
        value, error = known[:, :, channel].T
        told = np.isfinite(value + error) & (ends > starts)
        start, end, value, error = (each[told] for each in (starts + 3, ends - 3, value, error))
        low, middle, high = _inside(axes, np.array([value - error, value, value + error]))
        x = start + (end - start) * (channel + 1) / 4
        axes.hlines(middle, start, end, look["color"], linewidth=2.5, gid=f".level.{name}")
        axes.vlines(x, low, high, look["color"], linewidth=1.2, gid=f".spread.{name}")
        axes.plot(x, middle, **look, gid=f".mark.{name}")


def _inside(axes: "plot.Axes", values: Float64) -> Float64:
    highest = axes.get_ylim()[1]
    inside: Float64 = np.clip(values, -0.05 * highest, highest)
    return inside


def _values(levels: Iterable[Level]) -> list[float]:
    return [value for level, _ in levels for value in level or ()]


def _slot(record: RollRecord) -> float:
    """Return the px that a frame has across."""
    return min(44.0, max(24.0, 980 / max(1, len(record.frames()))))


def _spans(record: RollRecord) -> list[tuple[float, float]]:
    """Return from where to where strips lie, in px from the left of the axes."""
    slot = _slot(record)
    return list(pairwise(accumulate((slot * len(s.frames) for s in record.strips), initial=0.0)))


def _base(strip: StripRecord, in_status_m: bool) -> Level:
    """Return base and error of a strip, in Status M where the usual range is in it."""
    level = strip.base.status_m if in_status_m and strip.base.status_m else strip.base.density
    error = strip.densities.base_error if strip.densities and strip.base.absolute else None
    return level, error or _NONE


def _print(strip: StripRecord) -> Level:
    patch = strip.densities and strip.densities.edge_print
    return (patch.density, patch.error or _NONE) if patch else (None, _NONE)
