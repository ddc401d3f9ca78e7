"""Colour differences: CIELAB under D50, and CIEDE2000 with its parts."""

from functools import cache

import numpy as np

from pipeline.kinds import Float64, Floats
from pipeline.profile import find_space, from_working


@cache
def _to_relative_xyz() -> Float64:
    """Return linear ACEScg to XYZ over that of its white, adapted to D50."""
    # ROMM RGB has the white D50 (ISO 22028-2).
    romm = find_space("romm-rgb")
    to_xyz = np.array(romm.to_xyz)
    matrix: Float64 = (to_xyz @ from_working(romm)) / to_xyz.sum(axis=1)[:, None]
    return matrix


def lab_d50(scene: Floats) -> Float64:
    """Return CIE 1976 L*a*b* under D50 of linear ACEScg (..., 3), white at 1.

    CIE 015:2018, 8.2.1: the cube root, and a line below (6/29)^3, which goes on below 0.
    """
    xyz = np.asarray(scene, float) @ _to_relative_xyz().T
    line = xyz / (3 * (6 / 29) ** 2) + 4 / 29
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(np.maximum(xyz, 1e-9)), line)
    lab: Float64 = np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )
    return lab


def difference_parts(scene: Floats, reference: Float64) -> Float64:
    """Return differences in lightness, chroma and hue (..., n, 3) from a reference (n, 3).

    Both are linear ACEScg. Each is in units of the tolerances of CIEDE2000 (ISO/CIE 11664-6,
    equations 15 to 17) at the reference, without its terms of hue, so that it is smooth; for
    fitting.
    """
    want = lab_d50(reference)
    off = lab_d50(scene) - want
    lightness, chroma = want[:, 0], np.hypot(want[:, 1], want[:, 2])
    along = want[:, 1:] / np.maximum(chroma, 1e-6)[:, None]
    square = (lightness - 50.0) ** 2
    radial = (off[..., 1:] * along).sum(axis=-1)
    turned = off[..., 2] * along[:, 0] - off[..., 1] * along[:, 1]
    return np.stack(
        [
            off[..., 0] / (1.0 + 0.015 * square / np.sqrt(20.0 + square)),
            radial / (1.0 + 0.045 * chroma),
            turned / (1.0 + 0.015 * chroma),
        ],
        axis=-1,
    )


def difference_2000(scene: Floats, reference: Float64) -> Float64:
    """Return CIEDE2000 (..., n) of linear ACEScg (..., n, 3) from a reference (n, 3).

    ISO/CIE 11664-6.
    """
    from skimage.color import deltaE_ciede2000

    labs = np.broadcast_arrays(lab_d50(reference), lab_d50(scene))
    difference: Float64 = deltaE_ciede2000(*labs)  # type: ignore[no-untyped-call]
    return difference
