"""How much of a strip's pictures shows in its infra-red plane, and what the plane is good for."""

import numpy as np

from pipeline.dust.infrared import MOST_SHARE, CrossTalk, Verdict, moved, smooth, spread, tone
from pipeline.dust.overlay import Square, details_shift, find_shift, squares_of
from pipeline.kinds import Float32, Float64, Mask

_MOST_SAMPLES = 60_000
_LEAST_SAMPLES = 500
_ROUNDS = 6
_KEPT = 3.0
# How much of red, green and blue density usually shows: of colour film next to nothing but red.
# So many readings tell no more than one does; doubt is in standard errors.
_USUAL_SHARE = (0.5, 0.12, 0.03)
_ALIKE, _LEAST_NOISE, _DOUBT = 16.0, 0.002, 2.0
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
    talk = None
    for _ in range(2):
        talk = _fitted_talk(smooth(moved(infrared, shift), _FIT_PX), soft, inside)
        if talk is None:
            return None
        shift = find_shift(infrared, density, talk)
    return talk


def _fitted_talk(infrared: Float32, density: Float32, inside: Mask) -> CrossTalk | None:
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
    if blue > _MOST_BLUE + doubt or red + green + blue > MOST_SHARE:
        verdict = "silver"
    return CrossTalk((red, green, blue), verdict)


def _trimmed_fit(terms: Float64, seen: Float64) -> tuple[Float64, Float64, float]:
    """Return coefficients of a fit that readings far off do not count in, and what is left.

    Last, how much the third coefficient is in doubt. What readings of grey pictures leave open
    is as colour films usually have it.
    """
    centred = terms[:, :3] - terms[:, :3].mean(axis=0)
    terms = np.column_stack([centred, terms[:, 3:]])
    kept = np.ones(len(seen), bool)
    fitted: Float64 = np.zeros(terms.shape[1])
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
