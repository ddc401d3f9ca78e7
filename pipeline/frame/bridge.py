"""Bars of a holder that lie across the film, over gaps between its pictures."""

import numpy as np

from pipeline.kinds import Mask, Plane

# A bar is opaque in all but so many rows, holes and rebates too, and blurred so far.
_OPAQUE, _SPECKS = 0.8, 0.02
_BLURRED_PX = 2
# Beside it so much of the film's width is base, give or take, over the next millimetre.
_BESIDE_MM, _LEAST_BASE, _BASE = 1.0, 0.05, 0.15


def without_bridges(density: Plane, px_per_mm: float, gap_mm: float) -> tuple[Plane, Mask]:
    """Return density above base (h, w) with base where a holder's bar covers columns, and which.

    What no light comes through tells neither a picture nor a gap, and whatever it covers is no
    picture that shows. Film that light struck is as dense, but wherever it goes on beside. What
    is wider than a usual gap (`gap_mm`), as the tape of a splice may be, hides edges of pictures:
    where it ends tells nothing of them.
    """
    lightest = np.quantile(density, _SPECKS, axis=0)
    opaque = lightest > _OPAQUE
    covered = np.zeros(len(opaque), bool)
    far = _BLURRED_PX + max(2, round(_BESIDE_MM * px_per_mm))
    ends = np.flatnonzero(np.diff(np.concatenate([[0], opaque.astype(np.int8), [0]])))
    for first, last in zip(ends[::2], ends[1::2], strict=True):
        sides = (
            slice(max(0, first - far), max(0, first - _BLURRED_PX)),
            slice(last + _BLURRED_PX, last + far),
        )
        narrow = last - first < gap_mm * px_per_mm
        if narrow and all(_shows_base(density[:, side]) for side in sides):
            covered[max(0, first - _BLURRED_PX) : last + _BLURRED_PX] = True
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
