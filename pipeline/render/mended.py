"""A frame straightened with its dust mended, where there is any."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dust import CrossTalk
from pipeline.kinds import Corners, Float32, Light, Span, Whole
from pipeline.render.cut import ScanLines, frame_window, picture_size
from pipeline.render.patches import DustyWindow, Part, Patches, find_patches, part_of
from pipeline.render.resample import (
    Lines,
    first_pixel,
    straight_bands,
    straightening_of,
    take_rows,
    whole_bands,
)
from pipeline.render.straighten import Passes, Step
from pipeline.render.upright import Upright, upright
from pipeline.scan import Scan, finite, opened
from pipeline.strip import FrameBase

# Dust at the border of a picture is filled from outside as well.
_BEYOND_PX = 8
_NEGLIGIBLE = 1e-3

MendedBand = tuple[int, Light, NDArray[np.uint8]]


def mended_bands(
    scan: Scan,
    outline: Corners,
    base: FrameBase,
    talk: CrossTalk,
    ppi: float,
    columns_first: bool = False,
) -> Iterator[MendedBand]:
    """Yield a frame's linear light, mended and straightened, in bands.

    Parameters
    ----------
    scan, outline
        A scan with an infra-red plane, and the frame's corners in it.
    base
        Film base over the frame.
    talk
        What of the strip's pictures shows in the infra-red.
    ppi
        Pixels per inch of film.
    columns_first
        As for `upright`.

    Yields
    ------
    The band's first row, planes (3, n, columns) good until the next band is asked for, and a mask
    (n, columns), 255 where any of a pixel comes from a mended place; outside it light is bit for
    bit what it is without mending.
    """
    size = picture_size(outline)
    way = upright(outline, (0.0, 0.0), size, (scan.height, scan.width), columns_first)
    with opened(scan) as reader:

        def read(rows: Span, columns: Span) -> Part:
            codes, plane = reader.both(rows, columns)
            return part_of(scan, finite(scan, codes), plane)

        window = frame_window(scan, outline, _BEYOND_PX)
        patches = find_patches(read, DustyWindow(*window, base, talk, ppi))
        lines = ScanLines(scan, reader, way, way.window(*window))
        if not len(patches.rows):
            for top, planes in straight_bands(lines, way, size):
                yield top, planes, np.zeros(planes.shape[1:], np.uint8)
            return
        yield from with_patches(lines, patches.upright(way), way, size)


def with_patches(lines: Lines, patches: Patches, way: Upright, size: Span) -> Iterator[MendedBand]:
    """Yield the bands of a picture (see `mended_bands`), with patches of its upright pixels."""
    straightening = straightening_of(way, size)
    if straightening is None:
        left, first = first_pixel(way)
        for top, planes in whole_bands(lines, way, size):
            touched = np.zeros(planes.shape[1:], np.uint8)
            rows = (first + top, first + top + len(touched))
            here = patches.within(rows, (left, left + size[1]))
            planes[:, here.rows, here.columns] = here.light.T
            touched[here.rows, here.columns] = 255
            yield top, planes, touched
        return
    as_it_is = straightening.passes(lines.channels)
    mended = MendedPasses(patches, straightening.passes(3), straightening.passes(1))
    for step in straightening.steps:
        taken = take_rows(lines, as_it_is, step.wanted)
        spans = mended.spans(step, as_it_is)
        if taken is not None:
            mended.take(*taken, step.wanted, spans, as_it_is.held)
        planes = as_it_is.band(step)
        yield int(step.band[0]), planes, mended.laid_in(planes, step, spans)


@dataclass(frozen=True)
class MendedPasses:
    """The two passes of mended light and of its places, done only where there are any."""

    patches: Patches
    light: Passes
    places: Passes

    def spans(self, step: Step, as_it_is: Passes) -> Whole:
        """Return spans (n, 2) of the columns of a band that draw on mended places."""
        columns = as_it_is.columns(np.arange(*step.rows))
        here = self.patches.within(step.rows, columns)
        if not len(here.columns):
            return np.empty((0, 2), np.int64)
        return as_it_is.spans(step, here.columns + columns[0])

    def take(
        self, planes: Float32, columns: Span, wanted: Whole, spans: Whole, beside: Float32
    ) -> None:
        """Take rows that a band wants, whose planes are mended in place (see `Passes`)."""
        here = self.patches.within((int(wanted[0]), int(wanted[-1]) + 1), columns)
        places = np.zeros((1, *planes.shape[1:]), np.float32)
        planes[:, here.rows, here.columns] = here.light.T
        places[0, here.rows, here.columns] = 1.0
        self.light.take(planes, wanted, columns[0], spans, beside)
        self.places.take(places, wanted, columns[0], spans)

    def laid_in(self, planes: Float32, step: Step, spans: Whole) -> NDArray[np.uint8]:
        """Lay mended light in a band's planes; return where (n, columns), 255 there."""
        touched = np.zeros(planes.shape[1:], np.uint8)
        if not len(spans):
            return touched
        light, places = (each.band(step, spans) for each in (self.light, self.places))
        for first, last in spans.tolist():
            # The far taps would carry what was mended into clean pixels round about.
            near = np.abs(places[0, :, first:last]) > _NEGLIGIBLE
            np.copyto(planes[..., first:last], light[..., first:last], where=near)
            touched[:, first:last] = near.view(np.uint8) * np.uint8(255)
        return touched
