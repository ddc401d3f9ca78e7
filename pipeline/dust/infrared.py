"""The infra-red plane of a scan: laid over the picture, and freed of what the dyes absorb there."""

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from pipeline.channels import median
from pipeline.kinds import SIGMA_OF_MAD, Codes, Float32, Float64, Floats, Triple
from pipeline.scan import Encoding, to_light

Verdict = Literal["dust", "silver", "misfit"]

_LEAST_LIGHT, _LEAST_SOFT = 1e-4, 1e-6
# With more than this share of all densities in the infra-red, dust no longer stands out from the
# picture (found on the film model's colour films, bleached and not).
MOST_SHARE = 0.72
# Weights of cubic interpolation between pixels, as image libraries have them.
_CUBIC = -0.75


@dataclass(frozen=True)
class CrossTalk:
    """How much of the picture shows in the infra-red plane.

    `share` is infra-red density per visible density, R, G, B: mostly cyan dye, whose absorption
    runs on beyond the red. `verdict` is 'dust' where the rest is dust and scratches, 'silver'
    where the film's image is silver and hides them, 'misfit' where the plane is another picture.
    """

    share: Triple
    verdict: Verdict

    @property
    def gain(self) -> float:
        """Return density in all of red, green, blue and infra-red per density left over."""
        return 1.0 / max(1.0 - sum(self.share), 1.0 - MOST_SHARE)


def tone_exponent(encoding: Encoding) -> float:
    """Return the exponent from codes to light that comes nearest to a scan's tone curve."""
    codes = np.full((2, 3), [[0.25], [0.75]], np.float32)
    low, high = to_light(codes, encoding)[:, 1].tolist()
    return math.log(high / low) / math.log(3.0)


def infrared_density(plane: Codes | Float32, exponent: float, full: float = 1.0) -> Float32:
    """Return density of an infra-red plane (h, w) of codes from 0 to `full`, which is density 0."""
    from pipeline.dust.kernel import density_of_plane

    scale, least = np.float32(1.0 / full), np.float32(_LEAST_LIGHT)
    return density_of_plane(plane, scale, least, np.float32(exponent))


def spread(values: Floats) -> float:
    """Return the standard deviation that a normal distribution of the same MAD has."""
    flat = values.ravel()
    return SIGMA_OF_MAD * float(median(np.abs(flat - median(flat))))


def tone(density: Float32) -> Float32:
    """Return the mean (h, w) of the densities (h, w, 3) of the channels."""
    mean: Float32 = density @ np.full(3, 1.0 / 3.0, np.float32)
    return mean


def shown(density: Float32, talk: CrossTalk) -> Float32:
    """Return what of densities (h, w, 3) shows in the infra-red, (h, w)."""
    through: Float32 = density @ np.asarray(talk.share, np.float32)
    return through


def smooth(plane: Float32, sigma: float) -> Float32:
    """Return a plane or picture blurred by a Gaussian of sigma pixels."""
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32)


def smooth_wide(plane: Float32, sigma: float) -> Float32:
    """Return a plane (h, w) blurred about as by a Gaussian of some pixels, in a smaller plane.

    Means of squares half a sigma wide and straight lines between them blur as well; a Gaussian
    does the rest.
    """
    side = max(1, int(sigma / 2.0))
    high, wide = plane.shape
    small = cv2.resize(plane, (-(-wide // side), -(-high // side)), interpolation=cv2.INTER_AREA)
    # A square's variance is a twelfth of its side's, that of a triangle twice as wide a sixth.
    rest = math.sqrt(sigma**2 - side**2 / 4.0) / side
    soft = smooth(np.asarray(small, np.float32), rest)
    back = cv2.resize(soft, (wide, high), interpolation=cv2.INTER_LINEAR)
    return np.asarray(back, np.float32)


def slopes(plane: Float32) -> tuple[Float32, Float32]:
    """Return how a plane (h, w) rises along rows and columns, a pixel (kernels of Scharr)."""
    along, down = (cv2.Scharr(plane, cv2.CV_32F, *way) / 32.0 for way in ((1, 0), (0, 1)))
    return np.asarray(along, np.float32), np.asarray(down, np.float32)


def blurred(density: Float32, sigma: float) -> Float32:
    """Return densities (h, w) as a lens out of focus by a blur of sigma has them."""
    if sigma <= 0.0:
        return density
    from pipeline.dust.kernel import density_of_plane, light_of_plane

    light = smooth(light_of_plane(density), sigma)
    one = np.float32(1.0)
    return density_of_plane(light, one, np.float32(_LEAST_SOFT), one)


def moved(plane: Float32, shift: tuple[float, float]) -> Float32:
    """Return a plane moved back by a shift, x and y in pixels; its edge goes on beyond it."""
    if shift == (0.0, 0.0):
        return plane
    across, down = (math.floor(part) for part in shift)
    reach = 2 + max(abs(across), abs(down))
    wide = cv2.copyMakeBorder(plane, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
    along, below = _cubic(shift[0] - across), _cubic(shift[1] - down)
    back = cv2.sepFilter2D(wide, cv2.CV_32F, along, below, anchor=(1, 1))
    rows, columns = (slice(reach + start, start - reach) for start in (down, across))
    return np.asarray(back[rows, columns], np.float32)


def _cubic(part: float) -> Float64:
    """Return weights of the pixels -1 to 2 for a place between pixels 0 and 1."""
    far, near = part + 1.0, part
    weights = [
        ((_CUBIC * far - 5 * _CUBIC) * far + 8 * _CUBIC) * far - 4 * _CUBIC,
        ((_CUBIC + 2) * near - (_CUBIC + 3)) * near * near + 1,
        ((_CUBIC + 2) * (1 - near) - (_CUBIC + 3)) * (1 - near) ** 2 + 1,
    ]
    return np.array([*weights, 1.0 - sum(weights)])
