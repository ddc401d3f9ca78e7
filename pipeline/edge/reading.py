"""What the film's edge says of a strip: its codes, and which way it lies."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.edge.chain import EdgeChain, EdgeCode, read_chain
from pipeline.edge.code import load_edge_format
from pipeline.edge.density import PrintDensity, code_print
from pipeline.edge.rebate import cut_rebate
from pipeline.kinds import Float64, Light

# Pixels a module below which nothing is read: one is what sampling needs for bars of one module,
# and the margin that keeps drawn codes under dust and noise from being misread.
LEAST_PX_PER_MODULE = 1.5


@dataclass(frozen=True)
class EdgeBand:
    """Rows of a straightened strip that show one of its rebates.

    `light` (h, w, 3) float32 is linear light of a negative, its long axis horizontal; `edge_row`
    the row of the film's edge in the band, in pixel centres, true to about 0.5 mm and maybe
    outside; `on_bottom` tells whether the edge is the strip's lower one, and `first_row` is where
    the band begins.
    """

    light: Light
    edge_row: float
    on_bottom: bool
    first_row: float = 0.0


@dataclass(frozen=True)
class EdgeReading:
    """All that the edges of a strip say.

    `codes` stand from left to right. `direction` is 1 where the print stands on its feet or nothing
    was read, -1 where the strip must be turned by 180 degrees, after it is mirrored left to right
    where `mirrored` tells that it was scanned from the side of the emulsion.

    `frames_per_mm` is to the right, below 0 where numbers grow to the left; `frame_at_left` the
    place along the film, in frames, of the first column's centre; both 0 where no number was read.
    `px_per_mm` is the scale of the strip as given, `printed` the density of the bars above the base
    beside them, None where it can't be measured.
    """

    codes: tuple[EdgeCode, ...]
    direction: int
    mirrored: bool
    frames_per_mm: float
    frame_at_left: float
    px_per_mm: float
    printed: PrintDensity | None

    @property
    def print_density(self) -> Float64 | None:
        """Return the density of the bars above base (3,), None where it can't be measured."""
        return None if self.printed is None else self.printed.density

    @property
    def numbered(self) -> bool:
        """Tell whether the codes hold frame numbers."""
        return any(code.number is not None for code in self.codes)

    @property
    def film_code(self) -> str | None:
        """Return the film's part of the codes, 115-10, or None where nothing was read."""
        return self.codes[0].dx_code if self.codes else None


def read_edge(
    light: Light,
    px_per_mm: float,
    top_row: float | None,
    bottom_row: float | None,
) -> EdgeReading:
    """Read the barcodes on both edges of a straightened 135 strip.

    `light` (h, w, 3) is float32 linear light of a negative, its long axis horizontal; `px_per_mm`
    is true to 3 percent, and below about 3.2 nothing is read. The rows are those of the film's
    edges in pixel centres, true to about 0.5 mm and maybe outside; None where an edge is hidden.

    Raises ValueError when the array has another shape or type or is not finite, or scale or rows
    make no sense.
    """
    if top_row is not None and bottom_row is not None and not top_row < bottom_row:
        raise ValueError(f"top_row {top_row} must lie above bottom_row {bottom_row}")
    rows = ((bottom_row, True), (top_row, False))
    bands = [EdgeBand(light, row, on_bottom) for row, on_bottom in rows if row is not None]
    return read_bands(bands, px_per_mm)


def read_bands(bands: Sequence[EdgeBand], px_per_mm: float) -> EdgeReading:
    """Read the barcodes on the rebates of a straightened 135 strip, of which only bands are given.

    Columns are the same in all bands. Scale and errors are those of `read_edge`.
    """
    layout = load_edge_format()
    _check(bands, px_per_mm)
    best: tuple[EdgeBand, EdgeChain] | None = None
    if px_per_mm * layout.module_mm[1] >= LEAST_PX_PER_MODULE:
        for band in bands:
            rebate = cut_rebate(band.light, px_per_mm, band.edge_row, band.on_bottom, layout)
            chain = None if rebate is None else read_chain(rebate, px_per_mm, layout)
            if chain is not None and (best is None or chain.strength > best[1].strength):
                best = band, chain
    if best is None:
        return EdgeReading((), 1, False, 0.0, 0.0, px_per_mm, None)
    return _reading(*best, px_per_mm)


def rescaled(reading: EdgeReading, px_per_mm: float) -> EdgeReading:
    """Return a reading in the pixels of a strip scanned at another scale."""
    ratio = px_per_mm / reading.px_per_mm

    def moved(code: EdgeCode) -> EdgeCode:
        x, y = ((place + 0.5) * ratio - 0.5 for place in (code.x_px, code.y_px))
        return replace(code, x_px=x, y_px=y)

    # The first pixel's centre lies half a pixel from the border, whatever the scale.
    shift_mm = 0.5 / px_per_mm - 0.5 / reading.px_per_mm
    return replace(
        reading,
        codes=tuple(moved(code) for code in reading.codes),
        frame_at_left=reading.frame_at_left + reading.frames_per_mm * shift_mm,
        px_per_mm=px_per_mm,
    )


def _check(bands: Sequence[EdgeBand], px_per_mm: float) -> None:
    if not (math.isfinite(px_per_mm) and px_per_mm > 0.0):
        raise ValueError(f"px_per_mm must be a positive number, not {px_per_mm}")
    for band in bands:
        light = band.light
        if light.ndim != 3 or light.shape[2] != 3 or 0 in light.shape:
            raise ValueError(f"light must have the shape (h, w, 3), not {light.shape}")
        if not np.issubdtype(light.dtype, np.floating):
            raise ValueError(f"light must be linear light in floating point, not {light.dtype}")
        if not math.isfinite(band.edge_row):
            raise ValueError(f"rows of the film's edges must be finite, not {band.edge_row}")


def _reading(band: EdgeBand, chain: EdgeChain, px_per_mm: float) -> EdgeReading:
    numbered, on_bottom = chain.layout.numbered, band.on_bottom
    per_px, left = _fit(chain, px_per_mm) if numbered else (0.0, 0.0)
    return EdgeReading(
        codes=tuple(replace(code, y_px=code.y_px + band.first_row) for code in chain.codes),
        direction=1 if on_bottom else -1,
        # Data lie on the film's edge: upright print runs to the right along the lower rebate,
        # turned print to the left along the upper one.
        mirrored=chain.backwards == on_bottom,
        frames_per_mm=per_px * px_per_mm,
        frame_at_left=left,
        px_per_mm=px_per_mm,
        printed=code_print(band.light, chain),
    )


def _fit(chain: EdgeChain, px_per_mm: float) -> tuple[float, float]:
    """Return frames a pixel and the place of the first column, least squares over the codes."""
    x = np.array([code.x_px for code in chain.codes])
    number = np.array([code.number for code in chain.codes], dtype=np.float64)
    per_px = 1.0 / (chain.layout.codes_per_frame * chain.layout.pitch_mm * px_per_mm)
    if chain.backwards:
        per_px = -per_px
    if x.size > 1:
        from_middle = x - x.mean()
        per_px = float(from_middle @ number / (from_middle @ from_middle))
    return per_px, float(number.mean() - per_px * x.mean())
