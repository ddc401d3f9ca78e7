"""Dust of one frame: its window of picture and infra-red, mended in bands and straightened."""

import numpy as np
from numpy.typing import NDArray

from pipeline.dust import density_of, find_dust, mended
from pipeline.encoding import Light
from pipeline.infrared import CrossTalk, infrared_density, tone_exponent
from pipeline.layout import MM_PER_INCH
from pipeline.render import FrameBase, frame_window, picture_size
from pipeline.resample import Corners, straightened
from pipeline.scan import Scan, read_both

# A band at a time, so that memory doesn't grow with the picture; each with some of its
# neighbours, so that dust on the seam is seen whole.
_BAND_PIXELS = 3_000_000
_OVERLAP_PX = 64
# Dust at the border of a picture is filled from outside as well.
_BEYOND_PX = 8
_NEGLIGIBLE = 1e-3


def cut_mended(
    scan: Scan, outline: Corners, base: FrameBase, talk: CrossTalk, ppi: float
) -> tuple[Light, NDArray[np.uint8]]:
    """Return a frame's linear light (h, w, 3), mended and straightened, and where it was mended.

    Parameters
    ----------
    scan, outline
        A scan with an infra-red plane, and the frame's corners in it.
    base
        Film base over the frame.
    talk
        What of the strip's pictures shows in the infra-red.
    ppi
        Pixels per inch of film.

    Returns
    -------
    Light, and a mask (h, w) uint8, 255 where any of a pixel comes from a mended place; outside
    it light is bit for bit what it is without mending.
    """
    rows, columns = frame_window(scan, outline, _BEYOND_PX)
    light, infrared = read_both(scan, rows, columns)
    place = (outline, (columns[0], rows[0]), picture_size(outline))
    whole = np.asarray(straightened(light, *place), np.float32)
    mask = mend_bands(light, infrared, base, talk, tone_exponent(scan.encoding), ppi)
    if not mask.any():
        return whole, np.zeros(whole.shape[:2], np.uint8)
    share = straightened(mask[..., None].astype(np.float32), *place)[..., 0]
    touched = np.abs(share) > _NEGLIGIBLE
    # The far taps of resampling would carry what was mended into clean pixels round about.
    whole[touched] = straightened(light, *place)[touched]
    return whole, np.asarray(np.where(touched, 255, 0), np.uint8)


def mend_bands(
    light: Light,
    infrared: Light,
    base: FrameBase,
    talk: CrossTalk,
    exponent: float,
    ppi: float,
) -> NDArray[np.bool_]:
    """Mend light (h, w, 3) in place, and return where, (h, w); all else stays bit for bit.

    `infrared` (h, w) are codes 0 to 1, which become light by `exponent`.
    """
    height, width = infrared.shape
    dark = base.illumination.dark
    red, green, blue = (-channel[0] for channel in base.terms)
    mask = np.zeros((height, width), bool)
    high = max(4 * _OVERLAP_PX, _BAND_PIXELS // width)
    above = light[:0].copy()
    for top in range(0, height, high):
        bottom, stop = min(top + high, height), min(top + high + _OVERLAP_PX, height)
        start = top - len(above)
        band = np.concatenate([above, light[top:stop]])
        density = density_of(band, dark)
        dust = find_dust(
            density,
            infrared_density(infrared[start:stop], exponent),
            talk,
            base=(red, green, blue),
            px_per_mm=ppi / MM_PER_INCH,
        )
        above = band[max(0, bottom - start - _OVERLAP_PX) : bottom - start].copy()
        own = slice(top - start, bottom - start)
        light[top:bottom] = mended(band, density, dust, dark)[own]
        mask[top:bottom] = dust.mask[own]
    return mask
