"""What in a scan is film and what is not: open gate, holder, an even surround."""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import channel_mean, greatest, least, less, log_above, over, tint
from pipeline.kinds import Light, Mask, Plane
from pipeline.strip.base_light import is_base
from pipeline.strip.crowd import crowded_places
from pipeline.strip.illumination import Levels, border, fades_from_gate

OPEN = 0.5
"""Openness from which a pixel is taken for open gate: half way from base to gate in density."""

_OPAQUE_OF_BASE = 0.004
_MOST_VEIL_OF_BASE = 0.08
_DIM_OF_BASE = 0.1
_LEAST_DENSE, _DENSEST_PERCENT = 0.002, 2.0
_OVER_BASE_UNKNOWN = 1.3
_LEAST_STEP = 0.06
_LEAST_OF_BASE, _LEAST_LIGHT = 1e-4, 1e-5
_FADING_PX = 2
_SURROUND_SHARE = 0.1
_SURROUND_CORNERS = 2
_LIKE_BASE = 0.15
_LIKE_GATE = 0.03
_SURROUND_TOLERANCE = 0.09
_SURROUND_TINT = 0.045


@dataclass(frozen=True)
class Surround:
    """Masks (h, w) of a proxy: film, open gate, and holder, opaque or of an even light."""

    film: Mask
    gate: Mask
    holder: Mask


def over_base(light: Light, levels: Levels) -> Light:
    """Return light above dark as a share of the film base's, (..., 3)."""
    dark, base = _dark_and_base(levels)
    return over(less(light, dark), base) if light.ndim > 1 else (light - dark) / base


def open_and_brightest(light: Light, levels: Levels) -> tuple[Plane, Plane]:
    """Return how open a proxy (h, w, 3) is, and its brightest channel as a share of the base's.

    0 = film base, 1 = open gate, below 0 = denser film: log light above the base. A clipped gate
    is at least as light as it is where it clips.
    """
    if levels.brightest is None:
        relative = over_base(light, levels)
        logs = np.log10(np.maximum(relative, np.float32(_LEAST_OF_BASE)))
        unknown: Plane = least(logs) * np.float32(OPEN / np.log10(_OVER_BASE_UNKNOWN))
        return unknown, greatest(relative)
    from pipeline.strip.light_kernel import logs_of_step

    white = np.asarray(levels.brightest, np.float32)
    dark, base = _dark_and_base(levels)
    weight = _weight(np.log10(np.maximum(over_base(white, levels), 1.0)))
    found, brightest = (np.empty(light.shape[:2], np.float32) for _ in range(2))
    light = np.ascontiguousarray(light, np.float32)
    logs_of_step(light, dark, base, weight, _LEAST_OF_BASE, brightest, found)
    return found, brightest


def brightest_of(levels: Levels) -> Light:
    """Return the light (3,) of the open gate, or how light it is at least where none is known."""
    if levels.brightest is not None:
        return np.asarray(levels.brightest, np.float32)
    return np.float32(_OVER_BASE_UNKNOWN**2) * np.asarray(levels.base_light, np.float32)


def open_share(light: Light, levels: Levels) -> Plane:
    """Return the share of open gate in each pixel (h, w), 0 = base or denser, 1 = gate."""
    from pipeline.strip.light_kernel import shares_of_step

    weight = _weight(np.maximum(over_base(brightest_of(levels), levels) - 1.0, 0.0))
    share = np.empty(light.shape[:2], np.float32)
    light = np.ascontiguousarray(light, np.float32)
    shares_of_step(light, *_dark_and_base(levels), weight, share)
    return share


def _weight(step: Light) -> Light:
    """Return what each channel counts for how far light is on a step (3,) from base to gate.

    Light is projected on the step, so that each channel counts by what it tells.
    """
    weight: Light = (step / max(float(step @ step), _LEAST_STEP**2)).astype(np.float32)
    return weight


def _dark_and_base(levels: Levels) -> tuple[Light, Light]:
    """Return the dark level, and the light of the base above it."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    return dark, np.asarray(levels.base_light, np.float32) - dark


def opaque_below(brightest: Plane) -> float:
    """Return the share of the base's light under which a pixel is taken for opaque.

    Parameters
    ----------
    brightest
        (h, w) the brightest channel as a share of the base's.

    Notes
    -----
    What is dim and hangs together with the border is holder, most of it; where reflections
    lie over it, the limit rises, but stays under what film passes in all but its densest parts.
    Dim places all around which is light are such parts: what is lighter than they all over is a
    table, no holder.
    """
    dim = (brightest < _DIM_OF_BASE).astype(np.uint8)
    _, labels = cv2.connectedComponents(dim, connectivity=4)
    at_border = np.unique(border(labels, 1))
    holder = np.isin(labels, at_border[at_border > 0])
    if holder.mean() < 0.005:
        return _OPAQUE_OF_BASE
    veil = 1.4 * float(np.percentile(brightest[holder], 90))
    inside = (labels > 0) & ~holder
    if inside.mean() > _LEAST_DENSE:
        densest = float(np.percentile(brightest[inside], _DENSEST_PERCENT))
        # A reflection leaves parts of a holder dark; a table is lit all over.
        if float(np.percentile(brightest[holder], 10)) > densest:
            veil = densest
    return float(np.clip(veil, _OPAQUE_OF_BASE, _MOST_VEIL_OF_BASE))


def _even_surround(light: Light, levels: Levels) -> Mask:
    """Return where a scan shows an even, grey or white holder, as found along its border."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    found = np.zeros(light.shape[:2], bool)
    gate = np.ones(3) if levels.brightest is None else np.asarray(levels.brightest, float)
    base = np.log10(np.asarray(levels.base_light, float) - dark)
    open_gate = np.log10(gate - dark)
    some = light.reshape(-1, 3)[:: max(1, found.size // 100_000)]
    some = log_above(some, dark, _LEAST_LIGHT)
    for level, share in crowded_places(log_above(border(light, 3), dark, _LEAST_LIGHT)):
        like_film = not levels.grey and is_base(open_gate - level)
        like_film |= bool(np.abs(level - base).max() < _LIKE_BASE)
        to_gate = float((open_gate - level).mean())
        if share < _SURROUND_SHARE or like_film or to_gate < _LIKE_GATE:
            continue
        if fades_from_gate(level, open_gate, some):
            continue
        off = less(log_above(light, dark, _LEAST_LIGHT), level)
        mean = channel_mean(off)
        even = (mean > -_SURROUND_TOLERANCE) & (mean < min(_SURROUND_TOLERANCE, to_gate / 2))
        even &= tint(off, mean) < _SURROUND_TINT
        # Along a side of the scan lies a holder from corner to corner; pictures do not.
        corners = [
            even[y, x].mean()
            for y in (slice(4), slice(-4, None))
            for x in (slice(4), slice(-4, None))
        ]
        if sum(corner > 0.5 for corner in corners) >= _SURROUND_CORNERS:
            found |= even
    return found


def _grown(mask: Mask) -> Mask:
    size = 2 * _FADING_PX + 1
    grown: Mask = cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
    return grown


def surround(light: Light, levels: Levels) -> Surround:
    """Return film, open gate and holder of a proxy (h, w, 3), told apart pixel by pixel."""
    openness, brightest = open_and_brightest(light, levels)
    holder: Mask = brightest <= opaque_below(brightest)
    gate: Mask = openness > OPEN
    # Where gate fades into holder there is light like film's for a few pixels.
    fading = _grown(gate) & _grown(holder)
    if levels.brightest is not None:
        holder |= _even_surround(light, levels)
    gate &= ~holder
    return Surround(~gate & ~holder & ~fading, gate, holder)
