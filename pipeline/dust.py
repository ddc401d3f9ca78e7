"""Dust and scratches, found in the infra-red plane and mended in the picture."""

import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.fill import filled, with_grain
from pipeline.infrared import (
    CrossTalk,
    blurred,
    find_shift,
    focus_difference,
    moved,
    shown,
    slopes,
    smooth,
    spread,
    tone,
)

Triple = tuple[float, float, float]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_LEAST_LIGHT = 1e-5
_LEAST_SHARE = 0.02
# Dust is seen where it takes away more than so many times the noise; around a place so clear
# its fainter rim counts too.
_CLEAR, _RIM = 6.0, 2.5
_LEAST_NOISE = 0.003
_TONES = 12
_LEAST_PER_TONE = 200
# What is left of a picture's edges in the infra-red, in pixels that they seem displaced: planes
# are laid over each other to a tenth of one, but differ in sharpness.
_EDGE_CLEAR_PX, _EDGE_RIM_PX, _BEND_PX = 0.6, 0.25, 0.5
_LEVEL_MM, _LEAST_LEVEL_PX = 1.5, 24
# Wider than this are holder, tape and the maker's ink, not dust.
_WIDEST_MM = 1.2
_GROWN_MM = 0.012
_CLEAR_OF_FILM = 0.1
_MOST_OF_A_PICTURE = 0.2
# Out of focus, dust reaches beyond itself, though with little of its strength.
_FAINT_RIM = 0.12
_ALIGNED_PX, _TEXTURE_PX, _LEAST_ERROR, _FILL_ERROR = 0.1, 3.0, 0.01, 0.7
# Dust dims the picture by at least this share of what it takes from the infra-red.
_LEAST_SEEN, _DOUBT = 0.35, 3.0


@dataclass(frozen=True)
class Dust:
    """Where a picture is dusty (h, w), and the share of light (h, w) that got through there.

    The share is 1 outside the mask, and below 1 inside it or equal; it is blurred by `focus_px`
    against the picture. `filling` (n, 3) is the density from round about for the n places of
    the mask, in the order of its rows.
    """

    mask: Mask
    share: Floats
    filling: Floats
    focus_px: float = 0.0


def density_of(light: Floats, dark: Triple) -> Floats:
    """Return density (h, w, 3) of light less the dark level, full scale being 0."""
    above = np.maximum(light - np.asarray(dark, np.float32), np.float32(_LEAST_LIGHT))
    density: Floats = -np.log10(above)
    return density


def find_dust(
    density: Floats, infrared: Floats, talk: CrossTalk, *, base: Triple, px_per_mm: float
) -> Dust:
    """Return the dust that an infra-red plane shows on a picture.

    Parameters
    ----------
    density
        Visible density (h, w, 3), full scale 0.
    infrared
        Infra-red density (h, w), as scanned beside or over the picture.
    talk
        What of the picture shows in the infra-red.
    base
        Density of the film base, as `density` counts it; what is lighter is no film.
    px_per_mm
        Scale of the scan.

    Notes
    -----
    Film dyes let infra-red through, dust and scratches do not, and dim the visible as much. The
    plane is laid over the picture, the little that dyes absorb is taken off, then its own slow
    shading; what still stands out of the noise is dust.
    """
    shift = find_shift(infrared, density, talk)
    plane = moved(infrared, shift)
    focus_px = focus_difference(plane, density, talk)
    through = blurred(shown(density, talk), focus_px)
    over = plane - through
    over -= _level(over, px_per_mm)
    clear, rim = _limits(over, tone(density), through)
    if focus_px:
        rim = np.maximum(rim, _FAINT_RIM * _highest(over, max(1, round(2 * focus_px))))
    beyond = math.ceil(max(map(abs, shift)) + 2.0 * focus_px) + 1 if any(shift) else 0
    mask = _joined(over > clear, over > rim) & ~_no_film(density, base, px_per_mm)
    mask &= _inner(mask, beyond)
    mask = _grown(_without_wide(mask, px_per_mm), px_per_mm)
    if mask.mean() > _MOST_OF_A_PICTURE:
        mask[:] = False
    lost = np.maximum(over, 0.0) * np.float32(talk.gain)
    share: Floats = np.where(mask, np.power(np.float32(10.0), -lost), np.float32(1.0))
    return _confirmed(Dust(mask, share, filled(density, mask), focus_px), density)


def _confirmed(dust: Dust, density: Floats) -> Dust:
    """Return the dust whose dimming shows in the picture as well.

    What is dark in the infra-red alone is a fault of that plane, or an edge of the picture that
    the two planes have at different places.
    """
    if not dust.mask.any():
        return dust
    count, labels = cv2.connectedComponents(dust.mask.astype(np.uint8), connectivity=8)
    part = labels[dust.mask]
    lost = -np.log10(dust.share[dust.mask])
    dimmed = (density[dust.mask] - dust.filling).mean(axis=1)
    doubt = _filling_error(dust.mask, density)[dust.mask]
    missing = np.bincount(part, lost * (_LEAST_SEEN * lost - dimmed), count)
    seen = missing < _DOUBT * np.sqrt(np.bincount(part, (lost * doubt) ** 2, count))
    mask = dust.mask & seen[labels]
    share: Floats = np.where(mask, dust.share, np.float32(1.0))
    return Dust(mask, share, dust.filling[seen[part]], dust.focus_px)


def _highest(plane: NDArray[np.floating], reach_px: int) -> Floats:
    """Return the highest value of a plane within so many pixels of each."""
    kernel = np.ones((2 * reach_px + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(plane, kernel), np.float32)


def _inner(mask: Mask, rim_px: int) -> Mask:
    """Return where the two planes both show the film: not at the border, where one ends."""
    inner = np.zeros(mask.shape, bool)
    inner[rim_px : mask.shape[0] - rim_px, rim_px : mask.shape[1] - rim_px] = True
    return inner


def _level(over: Floats, px_per_mm: float) -> Floats:
    """Return the slow part of a plane: medians of squares, with a surface through them."""
    side = max(_LEAST_LEVEL_PX, round(_LEVEL_MM * px_per_mm))
    height, width = over.shape
    down, across = max(1, height // side), max(1, width // side)
    tops = np.linspace(0, height, down + 1).astype(int)
    lefts = np.linspace(0, width, across + 1).astype(int)
    grid = np.empty((down, across), np.float32)
    for row in range(down):
        for column in range(across):
            square = over[tops[row] : tops[row + 1], lefts[column] : lefts[column + 1]]
            grid[row, column] = np.median(square)
    if min(down, across) >= 3:
        grid = cv2.medianBlur(grid, 3)
    return np.asarray(cv2.resize(grid, (width, height), interpolation=cv2.INTER_LINEAR))


def _limits(over: Floats, tones: Floats, through: Floats) -> tuple[Floats, Floats]:
    """Return above what a place is dust, and above what it is its rim, both (h, w)."""
    noise = _noise(over, tones)
    # Of a median only the picture's edges are left, not those of dust itself.
    edges = np.asarray(cv2.medianBlur(through, 5), np.float32)
    bent = np.abs(cv2.Laplacian(edges, cv2.CV_32F, ksize=1))
    steep = np.hypot(*slopes(edges)) + np.float32(_BEND_PX) * bent
    steep = _highest(np.maximum(steep, np.hypot(*slopes(through))), 1)
    return _CLEAR * noise + _EDGE_CLEAR_PX * steep, _RIM * noise + _EDGE_RIM_PX * steep


def _noise(over: Floats, tones: Floats) -> Floats:
    """Return the noise of a plane as it goes with the picture's density, (h, w)."""
    step = max(1, tones.size // 400_000)
    some, values = tones.ravel()[::step], over.ravel()[::step]
    bounds = np.quantile(some, np.linspace(0, 1, _TONES + 1))
    places, found = [], []
    for low, high in pairwise(bounds):
        part = values[(some >= low) & (some <= high)]
        if len(part) >= _LEAST_PER_TONE:
            places.append((low + high) / 2)
            found.append(max(_LEAST_NOISE, spread(part)))
    if not found:
        return np.full(tones.shape, max(_LEAST_NOISE, spread(values)), np.float32)
    return np.interp(tones, places, found).astype(np.float32)


def _joined(clear: Mask, rim: Mask) -> Mask:
    """Return the parts of a rim that hold a clear place."""
    _, labels = cv2.connectedComponents(rim.astype(np.uint8), connectivity=8)
    wanted = np.zeros(int(labels.max()) + 1, bool)
    wanted[labels[clear]] = True
    wanted[0] = False
    joined: Mask = wanted[labels]
    return joined


def _no_film(density: Floats, base: Triple, px_per_mm: float) -> Mask:
    """Return where light passes film by: perforations and the open gate, with their edges."""
    red, green, blue = (density[..., k] < base[k] - _CLEAR_OF_FILM for k in range(3))
    lighter = (red & green & blue).astype(np.uint8)
    size = 2 * max(1, round(0.1 * px_per_mm)) + 1
    wide = cv2.morphologyEx(lighter, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    return cv2.dilate(wide, np.ones((size, size), np.uint8)).astype(bool)


def _without_wide(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask without the parts that are too wide in all directions."""
    if not mask.any():
        return mask
    inside = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 3)[1:-1, 1:-1]
    wide = depth > _WIDEST_MM / 2 * px_per_mm
    return mask & ~_joined(wide & mask, mask)


def _grown(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask grown by a pixel or so, for planes that differ in focus."""
    radius = max(1, round(_GROWN_MM * px_per_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    return cv2.dilate(mask.astype(np.uint8), disc).astype(bool)


def scaled_back(light: Floats, share: Floats, dark: Triple) -> Floats:
    """Return light (n, 3) as it was before only a share (n,) of it got through dust.

    `dark` is the scanner's own level, which dust does not dim; shares count as 0.02 at least.
    """
    level = np.asarray(dark, np.float32)
    through = np.maximum(share, np.float32(_LEAST_SHARE))[:, None]
    return np.asarray((light - level) / through + level, np.float32)


def _trust(dust: Dust, picture: Floats) -> Floats:
    """Return how much a pixel scaled back counts against a filled one, 0 to 1, (h, w).

    Each weighs by the inverse of its squared error: scaled back, of what focus and place leave
    uncertain where the share changes quickly, and of noise where little light got through;
    filled, of the texture round about.
    """
    lost: Floats = -np.log10(dust.share)
    bend = np.abs(cv2.Laplacian(lost, cv2.CV_32F, ksize=1))
    reach = 1 + math.ceil(2.0 * dust.focus_px)
    steep, bent = _highest(np.hypot(*slopes(lost)), reach), _highest(bend, reach)
    noise = np.float32(_LEAST_ERROR) / np.maximum(dust.share, np.float32(_LEAST_SHARE))
    scaling = noise + (_ALIGNED_PX + dust.focus_px) * steep + dust.focus_px**2 * bent
    filling = _filling_error(dust.mask, picture)
    trust: Floats = (filling**2 / (filling**2 + scaling**2)).astype(np.float32)
    return trust


def _filling_error(mask: Mask, picture: Floats) -> Floats:
    """Return how far a filled place may be off, (h, w): the texture of clean places near by."""
    clean = (~mask).astype(np.float32)
    seen = tone(picture) * clean
    weight = smooth(clean, _TEXTURE_PX) + np.float32(1e-6)
    mean = smooth(seen, _TEXTURE_PX) / weight
    square = smooth(seen * seen, _TEXTURE_PX) / weight
    error: Floats = _FILL_ERROR * np.sqrt(np.maximum(square - mean * mean, 0.0)) + 1e-4
    return error


def mended(light: Floats, density: Floats, dust: Dust, dark: Triple) -> Floats:
    """Return a picture's light (h, w, 3) with its dust mended; clean pixels are as they were.

    `density` is that of the light. Where dust lets most of the light through it is scaled back;
    where little, the place is filled from around it, with the grain found there; between the
    two in parts.
    """
    result = light.copy()
    if not dust.mask.any():
        return result
    rows, columns = np.nonzero(dust.mask)
    share = dust.share[rows, columns]
    scaled = density_of(scaled_back(light[rows, columns], share, dark)[None], dark)[0]
    across = with_grain(dust.filling, density, dust.mask)
    trust = _trust(dust, density)[rows, columns, None]
    between = trust * scaled + (1.0 - trust) * across
    level = np.asarray(dark, np.float32)
    result[rows, columns] = np.power(np.float32(10.0), -between) + level
    return result
