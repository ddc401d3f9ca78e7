"""Film base of known colour and evenness under an exposure of its own, which a file shows."""

from dataclasses import replace

import numpy as np

from pipeline.kinds import Float32, Float64, Light, Mask, as_triple
from pipeline.strip.base import FilmBase, base_crowd, clear_of_edges, given_base, logs_off
from pipeline.strip.shading import over_view

# Codes so near the highest are full: what compression and averaging leave of those.
_FULL = 0.97
# One base has one colour, as well as noise and compression let single pixels tell it, in density.
_ALIKE = 0.06
_NEAR, _TOLERANCE = 0.12, 0.03
_LEAST_AREA_MM2 = 4.0


def full_of(light: Light) -> Mask:
    """Return where light (h, w, 3) is at full scale, by channel."""
    full: Mask = light >= _FULL
    return full


def gains_over(off: Light, full: Mask) -> tuple[Float32, Mask]:
    """Return by how much each pixel is brighter than a base, and where it is of its colour.

    Parameters
    ----------
    off
        log10 light (h, w, 3) less that of the base under some exposure.
    full
        (h, w, 3) where light is at full scale, which tells only that there is no less of it.

    Returns
    -------
    The mean of the channels below full scale (h, w), that of all where none is; and where those
    channels agree on it, and the full ones don't belie it.
    """
    counted = (~full).astype(np.float32)
    some = counted.sum(axis=2)
    mean = (off * counted).sum(axis=2) / np.maximum(some, 1.0)
    gains = np.where(some > 0.0, mean, off.mean(axis=2)).astype(np.float32)
    apart = off - gains[..., None]
    apart = np.where(full, np.maximum(apart, 0.0), np.abs(apart))
    return gains, (some > 0.0) & (apart.max(axis=2) < _ALIKE)


def known_base(
    light: Light, rough: FilmBase, terms: Float64, px_per_mm: float, outside: Mask
) -> FilmBase | None:
    """Return a strip's base by its known colour and evenness, None if too little of it shows.

    Parameters
    ----------
    light
        View of the strip (h, w, 3), linear light.
    rough
        The base as it shows in the view alone.
    terms
        Of the known base's log10 light over the view (3, 5), under any exposure.
    px_per_mm
        Scale of the view.
    outside
        (h, w) true in rebate and gaps.
    """
    dark = rough.illumination.dark
    off, full = logs_off(light, dark, terms), full_of(light)
    gains, alike = gains_over(off, full)
    seen = np.asarray(rough.light, np.float32)[None, None]
    near = np.log10(seen - np.asarray(dark, np.float32)) - over_view(terms, light.shape[:2])
    first = gains_over(near.astype(np.float32), full_of(seen))[0].item()
    like = alike & outside & (np.abs(gains - first) < _NEAR)
    kept = clear_of_edges(like, px_per_mm)
    for _ in range(2):
        if kept.sum() < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        level = base_crowd(gains[kept])
        kept = kept & (np.abs(gains - level) < _TOLERANCE)
    # In light, where noise is symmetrical.
    gain = float(np.log10((10.0 ** gains[kept].astype(float)).mean()))
    moved = terms.copy()
    moved[:, 0] += gain
    centre = as_triple(10.0 ** moved[:, 0] + np.asarray(dark))
    even = moved.copy()
    even[:, 0] = 0.0
    spread = as_triple((off[kept] - gain).std(axis=0))
    base = given_base(centre, spread, rough.illumination, even, light.shape[:2])
    return replace(base, area_mm2=float(kept.sum() / px_per_mm**2))
