"""What a file rounds the densities of even places by: its codes, and its compression."""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float64, Floats
from pipeline.scan import Scan, light_steps, rounding_codes
from pipeline.strip import FilmBase

_MOST_BITS, _COARSE_BITS = 16, 8
_AT = np.linspace(0.0, 3.2, 33)


@dataclass(frozen=True)
class Rounding:
    """One standard deviation of density (33, 3) that is lost, at densities above base 0 to 3.2.

    `coarse` tells that it is codes of 8 bits that lose it.
    """

    lost: Float64
    coarse: bool = False

    def at(self, densities: Float64) -> Float64:
        """Return what densities above base (n, 3) are wrong by, one standard deviation each."""
        parts = [np.interp(densities[:, c], _AT, self.lost[:, c]) for c in range(3)]
        return np.stack(parts, axis=1)

    def left_open(self, densities: Floats) -> Float64 | None:
        """Return what codes of 8 bits leave open of densities above base (..., 3).

        One standard deviation each; None for finer codes.
        """
        if not self.coarse:
            return None
        above = np.asarray(densities, float)
        return self.at(above.reshape(-1, 3)).reshape(above.shape)


def rounding_of(scan: Scan, base: FilmBase) -> Rounding | None:
    """Return what a file rounds densities over a strip's base by; None where it holds floats."""
    if scan.floating or scan.bits > _MOST_BITS:
        return None
    codes = rounding_codes(scan)
    dark = np.asarray(base.illumination.dark)
    above_dark = (np.asarray(base.light) - dark) * 10.0 ** -_AT[:, None]
    steps = light_steps(above_dark + dark, scan.encoding, scan.bits)
    lost = codes * steps / (np.log(10.0) * np.maximum(above_dark, steps))
    return Rounding(lost, scan.bits <= _COARSE_BITS)
