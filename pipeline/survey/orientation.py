"""Pictures as viewers show them by the orientation that their file tells."""

import numpy as np

from pipeline.kinds import Light, as_matrix
from pipeline.strip import FilmMap, StripView

# What steps right and down of the picture as shown are in the picture as stored, (x, y) each
# (TIFF 6.0, section 8, Orientation; Exif 3.0, 4.6.5.1.9).
_STEPS = {
    1: ((1, 0), (0, 1)), 2: ((-1, 0), (0, 1)), 3: ((-1, 0), (0, -1)), 4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)), 6: ((0, -1), (1, 0)), 7: ((0, -1), (-1, 0)), 8: ((0, 1), (-1, 0)),
}  # fmt: skip


def shown(light: Light, orientation: int) -> StripView:
    """Return a proxy (h, w, 3) as viewers show it, and the way back; its scale is told as 1."""
    height, width = light.shape[:2]
    right, down = _STEPS[orientation]
    start = tuple(
        0.0 if right[axis] + down[axis] > 0 else size - 1.0
        for axis, size in enumerate((width, height))
    )
    turned = np.swapaxes(light, 0, 1) if right[0] == 0 else light
    flips = tuple(axis for axis, step in enumerate((sum(down), sum(right))) if step < 0)
    turned = np.ascontiguousarray(np.flip(turned, flips))
    rows = [(right[axis], down[axis], start[axis]) for axis in (0, 1)]
    return StripView(turned, 1.0, FilmMap(as_matrix([*rows, (0, 0, 1)])))


def shown_by(orientation: int, to_proxy: FilmMap) -> tuple[bool, bool]:
    """Tell whether a strip's view is shown turned by 180 degrees, and whether mirrored.

    A strip lies left to right, or top to bottom, in the scan as shown.

    Parameters
    ----------
    orientation
        Of the file, 1 to 8.
    to_proxy
        The way from the view to the scan as stored.

    Returns
    -------
    Whether to turn, after mirroring left to right where that is due too.
    """
    to_stored = np.array(_STEPS[orientation], float).T
    start, right, below = to_proxy.onto(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    view = np.linalg.solve(to_stored, np.column_stack([right - start, below - start]))
    mirrored = bool(np.linalg.det(view) < 0)
    along = -view[:, 0] if mirrored else view[:, 0]
    return bool(along[np.argmax(np.abs(along))] < 0), mirrored
