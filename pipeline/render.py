"""One frame: read as a window of its scan, straightened, coloured."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.density import Illumination
from pipeline.resample import MARGIN_PX, Corners, straightened
from pipeline.scan import Scan, read_codes, read_light

Floats = NDArray[np.float32]

_LEAST_LIGHT = 1e-5
_BAND_ROWS = 256
# Grain and noise reach so far under the base. What is lighter still is no film, a perforation or
# the open gate: held there, it is as black as the base in all channels, not coloured by them.
# The value is the least density that ADX codes hold (SMPTE ST 2065-3: code 0).
_LEAST_DENSITY = -0.19


@dataclass(frozen=True)
class FrameBase:
    """Log10 light of the film base (less dark) over one frame, as a smooth surface.

    `terms` (3 channels of 1, x, x^2, y); `left`, `right`, `top`, `bottom` are the x and y of the
    picture's sides in the strip's own coordinates (-1 to 1), in the order the picture is written.
    """

    terms: tuple[tuple[float, ...], ...]
    left: float
    right: float
    top: float
    bottom: float
    illumination: Illumination

    def log_light(self, rows: int, columns: int) -> tuple[Floats, Floats]:
        """Return the surface as a row part (rows, 1, 3) and a column part (1, columns, 3)."""
        terms = np.asarray(self.terms)
        x = self.left + (np.arange(columns) + 0.5) / columns * (self.right - self.left)
        y = self.top + (np.arange(rows) + 0.5) / rows * (self.bottom - self.top)
        along = terms[:, 0] + np.outer(x, terms[:, 1]) + np.outer(x * x, terms[:, 2])
        across = np.outer(y, terms[:, 3])
        return across[:, None, :].astype(np.float32), along[None, :, :].astype(np.float32)


def picture_size(outline: Corners) -> tuple[int, int]:
    """Return rows and columns of a straightened picture at the scan's own resolution."""
    corners = np.asarray(outline, float)
    across = np.hypot(*(corners[1] - corners[0])) + np.hypot(*(corners[2] - corners[3]))
    down = np.hypot(*(corners[3] - corners[0])) + np.hypot(*(corners[2] - corners[1]))
    return max(1, round(down / 2)), max(1, round(across / 2))


def frame_window(
    scan: Scan, outline: Corners, beyond_px: int = 0
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return rows and columns of a scan that a frame draws on, and as many pixels beyond."""
    corners, margin = np.asarray(outline, float), MARGIN_PX + beyond_px
    low, high = corners.min(axis=0) - margin, corners.max(axis=0) + margin
    columns = (max(0, int(np.floor(low[0]))), min(scan.width, int(np.ceil(high[0])) + 1))
    rows = (max(0, int(np.floor(low[1]))), min(scan.height, int(np.ceil(high[1])) + 1))
    return rows, columns


def cut_light(scan: Scan, outline: Corners) -> Floats:
    """Return a frame's linear light (h, w, 3), straightened; only its window is read."""
    rows, columns = frame_window(scan, outline)
    light = read_light(scan, rows, columns)
    origin = (columns[0], rows[0])
    return np.asarray(straightened(light, outline, origin, picture_size(outline)), np.float32)


def cut_codes(scan: Scan, outline: Corners) -> NDArray[np.generic]:
    """Return a frame's codes as stored, straightened, in the scan's own type."""
    rows, columns = frame_window(scan, outline)
    codes = read_codes(scan, rows, columns)
    return straightened(codes, outline, (columns[0], rows[0]), picture_size(outline))


def to_density_above(light: Floats, base: FrameBase) -> Floats:
    """Return density above base for a straightened frame's light (h, w, 3)."""
    across, along = base.log_light(light.shape[0], light.shape[1])
    dark = np.asarray(base.illumination.dark, np.float32)
    above: Floats = across + along - np.log10(np.maximum(light - dark, np.float32(_LEAST_LIGHT)))
    return above


def to_scene(above: Floats, colour: RollColour) -> Floats:
    """Return linear ACEScg float32 (h, w, 3) for densities above base, in bands of rows."""
    unmask = np.asarray(colour.unmask, np.float32)
    scene = np.asarray(colour.scene, np.float32)
    gains = np.float32(colour.exposure) * np.power(10.0, np.asarray(colour.balance)).astype(
        np.float32
    )
    result = np.empty(above.shape, np.float32)
    for first in range(0, above.shape[0], _BAND_ROWS):
        held = np.maximum(above[first : first + _BAND_ROWS], np.float32(_LEAST_DENSITY))
        layers = held @ unmask.T
        for channel, curve in enumerate(colour.curves):
            layers[..., channel] = curve.exposure(layers[..., channel]) * gains[channel]
        result[first : first + _BAND_ROWS] = layers @ scene.T
    return result


def shrunk(picture: Floats, long_side: int | None) -> Floats:
    """Return a picture reduced by area means so that its longer side is at most `long_side`."""
    rows, columns = picture.shape[:2]
    if long_side is None or max(rows, columns) <= long_side:
        return picture
    factor = long_side / max(rows, columns)
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
