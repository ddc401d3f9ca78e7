"""Uneven light behind film: a window, a sky, a room, seen around the film and carried on behind it.

The lamp of a light table is a smooth map (`lamp`); what is seen through a window is not. Film with
an orange mask stands out of it by colour alone, whatever the light does.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import channel_mean
from pipeline.kinds import Float32, Light, Mask, Plane

_LONG_SIDE = 400
_LEAST_LIGHT = 1e-3
# Red over blue light of film is more than its backdrop's by so much, in log10: masked film base is
# denser in blue by 0.4 and more, pictures stray from it to both sides (see `base_light.is_orange`).
_LEAST_APART = 0.3
# A finger, a frame of a window: what is darker than most of a backdrop by so much is none.
_MOST_DARKER = 1.0
_LEAST_SIDE_PX = 8
_RIM_PX = 2
# A backdrop that so little of the picture shows tells too little of the light behind film.
_LEAST_SEEN = 0.15
# Pixels over which the fill is smoothed, from coarse to fine, so often each.
_SMOOTHED_PX, _TIMES = (12, 6, 3, 1.5), 6


@dataclass(frozen=True)
class Backdrop:
    """What is behind film: log10 light (h', w', 3) less the median, of a picture made small."""

    off: Float32

    def evened(self, light: Light) -> Light:
        """Return a picture's light (h, w, 3) as it would be before an even backdrop."""
        off = self.over((light.shape[0], light.shape[1]))
        return np.asarray(light * np.power(np.float32(10.0), -off), np.float32)

    def over(self, shape: tuple[int, int]) -> Light:
        """Return its log10 light (h, w, 3) over all pixels of the picture."""
        size = (shape[1], shape[0])
        return np.asarray(cv2.resize(self.off, size, interpolation=cv2.INTER_LINEAR), np.float32)


def find_backdrop(light: Light) -> Backdrop | None:
    """Return what shines through and around film in a picture (h, w, 3), None without any.

    Parameters
    ----------
    light
        Linear light, 1.0 = full scale.

    Notes
    -----
    Red over blue light parts the picture in two (Otsu's threshold): film, which has closed
    outlines since its base runs all around, and what is behind it. Behind film the backdrop is
    carried on as smoothly as its borders allow, from coarse to fine.
    """
    factor = max(1.0, max(light.shape[:2]) / _LONG_SIDE)
    size = (round(light.shape[1] / factor), round(light.shape[0] / factor))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    logs = np.log10(np.maximum(small, np.float32(_LEAST_LIGHT)))
    orange = _orange(logs[..., 0] - logs[..., 2])
    if orange is None:
        return None
    filled = np.zeros(orange.shape, np.uint8)
    for outline in cv2.findContours(
        orange.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )[0]:
        if min(cv2.minAreaRect(outline)[1]) >= _LEAST_SIDE_PX:
            cv2.drawContours(filled, [outline], -1, 1, cv2.FILLED)
    rim = 2 * _RIM_PX + 1
    seen: Mask = (cv2.dilate(filled, np.ones((rim, rim), np.uint8)) == 0) & ~orange
    if seen.mean() < _LEAST_SEEN:
        return None
    bright = channel_mean(logs)
    seen &= bright > np.median(bright[seen]) - _MOST_DARKER
    off = logs - np.median(logs[seen], axis=0)
    return Backdrop(_carried_on(off.astype(np.float32), seen))


def _orange(tint: Plane) -> Mask | None:
    """Return where a picture is film by its log10 of red over blue light (h, w), None if nowhere.

    Colours that are no two kinds, well apart, are none of film before something else.
    """
    smooth = cv2.blur(tint, (3, 3))
    codes = np.clip((smooth + 1.0) * 127.5, 0, 255).astype(np.uint8)
    limit = cv2.threshold(codes, 0, 255, cv2.THRESH_OTSU)[0] / 127.5 - 1.0
    orange = smooth > limit
    if not orange.any() or orange.all():
        return None
    apart = float(np.median(smooth[orange]) - np.median(smooth[~orange]))
    return orange if apart > _LEAST_APART else None


def _carried_on(values: Float32, known: Mask) -> Float32:
    """Return values (h, w, 3) as they are where known, elsewhere as smooth as may be."""
    found = _from_coarse(values * known[..., None], known.astype(np.float32))
    for over_px in _SMOOTHED_PX:
        for _ in range(_TIMES):
            smooth = cv2.GaussianBlur(found, (0, 0), over_px)
            found = np.where(known[..., None], values, smooth)
    return np.asarray(found, np.float32)


def _from_coarse(sums: Float32, weights: Plane) -> Float32:
    """Return a picture (h, w, 3) filled from ever coarser ones, given values times weights."""
    if min(weights.shape) < 3:
        return np.asarray(sums / np.maximum(weights, np.float32(1e-6))[..., None], np.float32)
    size = (weights.shape[1] // 2, weights.shape[0] // 2)
    half = cv2.resize(sums, size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(weights, size, interpolation=cv2.INTER_AREA)
    gain = np.minimum(1.0, 4.0 * share) / np.maximum(share, np.float32(1e-6))
    coarse = _from_coarse(half * gain[..., None], share * gain)
    shape = (weights.shape[1], weights.shape[0])
    finer = cv2.resize(coarse, shape, interpolation=cv2.INTER_LINEAR)
    return np.asarray(sums + (1.0 - weights)[..., None] * finer, np.float32)
