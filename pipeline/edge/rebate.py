"""The rebate of a film strip: the margin between its edge and the perforations, cut out."""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import median, percentiles
from pipeline.edge.code import EdgeFormat
from pipeline.kinds import SIGMA_OF_MAD, Float64, Light

# Samples a mm at which a rebate is examined: five a module of its code, whatever the scan has.
SAMPLES_PER_MM = 12.0
# How far beyond the film's edge and past the edge of the perforations a rebate is cut out, for
# strips that are not quite level.
OUTSIDE_MM = 0.8
INSIDE_MM = 0.8
# Strips that show less of the rebate than this hold no readable print.
LEAST_MM = 0.9
# The base is as light as film gets, so what passes more is a hole or the open gate.
HOLE_ABSORPTANCE = -0.3
NOISE_FLOOR = 2e-3


@dataclass(frozen=True)
class Rebate:
    """One rebate of a strip, turned or flipped so that the film's edge lies at the bottom.

    `absorptance` (h, w) float32 is 1 - light / light of the `base` (3,), weighted over the channels
    by what they tell: 0 is clear base, 1 is black. Blur is linear in it, unlike in density. The
    scales are pixels of the strip per column and per row; `edge_mm` is the film's edge below the
    upper border of the first row; `on_bottom` tells whether it is the strip's lower rebate, and
    `rows` the rows of the strip that it was cut from, as a slice's start and stop.
    """

    absorptance: Light
    x_px_per_sample: float
    y_px_per_sample: float
    edge_mm: float
    on_bottom: bool
    rows: tuple[int, int]
    base: Float64

    def strip_x(self, column: float) -> float:
        """Return the strip's column, in pixel centres, for a column of the rebate."""
        return (column + 0.5) * self.x_px_per_sample - 0.5

    def strip_y(self, row: float) -> float:
        """Return the strip's row, in pixel centres, for a row of the rebate."""
        down = (row + 0.5) * self.y_px_per_sample - 0.5
        start, stop = self.rows
        return start + down if self.on_bottom else stop - 1 - down


def cut_rebate(
    light: Light, px_per_mm: float, edge_row: float, on_bottom: bool, layout: EdgeFormat
) -> Rebate | None:
    """Return one rebate of a straightened strip, None where too little of it or no base shows.

    `light` (h, w, 3) is linear, its long axis horizontal; `edge_row` the row of the film's edge on
    that side, which may lie outside.

    Raises ValueError when the light is not finite.
    """
    inner = (layout.perforation_from_edge_mm + INSIDE_MM) * px_per_mm
    outer = OUTSIDE_MM * px_per_mm
    edge = edge_row + 0.5
    span = (edge - inner, edge + outer) if on_bottom else (edge - outer, edge + inner)
    start, stop = (int(np.clip(round(row), 0, light.shape[0])) for row in span)
    seen = min(stop, edge) - start if on_bottom else stop - max(start, edge)
    if seen - INSIDE_MM * px_per_mm < LEAST_MM * px_per_mm:
        return None
    band, edge_px = light[start:stop], edge - start
    if not np.isfinite(band).all():
        raise ValueError("light must be finite")
    if not on_bottom:
        band, edge_px = band[::-1], band.shape[0] - edge_px
    width, height = (max(1, round(n * SAMPLES_PER_MM / px_per_mm)) for n in band.shape[1::-1])
    scale_x, scale_y = band.shape[1] / width, band.shape[0] / height
    coarse = px_per_mm <= SAMPLES_PER_MM
    if not coarse:
        band = _resized(band, width, height, cv2.INTER_AREA)
    row_mm = 1.0 / px_per_mm if coarse else scale_y / px_per_mm
    edge_mm = edge_px / px_per_mm
    first = max(0, int((edge_mm - layout.perforation_from_edge_mm) / row_mm))
    body = slice(first, max(first + 1, int(edge_mm / row_mm)))
    base = _base(band[body])
    if not np.all(base > 0.0):
        return None
    absorptance = np.clip(1.0 - band / base, HOLE_ABSORPTANCE, 1.0).astype(np.float32)
    mixed: Light = absorptance @ _weights(absorptance[body]).astype(np.float32)
    if coarse:
        mixed = _resized(mixed, width, height, cv2.INTER_CUBIC)
    return Rebate(
        absorptance=mixed,
        x_px_per_sample=scale_x,
        y_px_per_sample=scale_y,
        edge_mm=edge_mm,
        on_bottom=on_bottom,
        rows=(start, stop),
        base=base,
    )


def _resized(picture: Light, width: int, height: int, how: int) -> Light:
    return np.asarray(cv2.resize(picture, (width, height), interpolation=how), dtype=np.float32)


def _base(body: Light) -> Float64:
    """Return the light of the base: codes cover less than half of any row, holes too."""
    rows = median(body, 1).astype(np.float64)
    return np.asarray(np.percentile(rows, 70, axis=0))


def _weights(body: Light) -> Float64:
    """Return channel weights for the best signal to noise: contrast over noise squared."""
    usual, dense = percentiles(body.reshape(-1, 3), [50, 95])
    contrast = dense - usual
    bend = np.diff(body, n=2, axis=1) if body.shape[1] > 2 else np.zeros((1, 1, 3))
    # A second difference of white noise has sqrt(6) times its deviation; the factor makes the
    # median of absolute values the standard deviation of a normal law.
    noise = SIGMA_OF_MAD / np.sqrt(6.0) * median(np.abs(bend).reshape(-1, 3), 0) + NOISE_FLOOR
    weight = np.maximum(contrast, 1e-6) / noise**2
    return np.asarray(weight / weight.sum(), dtype=np.float64)
