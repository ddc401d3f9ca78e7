"""What in a scan is no film: open gate, opaque holder, an even grey or white surround."""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import channel_mean, greatest, least, less, log_above, over, tint
from pipeline.illumination import Levels, crowded_places, fades_from_gate, is_base
from pipeline.kinds import Light, Mask, Plane

OPEN = 0.5
"""Openness from which a pixel is taken for open gate: half way from base to gate in density."""

_OPAQUE_OF_BASE = 0.004
_MOST_VEIL_OF_BASE = 0.08
_DIM_OF_BASE = 0.1
_OVER_BASE_UNKNOWN = 1.3
_LEAST_STEP = 0.06
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

    def turned(self) -> "Surround":
        """Return the masks turned a quarter, their right side up."""
        film, gate, holder = (
            np.ascontiguousarray(np.rot90(mask)) for mask in (self.film, self.gate, self.holder)
        )
        return Surround(film, gate, holder)


def over_base(light: Light, levels: Levels) -> Light:
    """Return light above dark as a share of the film base's, (..., 3)."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    base: Light = np.asarray(levels.base_light, np.float32) - dark
    return over(less(light, dark), base) if light.ndim > 1 else (light - dark) / base


def openness(light: Light, levels: Levels) -> Plane:
    """Return how open a proxy (h, w, 3) is: 0 = film base, 1 = open gate, below 0 = denser film.

    Notes
    -----
    Log light above the base, projected on the way from base to gate, so that each channel
    counts by what it tells. A clipped gate is taken for full scale.
    """
    logs = np.log10(np.maximum(over_base(light, levels), np.float32(1e-4)))
    gate = levels.illumination.gate
    if gate is None and not levels.gate_clipped:
        unknown: Plane = least(logs) * np.float32(OPEN / np.log10(_OVER_BASE_UNKNOWN))
        return unknown
    brightest = np.ones(3, np.float32) if gate is None else np.asarray(gate, np.float32)
    step = np.log10(np.maximum(over_base(brightest, levels), 1.0))
    weight = step / max(float(step @ step), _LEAST_STEP**2)
    shown: Plane = logs @ weight.astype(np.float32)
    return shown


def opaque_below(relative: Light) -> float:
    """Return the share of the base's light under which a pixel is taken for opaque.

    Parameters
    ----------
    relative
        (h, w, 3) as of `over_base`.

    Notes
    -----
    What is dim and hangs together with the border is holder, most of it; where reflections
    lie over it, the limit rises, but stays under what film passes in all but its densest parts.
    """
    brightest = greatest(relative)
    dim = (brightest < _DIM_OF_BASE).astype(np.uint8)
    _, labels = cv2.connectedComponents(dim, connectivity=4)
    rims = (labels[0], labels[-1], labels[:, 0], labels[:, -1])
    at_border = np.unique(np.concatenate(rims))
    holder = np.isin(labels, at_border[at_border > 0])
    if holder.mean() < 0.005:
        return _OPAQUE_OF_BASE
    veil = 1.4 * float(np.percentile(brightest[holder], 90))
    return float(np.clip(veil, _OPAQUE_OF_BASE, _MOST_VEIL_OF_BASE))


def _even_surround(light: Light, levels: Levels) -> Mask:
    """Return where a scan shows an even, grey or white holder, as found along its border."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    logs = log_above(light, dark, 1e-5)
    rim = np.concatenate(
        [logs[:3].reshape(-1, 3), logs[-3:].reshape(-1, 3), logs[:, :3].reshape(-1, 3),
         logs[:, -3:].reshape(-1, 3)]
    )  # fmt: skip
    found = np.zeros(light.shape[:2], bool)
    gate = levels.illumination.gate
    brightest = np.ones(3) if gate is None else np.asarray(gate, float) - dark
    base = np.log10(np.asarray(levels.base_light, float) - dark)
    open_gate = np.log10(brightest)
    some = logs.reshape(-1, 3)[:: max(1, found.size // 100_000)]
    for level, share in crowded_places(rim):
        like_film = is_base(open_gate - level, grey=levels.grey)
        like_film |= bool(np.abs(level - base).max() < _LIKE_BASE)
        to_gate = float((open_gate - level).mean())
        if share < _SURROUND_SHARE or like_film or to_gate < _LIKE_GATE:
            continue
        if fades_from_gate(level, open_gate, some):
            continue
        off = less(logs, level)
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
    relative = over_base(light, levels)
    holder: Mask = greatest(relative) <= opaque_below(relative)
    gate: Mask = openness(light, levels) > OPEN
    # Where gate fades into holder there is light like film's for a few pixels.
    fading = _grown(gate) & _grown(holder)
    if levels.illumination.absolute or levels.gate_clipped:
        holder |= _even_surround(light, levels)
    gate &= ~holder
    return Surround(~gate & ~holder & ~fading, gate, holder)


def open_share(light: Light, levels: Levels) -> Plane:
    """Return the share of open gate in each pixel (h, w), 0 = base or denser, 1 = gate."""
    relative = over_base(light, levels)
    gate = levels.illumination.gate
    if gate is None:
        brightest = np.ones(3, np.float32)
        if not levels.gate_clipped:
            brightest = _OVER_BASE_UNKNOWN**2 * np.asarray(levels.base_light, np.float32)
    else:
        brightest = np.asarray(gate, np.float32)
    step = np.maximum(over_base(brightest, levels) - 1.0, 0.0)
    weight = step / max(float(step @ step), _LEAST_STEP**2)
    shown: Plane = np.clip((relative - 1.0) @ weight.astype(np.float32), 0.0, 1.0)
    return shown
