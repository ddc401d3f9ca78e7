"""The infra-red plane of a scan: laid over the picture, and freed of what the dyes absorb there."""

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.encoding import Encoding, to_light

Triple = tuple[float, float, float]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]
Verdict = Literal["dust", "silver", "misfit"]

_LEAST_LIGHT = 1e-4
_MOST_SAMPLES = 60_000
_LEAST_SAMPLES = 500
_ROUNDS = 6
_KEPT = 3.0
# How much of red, green and blue density usually shows: of colour film next to nothing but red.
# So many readings tell no more than one does; doubt is in standard errors.
_USUAL_SHARE = (0.5, 0.12, 0.03)
_ALIKE, _LEAST_NOISE, _DOUBT = 16.0, 0.002, 2.0
# Only silver shows a blue picture in the infra-red; dyes do so below 0.02. With more than the
# second share of all densities there, dust no longer stands out from the picture (the first
# found on the film model's colour films, bleached and not).
_MOST_BLUE, _MOST_SHARE = 0.03, 0.72
_MISFIT, _MOST_MISFIT_SHARE = 0.05, 0.25
_TILE_PX, _MOST_TILES = 512, 9
_MOST_SHIFT_PX = 8
_FINE_PX, _COARSE_PX, _FIT_PX = 1.0, 4.0, 2.0
_LARGEST_DETAIL = 0.3
# Correlation of details that tells a place; noise alone seldom has a tenth of it.
_CLEAR_PEAK = 0.05
_DUST_SHARE = 0.2
_REFINEMENTS, _MOST_REFINED_PX = 3, 1.0
_LEAST_SLOPE, _STEEP = 0.003, 0.9
_FOCUS_STEPS_PX = (0.0, 0.35, 0.5, 0.65, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5)


@dataclass(frozen=True)
class CrossTalk:
    """How much of the picture shows in the infra-red plane.

    `share` is infra-red density per visible density, R, G, B: mostly cyan dye, whose absorption
    runs on beyond the red. `verdict` is 'dust' where the rest is dust and scratches, 'silver'
    where the film's image is silver and hides them, 'misfit' where the plane is another picture.
    """

    share: Triple
    verdict: Verdict

    @property
    def gain(self) -> float:
        """Return density in all of red, green, blue and infra-red per density left over."""
        return 1.0 / max(1.0 - sum(self.share), 1.0 - _MOST_SHARE)


def tone_exponent(encoding: Encoding) -> float:
    """Return the exponent from codes to light that comes nearest to a scan's tone curve."""
    codes = np.full((2, 3), [[0.25], [0.75]], np.float32)
    low, high = to_light(codes, encoding)[:, 1].tolist()
    return math.log(high / low) / math.log(3.0)


def infrared_density(plane: Floats, exponent: float) -> Floats:
    """Return density of an infra-red plane (h, w) of codes 0 to 1, full scale being 0."""
    density: Floats = np.float32(-exponent) * np.log10(np.maximum(plane, np.float32(_LEAST_LIGHT)))
    return density


def cross_talk(infrared: Floats, density: Floats, inside: Mask) -> CrossTalk | None:
    """Return how much of a strip's pictures shows in the infra-red, or None if little is seen.

    Parameters
    ----------
    infrared
        Density in the infra-red (h, w), as scanned over the picture or a little beside it.
    density
        Visible density (h, w, 3), from any level on.
    inside
        (h, w) true in the pictures.
    """
    shift = _peak_shift(infrared, tone(density))
    talk, soft = None, smooth(density, _FIT_PX)
    for _ in range(2):
        talk = _fitted_talk(smooth(moved(infrared, shift), _FIT_PX), soft, inside)
        if talk is None:
            return None
        shift = find_shift(infrared, density, talk)
    return talk


def _fitted_talk(infrared: Floats, density: Floats, inside: Mask) -> CrossTalk | None:
    """Fit what shows of a picture in a plane that lies over it.

    Bouguer's law: dyes add up in density, in the infra-red as in the visible, so that a linear
    fit holds for all amounts of dye. Dust stands off and is left out, round after round.
    """
    rows, columns = np.nonzero(inside)
    step = max(1, len(rows) // _MOST_SAMPLES)
    rows, columns = rows[::step], columns[::step]
    if len(rows) < _LEAST_SAMPLES:
        return None
    x, y = columns / inside.shape[1] - 0.5, rows / inside.shape[0] - 0.5
    shading = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    terms = np.column_stack([density[rows, columns].astype(float), shading])
    seen = infrared[rows, columns].astype(float)
    fitted, off, doubt = _trimmed_fit(terms, seen)
    red, green, blue = fitted[:3].tolist()
    verdict: Verdict = "dust"
    if float((np.abs(off) > _MISFIT).mean()) > _MOST_MISFIT_SHARE:
        verdict = "misfit"
    if blue > _MOST_BLUE + doubt or red + green + blue > _MOST_SHARE:
        verdict = "silver"
    return CrossTalk((red, green, blue), verdict)


def _trimmed_fit(
    terms: NDArray[np.float64], seen: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return coefficients of a fit that readings far off do not count in, and what is left.

    Last, how much the third coefficient is in doubt. What readings of grey pictures leave open
    is as colour films usually have it.
    """
    centred = terms[:, :3] - terms[:, :3].mean(axis=0)
    terms = np.column_stack([centred, terms[:, 3:]])
    kept = np.ones(len(seen), bool)
    fitted: NDArray[np.float64] = np.zeros(terms.shape[1])
    off, noise = seen, spread(seen)
    for _ in range(_ROUNDS):
        part = terms[kept]
        strength = _ALIKE * max(noise, _LEAST_NOISE) ** 2
        ridge = np.diag([*(strength / np.square(_USUAL_SHARE)), *[1e-9] * (terms.shape[1] - 3)])
        inverse = np.linalg.inv(part.T @ part + ridge)
        fitted = np.asarray(inverse @ (part.T @ seen[kept]), np.float64)
        off = np.asarray(seen - terms @ fitted, np.float64)
        noise = spread(off[kept])
        kept = np.abs(off) < _KEPT * max(noise, 1e-6)
    return fitted, off, _DOUBT * noise * (_ALIKE * float(inverse[2, 2])) ** 0.5


def spread(values: NDArray[np.floating]) -> float:
    """Return the standard deviation that a normal distribution of the same MAD has."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def tone(density: Floats) -> Floats:
    """Return the mean (h, w) of the densities (h, w, 3) of the channels."""
    mean: Floats = density @ np.full(3, 1.0 / 3.0, np.float32)
    return mean


def shown(density: Floats, talk: CrossTalk) -> Floats:
    """Return what of densities (h, w, 3) shows in the infra-red, (h, w)."""
    through: Floats = density @ np.asarray(talk.share, np.float32)
    return through


def left_over(infrared: Floats, density: Floats, talk: CrossTalk) -> Floats:
    """Return infra-red density (h, w) less what the picture's densities (h, w, 3) show there."""
    over: Floats = infrared - shown(density, talk)
    return over


def find_shift(infrared: Floats, density: Floats, talk: CrossTalk) -> tuple[float, float]:
    """Return how many pixels, x and y, the infra-red plane lies right of and below the picture.

    Parameters
    ----------
    infrared, density
        Densities of plane (h, w) and picture (h, w, 3).
    talk
        What of the picture shows in the infra-red.

    Notes
    -----
    First the peak of the cross-correlation of fine details, dust above all, which both show;
    only a clear one counts, as without details they may lie anywhere. Then what is left of the
    picture's own edges tells the rest: it is their slope times the shift.
    """
    through = shown(density, talk)
    first = _peak_shift(infrared, _both_show(density, talk))
    x, y = first
    for _ in range(_REFINEMENTS):
        step_x, step_y = _edge_shift(infrared, moved(through, (-x, -y)))
        x, y = x + step_x, y + step_y
    farther = max(abs(x - first[0]), abs(y - first[1]))
    return (x, y) if farther < _MOST_REFINED_PX else first


def _both_show(density: Floats, talk: CrossTalk) -> Floats:
    """Return of a picture (h, w, 3) what an infra-red plane shows as well: picture and dust."""
    through: Floats = shown(density, talk) + _DUST_SHARE * tone(density)
    return through


def smooth(plane: Floats, sigma: float) -> Floats:
    """Return a plane or picture blurred by a Gaussian of sigma pixels."""
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32)


def slopes(plane: Floats) -> tuple[Floats, Floats]:
    """Return how a plane (h, w) rises along rows and columns, a pixel (kernels of Scharr)."""
    along, down = (cv2.Scharr(plane, cv2.CV_32F, *way) / 32.0 for way in ((1, 0), (0, 1)))
    return np.asarray(along, np.float32), np.asarray(down, np.float32)


def _edge_shift(infrared: Floats, through: Floats) -> tuple[float, float]:
    """Return the small shift that leaves least of a picture's edges in its infra-red plane."""
    rises, left = [], []
    for rows, columns in _tiles(through):
        fine = smooth(through[rows, columns], _FINE_PX)
        off = smooth(infrared[rows, columns], _FINE_PX) - fine
        off -= smooth(off, 2 * _COARSE_PX)
        along = [part[2:-2, 2:-2].ravel() for part in slopes(fine)]
        steep = np.hypot(*along)
        edges = steep > max(_LEAST_SLOPE, float(np.quantile(steep, _STEEP)))
        rises.append(np.stack([part[edges] for part in along], axis=1))
        left.append(off[2:-2, 2:-2].ravel()[edges])
    terms, seen = np.concatenate(rises).astype(float), np.concatenate(left).astype(float)
    if len(seen) < _LEAST_SAMPLES:
        return 0.0, 0.0
    kept = np.ones(len(seen), bool)
    for _ in range(_ROUNDS):
        if kept.sum() < _LEAST_SAMPLES:
            return 0.0, 0.0
        part = terms[kept]
        ridge = np.eye(2) * 1e-6 * len(part)
        shift = np.linalg.solve(part.T @ part + ridge, part.T @ seen[kept])
        off = seen - terms @ shift
        kept = np.abs(off) < _KEPT * max(spread(off[kept]), 1e-6)
    x, y = np.clip(-shift, -0.5, 0.5).tolist()
    return x, y


def _peak_shift(infrared: Floats, picture: Floats) -> tuple[float, float]:
    """Return the shift at which details of two planes go together best, if any does clearly."""
    total, power = np.zeros((2 * _MOST_SHIFT_PX + 1,) * 2), [0.0, 0.0]
    for place in _tiles(infrared):
        one, other = _details(infrared[place]), _details(picture[place])
        total += _correlation(one, other)
        power = [power[0] + float((one * one).sum()), power[1] + float((other * other).sum())]
    row, column = np.unravel_index(int(np.argmax(total)), total.shape)
    edge = (0, 2 * _MOST_SHIFT_PX)
    peak = float(total[row, column])
    unclear = peak < _CLEAR_PEAK * max((power[0] * power[1]) ** 0.5, 1e-12)
    if row in edge or column in edge or unclear:
        return 0.0, 0.0
    x = column - _MOST_SHIFT_PX + _between(total[row, column - 1 : column + 2])
    y = row - _MOST_SHIFT_PX + _between(total[row - 1 : row + 2, column])
    return float(x), float(y)


def _tiles(plane: Floats) -> list[tuple[slice, slice]]:
    """Return a few squares, those with the most detail in the infra-red."""
    high, wide = plane.shape
    tall, broad = min(high, _TILE_PX), min(wide, _TILE_PX)
    places = [
        (slice(top, top + tall), slice(left, left + broad))
        for top in range(0, high - tall + 1, tall)
        for left in range(0, wide - broad + 1, broad)
    ]
    if len(places) > _MOST_TILES:
        places.sort(key=lambda place: -float(np.square(_details(plane[place])).sum()))
    return places[:_MOST_TILES]


def _details(plane: Floats) -> Floats:
    """Return what is finer than a few pixels and coarser than noise, held to a modest size."""
    fine = smooth(plane, _FINE_PX) - smooth(plane, _COARSE_PX)
    held: Floats = np.clip(fine, -_LARGEST_DETAIL, _LARGEST_DETAIL)
    return held


def _correlation(plane: Floats, picture: Floats) -> NDArray[np.float64]:
    """Return the correlation of two planes for all whole shifts of the first within bounds."""
    reach = _MOST_SHIFT_PX
    padded = np.pad(plane, reach)
    size = [cv2.getOptimalDFTSize(side) for side in padded.shape]
    spectrum = np.fft.rfft2(padded, size) * np.conj(np.fft.rfft2(picture, size))
    found: NDArray[np.float64] = np.fft.irfft2(spectrum, size)[: 2 * reach + 1, : 2 * reach + 1]
    return found


def _between(three: NDArray[np.float64]) -> float:
    """Return where between pixels, -0.5 to 0.5, a Gaussian through three values has its peak."""
    low, middle, high = np.log(np.maximum(three, 1e-6 * three[1])).tolist()
    bend = low - 2.0 * middle + high
    return 0.0 if bend >= 0.0 else float(np.clip((low - high) / (2.0 * bend), -0.5, 0.5))


def focus_difference(infrared: Floats, density: Floats, talk: CrossTalk) -> float:
    """Return the blur, sigma in pixels, that makes a picture as soft as its infra-red plane.

    The plane (h, w) and the picture (h, w, 3) are densities that lie over each other. Of a row
    of blurs the one counts after which details go together best; 0 where the infra-red plane is
    the sharper one.
    """
    tiles = _tiles(infrared)
    both_show = _both_show(density, talk)
    seen = [_fine_details(infrared[place]) for place in tiles]
    best, most = 0.0, 0.0
    for sigma in _FOCUS_STEPS_PX:
        both, own, theirs = 0.0, 0.0, 0.0
        for place, detail in zip(tiles, seen, strict=True):
            soft = _fine_details(blurred(both_show[place], sigma))
            both += float((detail * soft).sum())
            own += float((soft * soft).sum())
            theirs += float((detail * detail).sum())
        together = both / max((own * theirs) ** 0.5, 1e-12)
        if together > most:
            best, most = sigma, together
    return best


def _fine_details(plane: Floats) -> Floats:
    fine: Floats = plane - smooth(plane, _COARSE_PX)
    return fine


def blurred(density: Floats, sigma: float) -> Floats:
    """Return densities (h, w) or (h, w, 3) as a lens out of focus by a blur of sigma has them."""
    if sigma <= 0.0:
        return density
    light = smooth(np.power(np.float32(10.0), -density), sigma)
    soft: Floats = -np.log10(np.maximum(light, np.float32(1e-6)))
    return soft


def moved(plane: Floats, shift: tuple[float, float]) -> Floats:
    """Return a plane moved back by a shift, x and y in pixels; its edge goes on beyond it."""
    if shift == (0.0, 0.0):
        return plane
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    size = (plane.shape[1], plane.shape[0])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    back = cv2.warpAffine(plane, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(back, np.float32)
