"""How much of a strip's pictures shows in its infra-red plane, and what the plane is good for."""

from collections.abc import Callable

import numpy as np

from pipeline.dust.infrared import (
    MOST_SHARE,
    CrossTalk,
    Verdict,
    moved,
    slopes,
    smooth,
    spread,
    tone,
)
from pipeline.dust.overlay import Square, details_shift, find_shift, squares_of
from pipeline.kinds import Float32, Float64, Mask

_MOST_SAMPLES, _LEAST_SAMPLES = 60_000, 250
_ROUNDS = 6
_KEPT = 3.0
# Of colour film the infra-red shows cyan dye. Red density is nearly that, less or plus some of
# the green and a little of the blue, as filters see more than one dye; silver shows in all three
# alike (from memory). What lies outside of these is no share but a fit of something else.
_CYAN_WITH = ((-0.35, 0.25), (-0.04, 0.04))
# So many readings tell no more than one does; doubt is in standard errors.
_ALIKE, _DOUBT = 16.0, 2.0
_USUAL_SHARE = (0.5, 0.12, 0.03)
_LEAST_NOISE = 0.002
# Only silver shows a blue picture in the infra-red; dyes do so below 0.02 (found on the film
# model's colour films, bleached and not).
_MOST_BLUE = 0.03
_MISFIT, _MOST_MISFIT_SHARE = 0.05, 0.25
_FIT_PX = 2.0


def cross_talk(infrared: Float32, density: Float32, inside: Mask) -> CrossTalk | None:
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
    visible, soft = tone(density), smooth(density, _FIT_PX)
    shift = details_shift(squares_of(Square(infrared, visible, visible)))
    talk = _fitted_talk(smooth(moved(infrared, shift), _FIT_PX), soft, inside)
    if talk is None:
        return None
    shift = find_shift(infrared, density, talk)
    return _fitted_talk(smooth(moved(infrared, shift), _FIT_PX), soft, inside)


def _fitted_talk(infrared: Float32, density: Float32, inside: Mask) -> CrossTalk | None:
    """Fit what shows of a picture in a plane that lies over it.

    Bouguer's law: dyes add up in density, in the infra-red as in the visible, so that a linear
    fit holds for all amounts of dye. Dust stands off and is left out, round after round. Where
    a pixel takes in light and dark, light adds up and not density, so that shares are read where
    the picture is flat.
    """
    if np.count_nonzero(inside) < 2 * _LEAST_SAMPLES:
        return None
    fitted, off, doubt = _trimmed_fit(*_readings(infrared, density, inside), _nearest)
    terms, seen = _readings(infrared, density, _flat(density, inside, infrared))
    beside = seen - terms @ fitted
    beside -= np.median(beside)
    kept = np.abs(beside) < _KEPT * max(spread(beside), 1e-6)
    flat, *_ = _trimmed_fit(terms[kept], seen[kept], _possible)
    red, green, blue = flat[:3].tolist()
    verdict: Verdict = "dust"
    if float((np.abs(off) > _MISFIT).mean()) > _MOST_MISFIT_SHARE:
        verdict = "misfit"
    if fitted[2] > _MOST_BLUE + doubt or red + green + blue > MOST_SHARE:
        verdict = "silver"
    return CrossTalk((red, green, blue), verdict)


def _flat(density: Float32, inside: Mask, infrared: Float32) -> Mask:
    """Return the half (h, w) of the pictures that is the flattest, in no channel steep."""
    planes = (*(np.ascontiguousarray(density[..., channel]) for channel in range(3)), infrared)
    steep = np.max([np.hypot(*slopes(plane)) for plane in planes], axis=0)
    flat: Mask = inside & (steep <= np.median(steep[inside]))
    return flat


def _readings(infrared: Float32, density: Float32, inside: Mask) -> tuple[Float64, Float64]:
    """Return what a plane is made up of (n, 9), densities less their mean first, and it, (n,)."""
    rows, columns = np.nonzero(inside)
    step = max(1, len(rows) // _MOST_SAMPLES)
    rows, columns = rows[::step], columns[::step]
    x, y = columns / inside.shape[1] - 0.5, rows / inside.shape[0] - 0.5
    shading = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    visible = density[rows, columns].astype(float)
    terms = np.column_stack([visible - visible.mean(axis=0), shading])
    return terms, infrared[rows, columns].astype(float)


def _trimmed_fit(
    terms: Float64, seen: Float64, solve: Callable[[Float64, Float64], Float64]
) -> tuple[Float64, Float64, float]:
    """Return coefficients of a fit that readings far off do not count in, and what is left.

    Last, how much the third coefficient is in doubt. What readings of grey pictures leave open
    is as colour films usually have it.
    """
    kept = np.ones(len(seen), bool)
    fitted: Float64 = np.zeros(terms.shape[1])
    off, noise = seen, spread(seen)
    whole, pull = terms.T @ terms, terms.T @ seen
    for _ in range(_ROUNDS):
        # Those that don't count are few.
        out = np.flatnonzero(~kept)
        strength = _ALIKE * max(noise, _LEAST_NOISE) ** 2
        ridge = np.diag([*(strength / np.square(_USUAL_SHARE)), *[1e-9] * (terms.shape[1] - 3)])
        energy = whole - terms[out].T @ terms[out] + ridge
        fitted = np.asarray(solve(energy, pull - terms[out].T @ seen[out]), np.float64)
        off = np.asarray(seen - terms @ fitted, np.float64)
        noise = spread(off[kept])
        kept = np.abs(off) < _KEPT * max(noise, 1e-6)
    inverse = np.linalg.inv(energy)
    return fitted, off, _DOUBT * noise * (_ALIKE * float(inverse[2, 2])) ** 0.5


def _nearest(energy: Float64, pull: Float64) -> Float64:
    """Return the least of a quadratic form (n, n)."""
    return np.asarray(np.linalg.solve(energy, pull), np.float64)


def _possible(energy: Float64, pull: Float64) -> Float64:
    """Return the least of a quadratic form (n, n) whose first three numbers dyes or silver show."""
    from scipy.optimize import nnls

    cyan = [(1.0, green, blue) for green in _CYAN_WITH[0] for blue in _CYAN_WITH[1]]
    ways = np.array([*cyan, (1.0, 1.0, 1.0)]).T
    # What is free is at its best for any shares, so that only the shares are left to be found.
    free = np.linalg.solve(energy[3:, 3:], np.column_stack([energy[3:, :3], pull[3:]]))
    own = energy[:3, :3] - energy[:3, 3:] @ free[:, :3]
    root = np.linalg.cholesky(own).T
    wanted = np.linalg.solve(root.T, pull[:3] - energy[:3, 3:] @ free[:, 3])
    share = ways @ nnls(root @ ways, wanted)[0]
    return np.concatenate([share, free[:, 3] - free[:, :3] @ share])
