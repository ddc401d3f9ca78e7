"""Dust and scratches, found in the infra-red plane."""

import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from pipeline.dust.fill import filled, groups, near_blocks
from pipeline.dust.infrared import CrossTalk, blurred, moved, shown, slopes, smooth, spread, tone
from pipeline.kinds import Float32, Float64, Mask, Point, Triple

LEAST_LIGHT = 1e-5
# Dust is seen where it takes away more than so many times the noise; around a place so clear
# its fainter rim counts too.
_CLEAR, _RIM = 6.0, 2.5
_LEAST_NOISE = 0.003
_TONES = 12
_LEAST_PER_TONE = 200
# So many pixels tell the noise to two parts in a hundred, and so many a square's level to a
# fiftieth of the noise.
_MOST_PIXELS, _LEVEL_SAMPLES = 60_000, 48
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
_TEXTURE_PX, _FILL_ERROR = 3.0, 0.7
# Dust dims the picture by at least this share of what it takes from the infra-red.
_LEAST_SEEN, _DOUBT = 0.35, 3.0
# As much round about as the median, slopes and bends of edges draw on.
_EDGES_HALO_PX = 8


@dataclass(frozen=True)
class Seen:
    """What a picture shows: density (h, w, 3), its mean, and what of it infra-red shows, (h, w)."""

    density: Float32
    tones: Float32
    through: Float32


@dataclass(frozen=True)
class Dust:
    """Where a picture is dusty (h, w), and the share of light (h, w) that got through there.

    The share is 1 outside the mask, and below 1 inside it or equal; it is blurred by `focus_px`
    against the picture. `filling` (n, 3) is the density from round about for the n places of
    the mask, in the order of its rows.
    """

    mask: Mask
    share: Float32
    filling: Float32
    focus_px: float = 0.0


def density_of(light: Float32, dark: Triple) -> Float32:
    """Return density (h, w, 3) of light less the dark level, full scale being 0."""
    above = np.maximum(light - np.asarray(dark, np.float32), np.float32(LEAST_LIGHT))
    density: Float32 = -np.log10(above)
    return density


def seen_of(light: Float32, dark: Triple, talk: CrossTalk) -> Seen:
    """Return what light in planes (3, h, w), less the dark level, shows."""
    density = density_of(np.moveaxis(light, 0, 2), dark)
    return Seen(density, tone(density), shown(density, talk))


def dust_of(
    seen: Seen,
    infrared: Float32,
    talk: CrossTalk,
    shift: Point,
    focus_px: float,
    *,
    base: Triple,
    px_per_mm: float,
) -> Dust:
    """Return the dust that an infra-red plane shows which lies over a picture in a known way.

    Parameters
    ----------
    seen
        What the picture shows.
    infrared
        Infra-red density (h, w), as scanned beside or over the picture.
    talk
        What of the picture shows in the infra-red.
    shift, focus_px
        How many pixels, x and y, the plane lies beside the picture, and the blur, sigma in
        pixels, by which it is softer.
    base
        Density of the film base, as `seen` counts it; what is lighter is no film.
    px_per_mm
        Scale of the scan.

    Notes
    -----
    Film dyes let infra-red through, dust and scratches do not, and dim the visible as much. The
    plane is laid over the picture, the little that dyes absorb is taken off, then its own slow
    shading; what still stands out of the noise is dust. Whether it stands out of the picture's
    edges as well is asked only there.
    """
    through = blurred(seen.through, focus_px)
    over = moved(infrared, shift) - through
    over -= _level(over, px_per_mm)
    mask = _standing_out(over, seen.tones, through, focus_px)
    none = Dust(mask, np.ones(mask.shape, np.float32), np.zeros((0, 3), np.float32), focus_px)
    if not mask.any():
        return none
    beyond = math.ceil(max(map(abs, shift)) + 2.0 * focus_px) + 1 if any(shift) else 0
    mask &= ~_no_film(seen.density, base, px_per_mm)
    # At the border, where one of the planes ends, they do not both show the film.
    mask[:beyond] = mask[mask.shape[0] - beyond :] = False
    mask[:, :beyond] = mask[:, mask.shape[1] - beyond :] = False
    mask = _grown(_without_wide(mask, px_per_mm), px_per_mm)
    if mask.mean() > _MOST_OF_A_PICTURE:
        mask[:] = False
    lost = np.maximum(over[mask], 0.0) * np.float32(talk.gain)
    none.share[mask] = np.power(np.float32(10.0), -lost)
    filling = _filling(seen.density, mask)
    return _confirmed(Dust(mask, none.share, filling, focus_px), seen)


def _filling(density: Float32, mask: Mask) -> Float32:
    """Return density (n, 3) from round about for the places of a mask.

    Places that lie far from each other are filled one after the other.
    """
    order = np.full(mask.shape, -1, np.int32)
    order[mask] = np.arange(int(mask.sum()), dtype=np.int32)
    filling = np.empty((int(mask.sum()), 3), np.float32)
    for box in groups(mask):
        own = mask[box]
        filling[order[box][own]] = filled(np.ascontiguousarray(density[box]), own)
    return filling


def _confirmed(dust: Dust, seen: Seen) -> Dust:
    """Return the dust whose dimming shows in the picture as well.

    What is dark in the infra-red alone is a fault of that plane, or an edge of the picture that
    the two planes have at different places.
    """
    if not dust.mask.any():
        return dust
    count, labels = cv2.connectedComponents(dust.mask.astype(np.uint8), connectivity=8)
    part = labels[dust.mask]
    lost = -np.log10(dust.share[dust.mask])
    dimmed = (seen.density[dust.mask] - dust.filling).mean(axis=1)
    doubt = filling_error(dust.mask, seen.tones)
    missing = np.bincount(part, lost * (_LEAST_SEEN * lost - dimmed), count)
    shows = missing < _DOUBT * np.sqrt(np.bincount(part, (lost * doubt) ** 2, count))
    mask = dust.mask.copy()
    mask[dust.mask] = shows[part]
    share: Float32 = np.where(mask, dust.share, np.float32(1.0))
    return Dust(mask, share, dust.filling[shows[part]], dust.focus_px)


def filling_error(mask: Mask, tones: Float32) -> Float32:
    """Return how far filled places may be off, (n,): the texture of clean places near by."""
    error = np.zeros(mask.shape, np.float32)
    for run, wide, inner in near_blocks(mask):
        clean = (~mask[wide]).astype(np.float32)
        shows = tones[wide] * clean
        weight = smooth(clean, _TEXTURE_PX) + np.float32(1e-6)
        mean = smooth(shows, _TEXTURE_PX) / weight
        square = smooth(shows * tones[wide], _TEXTURE_PX) / weight
        texture = _FILL_ERROR * np.sqrt(np.maximum(square - mean * mean, 0.0)) + 1e-4
        error[run] = texture[inner]
    return np.asarray(error[mask], np.float32)


def highest(plane: Float32, reach_px: int) -> Float32:
    """Return the highest value of a plane within so many pixels of each."""
    kernel = np.ones((2 * reach_px + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(plane, kernel), np.float32)


def _level(over: Float32, px_per_mm: float) -> Float32:
    """Return the slow part of a plane: medians of squares, with a surface through them."""
    side = max(_LEAST_LEVEL_PX, round(_LEVEL_MM * px_per_mm))
    height, width = over.shape
    step = max(1, side // _LEVEL_SAMPLES)
    down, across = max(1, height // side), max(1, width // side)
    tops = np.linspace(0, height, down + 1).astype(int)
    lefts = np.linspace(0, width, across + 1).astype(int)
    grid = np.empty((down, across), np.float32)
    for row in range(down):
        for column in range(across):
            square = over[tops[row] : tops[row + 1], lefts[column] : lefts[column + 1]]
            grid[row, column] = np.median(square[::step, ::step])
    if min(down, across) >= 3:
        grid = cv2.medianBlur(grid, 3)
    return np.asarray(cv2.resize(grid, (width, height), interpolation=cv2.INTER_LINEAR))


def _standing_out(over: Float32, tones: Float32, through: Float32, focus_px: float) -> Mask:
    """Return where a plane stands out of its noise and of the picture's edges."""
    places, found = _noise(over, tones)
    noise = np.full(over.shape, np.inf, np.float32)
    # Elsewhere the noise is not needed, whatever the tone.
    possible = over > _RIM * found.min()
    noise[possible] = np.interp(tones[possible], places, found)
    loose = _joined(over > _CLEAR * noise, over > _RIM * noise)
    clear, rim = np.zeros((2, *over.shape), bool)
    reach = max(1, round(2 * focus_px))
    for run, wide, inner in near_blocks(loose, _EDGES_HALO_PX):
        steep = _steep(through[wide])[inner]
        lower = _RIM * noise[run] + _EDGE_RIM_PX * steep
        if focus_px:
            lower = np.maximum(lower, _FAINT_RIM * highest(over[wide], reach)[inner])
        clear[run] = over[run] > _CLEAR * noise[run] + _EDGE_CLEAR_PX * steep
        rim[run] = over[run] > lower
    return _joined(clear, rim)


def _steep(through: Float32) -> Float32:
    """Return how steep a picture's edges are, and how bent, as the infra-red shows them."""
    # Of a median only the picture's edges are left, not those of dust itself.
    edges = np.asarray(cv2.medianBlur(through, 5), np.float32)
    bent = np.abs(cv2.Laplacian(edges, cv2.CV_32F, ksize=1))
    steep = np.hypot(*slopes(edges)) + np.float32(_BEND_PX) * bent
    return highest(np.maximum(steep, np.hypot(*slopes(through))), 1)


def _noise(over: Float32, tones: Float32) -> tuple[Float64, Float64]:
    """Return tones, rising, and the noise of a plane where the picture has them."""
    step = max(1, tones.size // _MOST_PIXELS)
    some, values = tones.ravel()[::step], over.ravel()[::step]
    order = np.argsort(some)
    some, values = some[order], values[order]
    bounds = np.quantile(some, np.linspace(0, 1, _TONES + 1))
    places, found = [], []
    for low, high in pairwise(bounds):
        first, last = np.searchsorted(some, low, "left"), np.searchsorted(some, high, "right")
        if last - first >= _LEAST_PER_TONE:
            places.append((low + high) / 2)
            found.append(max(_LEAST_NOISE, spread(values[first:last])))
    if not found:
        places, found = [0.0], [max(_LEAST_NOISE, spread(values))]
    return np.array(places, float), np.array(found, float)


def _joined(clear: Mask, rim: Mask) -> Mask:
    """Return the parts of a rim that hold a clear place."""
    _, labels = cv2.connectedComponents(rim.astype(np.uint8), connectivity=8)
    wanted = np.zeros(int(labels.max()) + 1, bool)
    wanted[labels[clear]] = True
    wanted[0] = False
    joined: Mask = wanted[labels]
    return joined


def _no_film(density: Float32, base: Triple, px_per_mm: float) -> Mask:
    """Return where light passes film by: perforations and the open gate, with their edges."""
    red, green, blue = (density[..., k] < base[k] - _CLEAR_OF_FILM for k in range(3))
    lighter = red & green & blue
    if not lighter.any():
        return np.asarray(lighter, bool)
    size = 2 * max(1, round(0.1 * px_per_mm)) + 1
    kernel = np.ones((size, size), np.uint8)
    wide = cv2.morphologyEx(lighter.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    return cv2.dilate(wide, kernel).astype(bool)


def _without_wide(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask without the parts that are too wide in all directions."""
    inside = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 3)[1:-1, 1:-1]
    wide = depth > _WIDEST_MM / 2 * px_per_mm
    return mask & ~_joined(wide & mask, mask)


def _grown(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask grown by a pixel or so, for planes that differ in focus."""
    radius = max(1, round(_GROWN_MM * px_per_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    return cv2.dilate(mask.astype(np.uint8), disc).astype(bool)
