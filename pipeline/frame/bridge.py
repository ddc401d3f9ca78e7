"""Bars of a holder that lie across the film, over gaps between its pictures."""

import numpy as np

from pipeline.kinds import Mask, Plane

# A bar is opaque in all but so many rows, holes and rebates too, and blurred so far.
_OPAQUE, _SPECKS = 0.8, 0.02
BLURRED_PX = 2
# Holders leave most of a picture free (common practice, no source).
_WIDEST_OF_GAP = 2.0
# Beside it so much of the film's width is base, give or take, over the next millimetre.
_BESIDE_MM, _LEAST_BASE, _BASE = 1.0, 0.05, 0.15
# On one of its sides a picture of less than this share of its density may leave no base in view.
_CLEARLY_LIGHTER = 0.5


def without_bridges(density: Plane, px_per_mm: float, gap_mm: float) -> tuple[Plane, Mask]:
    """Return density above base (h, w) with base where a holder's bar covers columns, and which.

    What no light comes through tells neither a picture nor a gap, and whatever it covers is no
    picture that shows. Film that light struck is as dense, but wherever it goes on beside. A bar is
    at most twice as wide as a usual gap (`gap_mm`); tape of a splice may be wider, and film under
    it ends anywhere.
    """
    lightest = np.quantile(density, _SPECKS, axis=0)
    opaque = lightest > _OPAQUE
    covered = np.zeros(len(opaque), bool)
    far = BLURRED_PX + max(2, round(_BESIDE_MM * px_per_mm))
    ends = np.flatnonzero(np.diff(np.concatenate([[0], opaque.astype(np.int8), [0]])))
    for first, last in zip(ends[::2], ends[1::2], strict=True):
        sides = (
            slice(max(0, first - far), max(0, first - BLURRED_PX)),
            slice(last + BLURRED_PX, last + far),
        )
        narrow = last - first < _WIDEST_OF_GAP * gap_mm * px_per_mm
        sides_seen = [density[:, side] for side in sides]
        base = [_shows_base(side) for side in sides_seen]
        most = _CLEARLY_LIGHTER * float(np.median(lightest[first:last]))
        ends_here = [side.size > 0 and float(np.median(side)) < most for side in sides_seen]
        if narrow and any(base) and all(np.logical_or(base, ends_here)):
            covered[max(0, first - BLURRED_PX) : last + BLURRED_PX] = True
    if not covered.any():
        return density, covered
    shown = density.copy()
    shown[:, covered] = 0.0
    return shown, covered


def _shows_base(density: Plane) -> bool:
    """Tell whether rows of film (h, w) are base: rebates beside a picture, or a gap."""
    if not density.shape[1]:
        return False
    rows = np.median(density, axis=1)
    return bool((np.abs(rows) < _BASE).mean() > _LEAST_BASE)
