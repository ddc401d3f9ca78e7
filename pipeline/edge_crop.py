"""Edge codes as a second reader sees them: crops of a rebate, read by zxing-cpp."""

import cv2
import numpy as np
import zxingcpp

from pipeline.edge_track import Track
from pipeline.rebate import SAMPLES_PER_MM, Rebate

# Crops for zxing-cpp: mm above the middle of the clock and below the middle of the data; their
# enlargement; modules beside the code; an unsharp mask, its blur in modules (along, across) and
# its amount, which grows with the scan's blur in modules. Chosen on drawn codes for the most
# readings and the fewest wrong ones over resolutions, blurs and heights.
CROPS_MM = ((1.0, 0.2), (1.0, 0.3), (1.0, 0.4), (0.8, 0.2))
CROP_ENLARGED = 2
BESIDE_MODULES = 1.5
MASK_BLUR = (0.6, 0.3)
MASK_AMOUNT_PER_BLUR = 20.0


def crop_texts(rebate: Rebate, track: Track) -> list[str]:
    """Return what zxing-cpp reads in crops around a track, one text a crop at most.

    It sees one upright code on white, stretched to full contrast: a whole rebate, or print
    beside the code, leads it astray.
    """
    clock = track.clock
    module = abs(clock.module)
    reach = (track.soft.size / 2 + BESIDE_MODULES) * module
    left, right = max(0, int(clock.x - reach)), int(clock.x + reach) + 1
    dark = rebate.absorptance[:, left:right] / clock.contrast
    soft = cv2.GaussianBlur(dark, (0, 0), MASK_BLUR[0] * module, sigmaY=MASK_BLUR[1] * module)
    sharp = dark + MASK_AMOUNT_PER_BLUR * clock.blur * (dark - soft)
    grey = np.clip(255.0 * (1.0 - sharp), 0.0, 255.0)
    quiet = round(6.0 * module)
    page = np.pad(np.rint(grey).astype(np.uint8), ((0, 0), (quiet, quiet)), constant_values=255)
    if clock.module < 0.0:
        page = np.ascontiguousarray(page[:, ::-1])
    texts: list[str] = []
    for above, below in CROPS_MM:
        top = max(0, int(clock.y - above * SAMPLES_PER_MM))
        bottom = int(track.data_y + below * SAMPLES_PER_MM)
        large = (page.shape[1] * CROP_ENLARGED, (bottom - top) * CROP_ENLARGED)
        found = zxingcpp.read_barcodes(
            cv2.resize(page[top:bottom], large, interpolation=cv2.INTER_CUBIC),
            formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DXFilmEdge),
            try_rotate=False,
            try_downscale=False,
            try_invert=False,
        )
        if found:
            # Where the tracks touch, a line or two may read as something else.
            texts.append(max(found, key=_height).text)
    return texts


def _height(code: zxingcpp.Barcode) -> int:
    """Return how many lines of a picture read as this code."""
    return int(code.position.bottom_left.y - code.position.top_left.y)
