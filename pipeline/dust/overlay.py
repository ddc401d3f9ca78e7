"""How an infra-red plane lies over its picture: shift, magnification and focus."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.dust.infrared import (
    CrossTalk,
    blurred,
    moved,
    shown,
    slopes,
    smooth,
    smooth_wide,
    spread,
    tone,
)
from pipeline.kinds import Float32, Float64, Point

_TILE_PX, _MOST_TILES = 512, 9
_MOST_SHIFT_PX = 8
_FINE_PX, _COARSE_PX = 1.0, 4.0
_LARGEST_DETAIL = 0.3
# Correlation of details that tells a place; noise alone seldom has a tenth of it.
_CLEAR_PEAK = 0.05
_DUST_SHARE = 0.2
_CENTRINGS, _REFINEMENTS, _MOST_REFINED_PX = 3, 3, 1.0
# Steps shorter than this change nothing that is seen.
_LEAST_STEP_PX = 0.01
_LEAST_SLOPE, _STEEP = 0.003, 0.9
_LEAST_SAMPLES, _ROUNDS, _KEPT = 500, 6, 3.0
# Lenses magnify infra-red otherwise by some parts in ten thousand: a pixel or so in a frame. What
# edges leave open is as without; this is how much of their squared slopes that takes.
_SHIFT_RIDGE, _MAGNIFIED_RIDGE = 1e-6, 1e-5
_FOCUS_STEPS_PX = (0.0, 0.35, 0.5, 0.65, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5)
# Details go together ever less beyond the right blur; two steps down are no noise.
_STEPS_DOWN = 2


@dataclass(frozen=True)
class Square:
    """A part of an infra-red plane and of what it shows of the picture, both (h, w) in density.

    `through` is the picture as the plane sees it, `both` that and dust; `place` is where the
    square lies, x and y from -1 to 1 over what is laid over each other.
    """

    infrared: Float32
    through: Float32
    both: Float32
    place: Point = (0.0, 0.0)


@dataclass(frozen=True)
class Overlay:
    """How far, x and y in pixels, a plane lies right of and below its picture, and how soft it is.

    `shift` is that in the middle, `along` and `down` what a step from there to the right and to
    the lower side adds; `focus_px` is the sigma of the blur that makes the picture as soft.
    """

    shift: Point = (0.0, 0.0)
    along: Point = (0.0, 0.0)
    down: Point = (0.0, 0.0)
    focus_px: float = 0.0

    def shift_at(self, place: Point) -> Point:
        """Return the shift at a place, x and y from -1 to 1."""
        x, y = (
            middle + place[0] * along + place[1] * down
            for middle, along, down in zip(self.shift, self.along, self.down, strict=True)
        )
        return x, y


def square_of(
    infrared: Float32, density: Float32, talk: CrossTalk, place: Point = (0.0, 0.0)
) -> Square:
    """Return a square at a place, of densities (h, w) and (h, w, 3)."""
    through = shown(density, talk)
    both: Float32 = through + np.float32(_DUST_SHARE) * tone(density)
    return Square(infrared, through, both, place)


def squares_of(whole: Square) -> list[Square]:
    """Return a few squares of a whole plane, those with the most detail in the infra-red."""
    return [
        Square(whole.infrared[box], whole.through[box], whole.both[box])
        for box in _most_detailed(whole.infrared)
    ]


def laid_over(squares: Sequence[Square]) -> Overlay:
    """Return how the plane lies that squares are cut from.

    Notes
    -----
    First the peak of the cross-correlation of fine details, dust above all, which both show;
    only a clear one counts, as without details they may lie anywhere. Then what is left of the
    picture's own edges tells the rest: it is their slope times the shift. Last, of a row of
    blurs the one counts after which details go together best.
    """
    placed = _refined(squares, details_shift(squares))
    return Overlay(placed.shift, placed.along, placed.down, _focus(squares, placed))


def find_shift(infrared: Float32, density: Float32, talk: CrossTalk) -> Point:
    """Return how many pixels, x and y, the infra-red plane lies right of and below the picture.

    Parameters
    ----------
    infrared, density
        Densities of plane (h, w) and picture (h, w, 3).
    talk
        What of the picture shows in the infra-red.
    """
    squares = squares_of(square_of(infrared, density, talk))
    return _refined(squares, details_shift(squares)).shift


def details_shift(squares: Sequence[Square]) -> Point:
    """Return the shift at which details of plane and picture go together best, if any does.

    Between pixels the peak is not quite as a Gaussian has it, but the two sides of a peak that
    lies on a pixel are alike: the plane is moved there, step by step.
    """
    total, power = np.zeros((2 * _MOST_SHIFT_PX + 1,) * 2), [0.0, 0.0]
    shown = [details(square.both) for square in squares]
    for square, other in zip(squares, shown, strict=True):
        one = details(square.infrared)
        total += correlation(one, other, _MOST_SHIFT_PX)
        power = [power[0] + float((one * one).sum()), power[1] + float((other * other).sum())]
    row, column = np.unravel_index(int(np.argmax(total)), total.shape)
    edge = (0, 2 * _MOST_SHIFT_PX)
    peak = float(total[row, column])
    unclear = peak < _CLEAR_PEAK * max((power[0] * power[1]) ** 0.5, 1e-12)
    if row in edge or column in edge or unclear:
        return 0.0, 0.0
    near = total[row - 1 : row + 2, column - 1 : column + 2]
    x, y = float(column - _MOST_SHIFT_PX), float(row - _MOST_SHIFT_PX)
    for step in range(_CENTRINGS):
        if step:
            near = np.zeros((3, 3))
            for square, other in zip(squares, shown, strict=True):
                near += correlation(details(moved(square.infrared, (x, y))), other, 1)
        along, down = _between(near[1]), _between(near[:, 1])
        x, y = x + along, y + down
        if step and max(abs(along), abs(down)) < _LEAST_STEP_PX:
            break
    return x, y


def _refined(squares: Sequence[Square], first: Point) -> Overlay:
    """Return a shift to a fraction of a pixel, and how it changes over the picture."""
    seen = []
    for square in squares:
        fine = smooth(square.infrared, _FINE_PX)
        seen.append(fine - smooth_wide(fine, 2 * _COARSE_PX))
    terms = np.array([first, (0.0, 0.0), (0.0, 0.0)])
    for _ in range(_REFINEMENTS):
        step = _edge_shift(squares, seen, _overlay(terms))
        terms = terms + step
        if np.abs(step).max() < _LEAST_STEP_PX:
            break
    farther = float(np.abs(terms[0] - first).max() + np.abs(terms[1:]).sum(axis=0).max())
    if farther >= _MOST_REFINED_PX:
        return Overlay(first)
    # Where a picture is smooth its edges are dust, which is no part of what shows through.
    picture = [details(square.both) for square in squares]
    ways = Overlay(first), _overlay(terms)
    return max(ways, key=lambda placed: _together(squares, picture, placed))


def _together(squares: Sequence[Square], picture: Sequence[Float32], placed: Overlay) -> float:
    """Return how well details of a plane and those of the picture go together, up to a factor."""
    return sum(
        float((details(moved(square.infrared, placed.shift_at(square.place))) * seen).sum())
        for square, seen in zip(squares, picture, strict=True)
    )


def _overlay(terms: Float64) -> Overlay:
    middle, along, down = ((float(x), float(y)) for x, y in terms)
    return Overlay(middle, along, down)


def _edge_shift(squares: Sequence[Square], seen: Sequence[Float32], placed: Overlay) -> Float64:
    """Return the small shift, and its changes (3, 2), that leaves least of a picture's edges."""
    rises, left = [], []
    for square, plane in zip(squares, seen, strict=True):
        x, y = placed.shift_at(square.place)
        fine = smooth(moved(square.through, (-x, -y)), _FINE_PX)
        off = plane - fine + smooth_wide(fine, 2 * _COARSE_PX)
        along = [part[2:-2, 2:-2].ravel() for part in slopes(fine)]
        steep = along[0] * along[0] + along[1] * along[1]
        most = round(_STEEP * (len(steep) - 1))
        edges = steep > max(_LEAST_SLOPE**2, float(np.partition(steep, most)[most]))
        slope = np.stack([part[edges] for part in along], axis=1)
        across, down = square.place
        rises.append(np.concatenate([slope, across * slope, down * slope], axis=1))
        left.append(off[2:-2, 2:-2].ravel()[edges])
    terms, values = np.concatenate(rises).astype(float), np.concatenate(left).astype(float)
    none: Float64 = np.zeros((3, 2))
    kept = np.ones(len(values), bool)
    shift = none.ravel()
    for _ in range(_ROUNDS):
        if kept.sum() < _LEAST_SAMPLES:
            return none
        part = terms[kept]
        ridge = np.diag([_SHIFT_RIDGE] * 2 + [_MAGNIFIED_RIDGE] * 4) * len(part)
        shift = np.linalg.solve(part.T @ part + ridge, part.T @ values[kept])
        off = values - terms @ shift
        before, kept = kept, np.abs(off) < _KEPT * max(spread(off[kept]), 1e-6)
        if (kept == before).all():
            break
    found: Float64 = np.clip(-shift, -0.5, 0.5).reshape(3, 2)
    return found


def _most_detailed(plane: Float32) -> list[tuple[slice, slice]]:
    high, wide = plane.shape
    tall, broad = min(high, _TILE_PX), min(wide, _TILE_PX)
    places = [
        (slice(top, top + tall), slice(left, left + broad))
        for top in range(0, high - tall + 1, tall)
        for left in range(0, wide - broad + 1, broad)
    ]
    if len(places) > _MOST_TILES:
        places.sort(key=lambda place: -float(np.square(details(plane[place])).sum()))
    return places[:_MOST_TILES]


def details(plane: Float32) -> Float32:
    """Return what is finer than a few pixels and coarser than noise, held to a modest size."""
    fine = smooth(plane, _FINE_PX) - smooth_wide(plane, _COARSE_PX)
    held: Float32 = np.clip(fine, -_LARGEST_DETAIL, _LARGEST_DETAIL)
    return held


def correlation(plane: Float32, picture: Float32, most_px: int) -> Float64:
    """Return the correlation of two planes for all whole shifts of the first within bounds."""
    if most_px == 1:
        return _near_correlation(plane, picture)
    padded = np.pad(plane, most_px)
    return np.asarray(cv2.matchTemplate(padded, picture, cv2.TM_CCORR), np.float64)


def _near_correlation(plane: Float32, picture: Float32) -> Float64:
    """Return the same (3, 3) for shifts by a pixel at the most, which sums tell sooner."""
    padded = np.pad(plane, 1)
    found = [
        np.vdot(np.ascontiguousarray(padded[y : y + len(plane), x : x + plane.shape[1]]), picture)
        for y in range(3)
        for x in range(3)
    ]
    return np.array(found, np.float64).reshape(3, 3)


def _between(three: Float64) -> float:
    """Return where between pixels, -0.5 to 0.5, a Gaussian through three values has its peak."""
    low, middle, high = np.log(np.maximum(three, 1e-6 * three[1])).tolist()
    bend = low - 2.0 * middle + high
    return 0.0 if bend >= 0.0 else float(np.clip((low - high) / (2.0 * bend), -0.5, 0.5))


def _focus(squares: Sequence[Square], placed: Overlay) -> float:
    """Return the blur of a row of blurs after which details of plane and picture go together."""
    seen = [
        _fine_details(moved(square.infrared, placed.shift_at(square.place))) for square in squares
    ]
    best, most, lower = 0.0, 0.0, 0
    for sigma in _FOCUS_STEPS_PX:
        both, own, theirs = 0.0, 0.0, 0.0
        for square, detail in zip(squares, seen, strict=True):
            soft = _fine_details(blurred(square.both, sigma))
            both += float((detail * soft).sum())
            own += float((soft * soft).sum())
            theirs += float((detail * detail).sum())
        together = both / max((own * theirs) ** 0.5, 1e-12)
        lower = 0 if together > most else lower + 1
        if together > most:
            best, most = sigma, together
        if lower >= _STEPS_DOWN:
            break
    return best


def _fine_details(plane: Float32) -> Float32:
    fine: Float32 = plane - smooth_wide(plane, _COARSE_PX)
    return fine
