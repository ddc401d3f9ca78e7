"""What a place on a strip tells: densities, exposures of the layers; and where bars of base are."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour, layer_exposure
from pipeline.kinds import MIDDLE_GREY, Float64, Floats
from pipeline.profile import base_status_m, status_m
from pipeline.review.place import on_strip_mm, size_mm
from pipeline.roll import SurveyedRoll
from pipeline.survey import StripSurvey

PATCH_PX = 9
# Grain and dust darken single pixels of a bar; a picture's darkest tones differ from base by more.
_BASE_DENSITY, _OF_ROWS = 0.07, 80.0
_LEAST_BAR_MM = 0.25
_LEAST_EXPOSURE = 1e-6
# Log10 exposures that a curve is drawn over, from middle grey.
_REACH = np.linspace(-2.6, 2.2, 49)


@dataclass(frozen=True)
class Patch:
    """The mean of a small area: density above base by channel, and by layer with its exposure.

    `scanner` is its density as scanned, `status_m` that in Status M, where it is known; `log_h` is
    log10 exposure of the layers from middle grey.
    """

    above: tuple[float, ...]
    scanner: tuple[float, ...]
    absolute: bool
    status_m: tuple[float, ...] | None
    layers: tuple[float, ...]
    log_h: tuple[float, ...]


def patch_at(
    densities: NDArray[np.float16], place_mm: tuple[float, float], strip: int,
    surveyed: SurveyedRoll,
) -> Patch:  # fmt: skip
    """Return what a small area about a place on a strip tells, by the mean of its pixels.

    `densities` (h, w, 3) are above base, all over the strip; the place is from its left and upper
    edge, and held inside.
    """
    one, colour, scanner = surveyed.strips[strip], surveyed.colour, surveyed.scanner
    rows, columns = densities.shape[:2]
    scale = np.array([columns, rows]) / np.array(size_mm(one))
    column, row = np.clip(np.asarray(place_mm) * scale, 0, [columns - 1, rows - 1]).astype(int)
    half = PATCH_PX // 2
    part = densities[max(0, row - half) : row + half + 1, max(0, column - half) : column + half + 1]
    above = part.reshape(-1, 3).astype(float).mean(axis=0)
    base = np.asarray(one.base.density)
    told = None
    if scanner is not None and one.absolute:
        told = _plain(base_status_m(base, scanner) + status_m(above, scanner))
    exposure = np.maximum(layer_exposure(above, colour), _LEAST_EXPOSURE)
    return Patch(
        above=_plain(above),
        scanner=_plain(base + above),
        absolute=one.absolute,
        status_m=told,
        layers=_plain(np.asarray(colour.unmask) @ above),
        log_h=_plain(np.log10(exposure / MIDDLE_GREY)),
    )


def curves_of(colour: RollColour) -> list[list[list[float]]]:
    """Return for each layer points of its curve: log10 exposure from middle grey, its density."""
    gains = np.asarray(colour.balance) + np.log10(colour.exposure)
    return [
        [
            [round(float(at), 3), round(float(density), 4)]
            for at, density in zip(
                _REACH, curve.density(MIDDLE_GREY * 10.0 ** (_REACH - gain)), strict=True
            )
        ]
        for curve, gain in zip(colour.curves, gains, strict=True)
    ]


def bars_mm(densities: NDArray[np.float16], strip: StripSurvey) -> list[tuple[float, float]]:
    """Return where bars of base stand across the pictures' whole height, in mm along the strip."""
    along, across = size_mm(strip)
    rows, columns = densities.shape[:2]
    top, bottom = _height_mm(strip, across)
    inside = slice(int(top / across * rows) + 1, max(int(bottom / across * rows), 2))
    dense = np.percentile(densities[inside].astype(np.float32).max(axis=2), _OF_ROWS, axis=0)
    is_base = np.concatenate([[False], dense < _BASE_DENSITY, [False]])
    starts, ends = (np.flatnonzero(np.diff(is_base.astype(int)) == step) for step in (1, -1))
    scale = along / columns
    spans = [(float(a * scale), float(b * scale)) for a, b in zip(starts, ends, strict=True)]
    return [(round(a, 3), round(b, 3)) for a, b in spans if b - a >= _LEAST_BAR_MM]


def _height_mm(strip: StripSurvey, across: float) -> tuple[float, float]:
    """Return upper and lower edge of a strip's pictures."""
    if not strip.frames:
        return 0.2 * across, 0.8 * across
    corners: Float64 = np.array([on_strip_mm(strip, frame.outline) for frame in strip.frames])
    top, bottom = np.median(corners[:, :2, 1]), np.median(corners[:, 2:, 1])
    return max(0.0, float(top)), min(across, float(bottom))


def _plain(values: Floats | Any) -> tuple[float, ...]:
    return tuple(round(float(value), 4) for value in np.asarray(values))
