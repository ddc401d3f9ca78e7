"""Even patches with straight sides in a picture of densities: what a chart may consist of."""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.kinds import Float64, Mask, Picture

# Steepness, in density a pixel, above which a place counts as an edge. Borders of a chart are
# lighter than most patches by 0.1 to 1.5, over some pixels; grain sets the least.
_STEEP = (0.008, 0.016, 0.03, 0.06, 0.12)
_LEAST_AREA_PX = 9
_MOST_AREA_SHARE = 1 / 16
# Share of the smallest rectangle around it that a patch fills, and its longest shape.
_LEAST_FILL = 0.7
_LONGEST = 1.9
# Edges take a pixel or two off a patch on each side.
_EDGE_PX = 3.0
_MOST_PATCHES = 220


@dataclass(frozen=True)
class Patches:
    """Centres (n, 2) in pixels and sides (n) in pixels of even patches."""

    centres: Float64
    sides: Float64


def even_patches(picture: Picture) -> Patches:
    """Return the even patches of a picture of densities (h, w, 3), squarest first.

    Patches are what edges enclose; as a chart's edges are faint beside dark patches and strong
    beside light ones, several levels of steepness are tried.
    """
    steep = _steepness(picture)
    most = picture.shape[0] * picture.shape[1] * _MOST_AREA_SHARE
    found = [row for level in _STEEP for row in _enclosed(steep < level, most)]
    if not found:
        return Patches(np.zeros((0, 2)), np.zeros(0))
    rows = np.array(found)
    rows = rows[np.argsort(-rows[:, 3], kind="stable")]
    kept: list[int] = []
    for index, (x, y, side, _) in enumerate(rows):
        near = rows[kept]
        apart = np.hypot(near[:, 0] - x, near[:, 1] - y)
        if not (apart < 0.4 * np.maximum(near[:, 2], side)).any():
            kept.append(index)
        if len(kept) == _MOST_PATCHES:
            break
    return Patches(rows[kept, :2], rows[kept, 2])


def _steepness(picture: Picture) -> Picture:
    smooth = cv2.medianBlur(np.ascontiguousarray(picture, np.float32), 3)
    smooth = cv2.GaussianBlur(smooth, (0, 0), 0.7)
    parts = []
    for channel in cv2.split(smooth):
        across = cv2.Scharr(channel, cv2.CV_32F, 1, 0, scale=1 / 32)
        down = cv2.Scharr(channel, cv2.CV_32F, 0, 1, scale=1 / 32)
        parts.append(cv2.magnitude(across, down))
    steep: Picture = np.max(parts, axis=0)
    return steep


def _enclosed(even: Mask, most: float) -> list[tuple[float, float, float, float]]:
    """Return centre, side and fill of the even areas that are about square."""
    # An opening by 2 x 2 pixels; anchors at opposite corners keep it where it is.
    square = np.ones((2, 2), np.uint8)
    mask = cv2.erode(even.astype(np.uint8), square, anchor=(0, 0), borderValue=1)
    mask = cv2.dilate(mask, square, anchor=(1, 1))
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour, links in zip(contours, () if tree is None else tree[0], strict=True):
        if links[3] >= 0 or len(contour) < 8:
            continue
        # Contours run through pixel centres: half a pixel is missing on each side.
        area = cv2.contourArea(contour) + len(contour) / 2.0 + 1.0
        if not _LEAST_AREA_PX <= area <= most:
            continue
        (x, y), (wide, high), _ = cv2.minAreaRect(contour)
        wide, high = wide + 1.0, high + 1.0
        if max(wide, high) > _LONGEST * min(wide, high):
            continue
        fill = min(area / (wide * high), 1.0)
        if fill >= _LEAST_FILL:
            moments = cv2.moments(contour)
            if moments["m00"] > 0:
                x, y = (moments[name] / moments["m00"] for name in ("m10", "m01"))
            found.append((float(x), float(y), float(np.sqrt(area)) + _EDGE_PX, float(fill)))
    return found
