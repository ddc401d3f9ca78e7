"""Dust and scratches, found in the infra-red plane."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import median
from pipeline.dust.fill import Places, gaussian, plate
from pipeline.dust.infrared import CrossTalk, blurred, moved, smooth, spread
from pipeline.dust.parts import NEAR, Parts, mask_of, parts_of
from pipeline.kinds import Float32, Float64, Mask, Point, Span, Triple, Whole

_LEAST_LIGHT = 1e-5
# Dust is seen where it takes away more than so many times the noise; around a place so clear
# its fainter rim counts too.
_CLEAR, _RIM = 6.0, 2.5
_LEAST_NOISE = 0.003
_TONES = 12
_LEAST_PER_TONE = 200
# So many pixels tell the noise to four parts in a hundred, and so many a square's level to a
# twentieth of the noise.
_MOST_PIXELS, _LEVEL_SAMPLES = 20_000, 24
# By less a plane need not be moved: at an edge that is a hundredth of its contrast at most.
_LEAST_SHIFT_PX = 0.01
# Planes are laid over each other to a tenth of a pixel, but differ in sharpness: a place takes
# in its neighbours. What it mixes may be as far off as lines on film run together, and as narrow,
# so that blur takes a third of its contrast.
_NEAR_PX, _LEAST_WIDE_PX, _WIDE_MM, _WIDE_STEPS, _SOFT_PX = 1, 9, 0.17, 3, 1.0
_LEAST_SHOWN, _BLURRED, _RIM_SHARE = 0.005, 0.5, 0.5
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
    the mask, in the order of its rows, and `doubt` (n,) how far it may be off.
    """

    mask: Mask
    share: Float32
    filling: Float32
    doubt: Float32
    focus_px: float = 0.0

    def places(self) -> tuple[Whole, Whole]:
        """Return rows and columns (n,) of the mask's places, by rows."""
        rows, columns = np.divmod(np.flatnonzero(self.mask), self.mask.shape[1])
        return rows, columns


def seen_of(light: Float32, dark: Triple, talk: CrossTalk) -> Seen:
    """Return what light in planes (3, h, w), less the dark level, shows; the planes become its."""
    from pipeline.dust.kernel import densities

    level, share = (np.asarray(each, np.float32) for each in (dark, talk.share))
    tones, through = densities(light, level, share, np.float32(_LEAST_LIGHT))
    return Seen(np.moveaxis(light, 0, 2), tones, through)


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
    if max(map(abs, shift)) < _LEAST_SHIFT_PX:
        shift = (0.0, 0.0)
    over = moved(infrared, shift) - through
    over -= _level(over, px_per_mm)
    found = _standing_out(over, seen.tones, through, talk, focus_px, px_per_mm)
    if not len(found):
        return _no_dust(over.shape, focus_px)
    mask = mask_of(over.shape, found.places(over.shape[1]))
    beyond = math.ceil(max(map(abs, shift)) + 2.0 * focus_px) + 1 if any(shift) else 0
    mask &= ~_no_film(seen, base, px_per_mm)
    # At the border, where one of the planes ends, they do not both show the film.
    mask[:beyond] = mask[mask.shape[0] - beyond :] = False
    mask[:, :beyond] = mask[:, mask.shape[1] - beyond :] = False
    if int(found.widths().max()) >= _WIDEST_MM * px_per_mm:
        mask = _without_wide(mask, px_per_mm)
    places = np.flatnonzero(_grown(mask, px_per_mm))
    if not 0 < len(places) <= _MOST_OF_A_PICTURE * mask.size:
        return _no_dust(over.shape, focus_px)
    return _confirmed(places, over, talk.gain, focus_px, seen)


def _no_dust(shape: Span, focus_px: float) -> Dust:
    nothing = np.zeros((0, 3), np.float32)
    share = np.ones(shape, np.float32)
    return Dust(np.zeros(shape, bool), share, nothing, nothing[:, 0], focus_px)


def _confirmed(places: Whole, over: Float32, gain: float, focus_px: float, seen: Seen) -> Dust:
    """Return the dust whose dimming shows in the picture as well, of places in its rows.

    What is dark in the infra-red alone is a fault of that plane, or an edge of the picture that
    the two planes have at different places.
    """
    parts = parts_of(over.shape, places, places, NEAR)
    mask = mask_of(over.shape, places)
    filling = plate(seen.density, parts)
    at = parts.rows, parts.columns
    lost = np.maximum(over[at], 0.0) * np.float32(gain)
    dimmed = (seen.density[at] - filling).mean(axis=1)
    doubt = filling_error(mask, seen.tones, at)
    first = parts.starts[:-1]
    missing = np.add.reduceat(lost * (_LEAST_SEEN * lost - dimmed), first)
    shows = missing < _DOUBT * np.sqrt(np.add.reduceat((lost * doubt) ** 2, first))
    kept = np.repeat(shows, np.diff(parts.starts))
    by_rows = np.argsort(parts.places(over.shape[1]))
    by_rows = by_rows[kept[by_rows]]
    mask[at] = kept
    share = np.ones(over.shape, np.float32)
    share[mask] = np.power(np.float32(10.0), -lost[by_rows])
    return Dust(mask, share, filling[by_rows], doubt[by_rows], focus_px)


def filling_error(mask: Mask, tones: Float32, at: Places) -> Float32:
    """Return how far places filled may be off, (n,): the texture of clean places near by."""
    from pipeline.dust.kernel import textures

    spreads = textures(tones, mask.view(np.uint8), gaussian(_TEXTURE_PX), *at)
    return np.asarray(_FILL_ERROR * spreads + 1e-4, np.float32)


def _level(over: Float32, px_per_mm: float) -> Float32:
    """Return the slow part of a plane: medians of squares, with a surface through them."""
    side = max(_LEAST_LEVEL_PX, round(_LEVEL_MM * px_per_mm))
    height, width = over.shape
    step = max(1, side // _LEVEL_SAMPLES)
    down, across = max(1, height // side), max(1, width // side)
    rows, columns = _samples(height, down, step), _samples(width, across, step)
    squares = over[rows[:, None, :, None], columns[None, :, None, :]].reshape(down, across, -1)
    grid = median(squares, axis=2)
    if min(down, across) >= 3:
        grid = np.asarray(cv2.medianBlur(grid, 3), np.float32)
    return np.asarray(cv2.resize(grid, (width, height), interpolation=cv2.INTER_LINEAR))


def _samples(whole: int, parts: int, step: int) -> Whole:
    """Return every so manieth place (parts, n) of a row's parts, which are nearly alike."""
    edges = np.linspace(0, whole, parts + 1).astype(int)
    return edges[:-1, None] + np.arange(0, int(np.diff(edges).min()), step)


def _standing_out(
    over: Float32,
    tones: Float32,
    through: Float32,
    talk: CrossTalk,
    focus_px: float,
    px_per_mm: float,
) -> Parts:
    """Return where a plane stands out of its noise and of what edges explain.

    Where a pixel takes in light and dark of the picture, light adds up. As infra-red shows dark
    as less dark, it shows a mixture as darker than its visible light tells: for what visible
    light there is, no mixture is darker than that of the lightest and the darkest.
    """
    from pipeline.dust.kernel import highest_at

    levels, found = _noise(over, tones)
    # Elsewhere the noise is not needed, whatever the tone.
    least = np.nextafter(np.float32(_RIM * found.min()), np.float32(0.0))
    loose = np.flatnonzero(over.reshape(-1) > least)
    above, noise = over.reshape(-1)[loose], np.interp(tones.reshape(-1)[loose], levels, found)
    parts = parts_of(over.shape, loose[above > _RIM * noise], loose[above > _CLEAR * noise])
    if not len(parts):
        return parts
    at, places = (parts.rows, parts.columns), parts.places(over.shape[1])
    above, noise = over[at], np.interp(tones[at], levels, found)
    bare = _without_dust(through, over, talk)
    more = _edges(bare, talk, focus_px, px_per_mm, at)
    lower = _RIM * noise + _RIM_SHARE * more
    if focus_px:
        reach = max(1, round(2 * focus_px))
        lower = np.maximum(lower, _FAINT_RIM * highest_at(over, reach, *at))
    return parts_of(over.shape, places[above > lower], places[above > _CLEAR * noise + more])


def _without_dust(through: Float32, over: Float32, talk: CrossTalk) -> Float32:
    """Return what shows of a picture (h, w) if all that stands out is dust, which dims it too."""
    from pipeline.dust.kernel import without_dust

    return without_dust(through, over, np.float32(-sum(talk.share) * talk.gain))


def _edges(
    through: Float32, talk: CrossTalk, focus_px: float, px_per_mm: float, at: Places
) -> Float32:
    """Return what edges of a picture may add at places, (n,), as `explained` says."""
    from pipeline.dust.kernel import explained

    shown = sum(talk.share)
    if shown <= _LEAST_SHOWN:
        return np.zeros(len(at[0]), np.float32)
    soft = smooth(through, _SOFT_PX)
    wide = max(_LEAST_WIDE_PX, round(_WIDE_MM * px_per_mm))
    reaches = np.array([_NEAR_PX + round(focus_px / 2), wide, wide // _WIDE_STEPS])
    more: Float32 = explained(soft, shown, _BLURRED, reaches, *at)
    return more


def _noise(over: Float32, tones: Float32) -> tuple[Float64, Float64]:
    """Return tones, rising, and the noise of a plane where the picture has them."""
    step = max(1, math.isqrt(tones.size // _MOST_PIXELS))
    some, values = (plane[::step, ::step].ravel() for plane in (tones, over))
    order = np.argsort(some)
    some, values = some[order], values[order]
    bounds = np.interp(np.linspace(0.0, len(some) - 1.0, _TONES + 1), np.arange(len(some)), some)
    firsts = np.searchsorted(some, bounds[:-1], "left")
    lasts = np.searchsorted(some, bounds[1:], "right")
    enough = lasts - firsts >= _LEAST_PER_TONE
    if not enough.any():
        return np.zeros(1), np.full(1, max(_LEAST_NOISE, spread(values)))
    runs = zip(firsts[enough].tolist(), lasts[enough].tolist(), strict=True)
    found = np.array([spread(values[first:last]) for first, last in runs])
    return ((bounds[:-1] + bounds[1:]) / 2)[enough], np.maximum(found, _LEAST_NOISE)


def _no_film(seen: Seen, base: Triple, px_per_mm: float) -> Mask:
    """Return where light passes film by: perforations and the open gate, with their edges."""
    lighter = seen.tones < sum(base) / 3.0 - _CLEAR_OF_FILM
    if not lighter.any():
        return np.asarray(lighter, bool)
    for channel in range(3):
        lighter &= seen.density[..., channel] < base[channel] - _CLEAR_OF_FILM
    size = 2 * max(1, round(0.1 * px_per_mm)) + 1
    kernel = np.ones((size, size), np.uint8)
    wide = cv2.morphologyEx(lighter.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    return cv2.dilate(wide, kernel).astype(bool)


def _without_wide(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask without the parts that are too wide in all directions."""
    inside = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 3)[1:-1, 1:-1]
    wide = depth > _WIDEST_MM * px_per_mm / 2
    gone = parts_of(mask.shape, np.flatnonzero(mask), np.flatnonzero(wide))
    return mask & ~mask_of(mask.shape, gone.places(mask.shape[1]))


def _grown(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask grown by a pixel or so, for planes that differ in focus."""
    radius = max(1, round(_GROWN_MM * px_per_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    return cv2.dilate(mask.view(np.uint8), disc).view(bool)
