"""Light that spreads beyond a dense picture's edge: halation in the film, flare in the camera."""

import numpy as np

from pipeline.kinds import Row
from pipeline.strip import measure_limits


def above_glow(part: Row) -> Row:
    """Return density above base (rows, columns), the picture on the right, less possible glow.

    Taken off is what density the light spread from a row's next few columns would have at most.
    """
    limits = measure_limits("glow")
    slope, most = float(limits["slope"]), float(limits["most_share"])
    far_px = int(limits["far_px"])
    exposure = 10.0 ** (np.maximum(part, 0.0) / slope) - 1.0
    sums = np.pad(np.cumsum(exposure, axis=1), ((0, 0), (1, far_px)), mode="edge")
    count = part.shape[1]
    beside = (sums[:, far_px:][:, 1 : count + 1] - sums[:, 1 : count + 1]) / far_px
    left: Row = part - slope * np.log10(1.0 + most * beside)
    return left
