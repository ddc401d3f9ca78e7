"""One frame: read as a window of its scan, straightened, coloured."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.density import Illumination
from pipeline.film_curve import PointCurve
from pipeline.kinds import Corners, Float32
from pipeline.look import Showing
from pipeline.resample import MARGIN_PX, rounded, straight_bands, upright
from pipeline.scan import Scan, opened
from pipeline.scan_lines import ScanLines

Band = tuple[int, Float32]

# Grain and noise reach so far under the base. What is lighter still is no film, a perforation or
# the open gate: held there, it is as black as the base in all channels, not coloured by them.
# The value is the least density that ADX codes hold (SMPTE ST 2065-3: code 0).
LEAST_DENSITY = -0.19
# Entries of a curve's table: between them exposure is a straight line of density, off by a
# millionth of its value at most; curves through points have corners that none of them meets.
_ENTRIES, _ENTRIES_OF_POINTS = 1 << 14, 1 << 16
# Density of the least light under the lightest base, beyond which tables need not go.
_MOST_DENSITY = 6.0
_LEAST_LIGHT = 1e-5


@dataclass(frozen=True)
class Layers:
    """How densities above base become scene light, as arrays.

    `unmask` and `scene` (3, 3); `tables` (3, n) exposures, of densities ``lows + entry / steps``.
    """

    unmask: Float32
    tables: Float32
    lows: Float32
    steps: Float32
    scene: Float32


@lru_cache(maxsize=64)
def layers_of(colour: RollColour) -> Layers:
    """Return the arrays of a rendition."""
    unmask = np.asarray(colour.unmask)
    ends = np.array([LEAST_DENSITY, _MOST_DENSITY])
    reach = np.sort(unmask[..., None] * ends, axis=-1).sum(axis=1)
    points = any(isinstance(curve, PointCurve) for curve in colour.curves)
    entries = _ENTRIES_OF_POINTS if points else _ENTRIES
    steps = (entries - 1) / (reach[:, 1] - reach[:, 0])
    gains = colour.exposure * 10.0 ** np.asarray(colour.balance)
    tables = np.stack(
        [
            curve.exposure(np.linspace(low, high, entries)) * gain
            for curve, (low, high), gain in zip(colour.curves, reach, gains, strict=True)
        ]
    )
    return Layers(
        _dense(unmask),
        np.minimum(tables, np.finfo(np.float32).max / 8).astype(np.float32),
        reach[:, 0].astype(np.float32),
        steps.astype(np.float32),
        _dense(colour.scene),
    )


def _dense(values: object) -> Float32:
    return np.ascontiguousarray(np.asarray(values, np.float32))


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

    def log_light(self, rows: int, columns: int) -> tuple[Float32, Float32]:
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


def light_bands(scan: Scan, outline: Corners, as_codes: bool = False) -> Iterator[Band]:
    """Yield a frame's linear light, straightened, in bands; only its window is read.

    A band is its first row and planes (3, n, columns), good until the next one is asked for.
    `as_codes` gives the codes as stored instead.
    """
    size = picture_size(outline)
    way = upright(outline, (0.0, 0.0), size, (scan.height, scan.width))
    window = way.window(*frame_window(scan, outline))
    with opened(scan) as reader:
        yield from straight_bands(ScanLines(scan, reader, way, window, as_codes), way, size)


def cut_light(scan: Scan, outline: Corners) -> Float32:
    """Return a frame's linear light (h, w, 3), straightened; only its window is read."""
    light = np.empty((*picture_size(outline), 3), np.float32)
    for top, planes in light_bands(scan, outline):
        light[top : top + planes.shape[1]] = np.moveaxis(planes, 0, 2)
    return light


def code_bands(scan: Scan, outline: Corners) -> Iterator[NDArray[np.generic]]:
    """Yield a frame's codes as stored, straightened, (n, w, 3) in the scan's own type."""
    kind = np.dtype(
        np.float32 if scan.stored.floating else np.uint8 if scan.bits <= 8 else np.uint16
    )
    for _, planes in light_bands(scan, outline, as_codes=True):
        yield rounded(planes, kind)


class SceneBands:
    """Scene light of one frame, of the rows that are asked for."""

    def __init__(self, base: FrameBase, colour: RollColour, size: tuple[int, int]) -> None:
        across, along = base.log_light(*size)
        self._across = np.ascontiguousarray(across[:, 0])
        self._along = np.ascontiguousarray(along[0].T)
        self._dark = np.asarray(base.illumination.dark, np.float32)
        self._layers = layers_of(colour)
        self._scene = np.empty((3, 0, 0), np.float32)

    def of(self, light: Float32, top: int) -> Float32:
        """Return linear ACEScg planes (3, n, columns) for a frame's light from row `top` on.

        They are good until the next are asked for.
        """
        from pipeline.scene_kernel import scene_of_light

        scene = self._room(light)
        scene_of_light(light, scene, *self._arrays(top, light.shape[1]))
        return scene

    def shown(
        self, light: Float32, top: int, way: Showing, codes: NDArray[np.uint16], grey: bool
    ) -> Float32:
        """Return what `of` does, and fill codes (n, columns, 3) with what a look shows of it.

        `grey` takes the second channel for all.
        """
        from pipeline.print_kernel import codes_of_light

        scene = self._room(light)
        arrays = (*self._arrays(top, light.shape[1]), *way.arrays)
        codes_of_light(light, scene, codes, grey, *arrays)
        return scene

    def _room(self, light: Float32) -> Float32:
        """Return planes to fill; the same again, as fresh memory costs as much as the colour."""
        if self._scene.shape != light.shape:
            self._scene = np.empty_like(light)
        return self._scene

    def _arrays(self, top: int, rows: int) -> tuple[Any, ...]:
        """Return what the compiled loops take for rows from `top` on, in their order."""
        layers = self._layers
        return (
            self._across[top : top + rows], self._along, self._dark, np.float32(_LEAST_LIGHT),
            layers.unmask, np.float32(LEAST_DENSITY), layers.tables, layers.lows, layers.steps,
            layers.scene,
        )  # fmt: skip


def to_density_above(light: Float32, base: FrameBase) -> Float32:
    """Return density above base for a straightened frame's light (h, w, 3)."""
    across, along = base.log_light(light.shape[0], light.shape[1])
    dark = np.asarray(base.illumination.dark, np.float32)
    above: Float32 = across + along - np.log10(np.maximum(light - dark, np.float32(_LEAST_LIGHT)))
    return above


def to_scene(above: Float32, colour: RollColour) -> Float32:
    """Return linear ACEScg float32 (..., 3) for densities above base."""
    from pipeline.scene_kernel import scene_of_density

    layers = layers_of(colour)
    scene = np.array(np.asarray(above, np.float32).reshape(-1, 3).T[:, None], order="C")
    scene_of_density(
        scene, layers.unmask, np.float32(LEAST_DENSITY), layers.tables, layers.lows, layers.steps,
        layers.scene,
    )  # fmt: skip
    return np.ascontiguousarray(scene[:, 0].T).reshape(np.shape(above))
