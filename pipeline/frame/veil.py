"""Veils over a strip: stray light and reflections that lie over pictures and base alike."""

from collections.abc import Sequence

import cv2
import numpy as np

from pipeline.channels import median
from pipeline.kinds import Mask, Plane, Row

# Film is bare from here to there beside the pictures: between them and the perforations.
_CLEAR_FROM_MM, _CLEAR_TO_MM = 0.2, 0.6
_CLEAR_FROM_PX = 2.0
MOST_VEIL = 0.12
"""Density above or below base that a veil makes of it at the most."""
BAR_SPREAD = 0.025
"""How far the rows of a gap differ where no band of light lies over them (density)."""
_VEIL_REACH_MM = 1.0
# Holes take up 42 % of the length beside the pictures (ISO 1007), film the denser rest.
_FILM_QUANTILE = 0.7
# So many rows of a column must be bare, on the average over that reach, to tell of the veil.
_LEAST_BARE = 0.2
# Bands of light along film that isn't flat are seen in its gaps: in so many at the least and in
# such a share of what may be gaps, alike within so much, and worth taking off from so much on
# (root mean square, density; a picture's columns count as busy from 0.03 on).
_LEAST_GAPS, _MOST_GAPS, _ALIKE, _LEAST_BAND = 2, 2.0 / 3.0, 0.04, 0.015


def clear_rebate(colourless: Plane, top: float, bottom: float, px_per_mm: float) -> Mask:
    """Return where film beside the pictures is bare (h, w): no holes, no print, not struck."""
    clear = np.zeros(colourless.shape, bool)
    near = max(_CLEAR_FROM_MM * px_per_mm, _CLEAR_FROM_PX)
    far = max(_CLEAR_TO_MM * px_per_mm, near + 2.0)
    for first, last in ((top - far, top - near), (bottom + near, bottom + far)):
        clear[max(0, round(first)) : max(0, round(last) + 1)] = True
    # What is lighter than base all along shows that base was taken too dense, not holes.
    lighter = np.quantile(colourless[clear], _FILM_QUANTILE) if clear.any() else 0.0
    film = min(0.0, float(lighter))
    holes = (np.abs(colourless - film) > MOST_VEIL).astype(np.uint8)
    grown = cv2.dilate(holes, np.ones((3, 3), np.uint8)).astype(bool)
    bare: Mask = clear & ~grown
    return bare


def veil(colourless: Plane, clear: Mask, top: float, bottom: float, px_per_mm: float) -> Plane:
    """Return what veils the base along the strip (h, w), as bare film beside the pictures shows.

    Reflections in the scanner's glass and stray light lighten or darken a part of a scan; they
    change slowly, from one rebate to the other.
    """
    middle = round((top + bottom) / 2)
    reach = 2 * round(_VEIL_REACH_MM * px_per_mm) + 1
    sides = [
        _along(colourless[side], clear[side], reach)
        for side in (slice(0, middle), slice(middle, None))
    ]
    above, below = (
        side if side is not None else other if other is not None else np.float32(0.0)
        for side, other in (sides, sides[::-1])
    )
    place = np.linspace(0.0, 1.0, colourless.shape[0])
    share = np.clip((place * colourless.shape[0] - top) / max(bottom - top, 1.0), 0.0, 1.0)
    veil: Plane = (above + share[:, None] * (below - above)).astype(np.float32)
    return veil


def _along(colourless: Plane, clear: Mask, reach: int) -> Row | None:
    """Return the mean of a rebate's bare film by columns (w,), None without any.

    Between holes that leave none it goes on from one side to the other.
    """
    weight = clear.sum(axis=0).astype(np.float32)
    total = np.where(clear, colourless, 0.0).sum(axis=0).astype(np.float32)
    count = cv2.blur(weight[None], (reach, 1), borderType=cv2.BORDER_REFLECT)[0]
    mean = cv2.blur(total[None], (reach, 1), borderType=cv2.BORDER_REFLECT)[0]
    seen = np.flatnonzero(count > _LEAST_BARE)
    if not len(seen):
        return None
    veil: Row = np.interp(np.arange(len(count)), seen, mean[seen] / count[seen])
    return veil


def bands(mean: Plane, gaps: Sequence[tuple[int, int]], noise: float) -> Plane | None:
    """Return density (rows, columns) that bands of light along the film make of its base.

    Film that is cupped reflects a window or a lamp in bands along it: what the gaps show of them
    changes steadily from one to the next. None where they show none, or don't agree.

    Parameters
    ----------
    mean
        Density above base (rows, columns).
    gaps
        Columns (first, one past the last) from fall to rise that may be gaps.
    noise
        Standard deviation of the base's density.
    """
    places, profiles = [], []
    for first, last in gaps:
        part = mean[:, first:last]
        rows = part.mean(axis=1)
        even = float((part - rows[:, None]).std()) < BAR_SPREAD + noise
        if even and float(np.abs(rows).max()) < 2.0 * MOST_VEIL:
            places.append((first + last - 1) / 2.0)
            profiles.append(rows)
    if len(profiles) < _LEAST_GAPS:
        return None
    seen = np.array(profiles)
    shared = median(seen, 0)
    alike = _root_mean_square(seen - shared) < _ALIKE
    if alike.sum() < max(_LEAST_GAPS, _MOST_GAPS * len(seen)):
        return None
    if _root_mean_square(shared) < _LEAST_BAND:
        return None
    at, known = np.arange(mean.shape[1]), np.array(places)[alike]
    after = np.clip(np.searchsorted(known, at), 1, len(known) - 1)
    share = np.clip((at - known[after - 1]) / (known[after] - known[after - 1]), 0.0, 1.0)
    kept = seen[alike].T
    veiled: Plane = (kept[:, after - 1] * (1.0 - share) + kept[:, after] * share).astype(np.float32)
    return veiled


def _root_mean_square(rows: Plane) -> Row:
    return np.asarray(np.sqrt(np.mean(np.square(rows), axis=-1)))
