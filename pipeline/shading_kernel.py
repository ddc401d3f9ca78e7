"""The compiled loop that takes a lamp's shading off; importing it loads the compiler."""

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Float64, Light


@compiled("void(float64[:,::1], float64[:,::1], float32[:,:,::1])")
def lay_under(across: Float64, down: Float64, logs: Light) -> None:
    """Turn log10 light (h, w, 3) into density above base.

    Parameters
    ----------
    across, down
        (w, 3) and (h, 3) log10 light of the base, to be added up.
    """
    for row in range(len(logs)):
        for column in range(len(across)):
            for channel in range(3):
                base = np.float32(across[column, channel] + down[row, channel])
                logs[row, column, channel] = base - logs[row, column, channel]
