"""The film holder: windows for strips in an opaque plate, or none at all."""

from dataclasses import dataclass

import numpy as np

from .film_format import load_format
from .geometry import Pixels, Placement, Window, covered, distance_to_rectangle, place
from .roll import StripSpec


@dataclass(frozen=True)
class Holder:
    """A plate with one window a strip; lengths in mm.

    window_margin_mm is light beside the film (negative: the plate covers that much rebate),
    end_margin_mm light beyond its ends; border_mm plate around all, between_mm plate between
    windows; transmittance and reflected are the plate's light as shares of the open gate's, the
    second of lamps in front of it. With opaque False the film lies on a bare light.
    """

    opaque: bool = True
    window_margin_mm: float = 1.2
    end_margin_mm: float = 4.0
    border_mm: float = 5.0
    between_mm: float = 7.0
    transmittance: float = 0.0001
    reflected: float = 0.0
    edge_softness_mm: float = 0.04


@dataclass(frozen=True)
class Arrangement:
    """Size of the scan in pixels, where strips lie, and window rectangles in pixels."""

    width_px: int
    height_px: int
    placements: tuple[Placement, ...]
    windows_px: tuple[tuple[float, float, float, float], ...]


def arrange(strips: list[StripSpec], holder: Holder, ppi: float, turn_deg: int) -> Arrangement:
    """Lay strips side by side; turn_deg 0 or 180 puts them level, 90 or 270 upright."""
    px_per_mm = ppi / 25.4
    sizes = [_size_mm(strip) for strip in strips]
    along = max(length for length, _ in sizes) + 2 * (holder.end_margin_mm + holder.border_mm)
    placements, windows, across = [], [], holder.border_mm
    for strip, (length, width) in zip(strips, sizes, strict=True):
        deep = width + 2 * holder.window_margin_mm
        centre = (along / 2 + strip.shift_mm[0], across + deep / 2 + strip.shift_mm[1])
        half = length / 2 + holder.end_margin_mm
        corners = np.array([(along / 2 - half, across), (along / 2 + half, across + deep)])
        if turn_deg % 180:
            centre, corners = centre[::-1], corners[:, ::-1]
        angle = turn_deg + strip.angle_deg + (180 if strip.reversed else 0)
        placements.append(place(centre, length, width, angle, px_per_mm, strip.mirrored))
        windows.append(tuple((corners * px_per_mm - 0.5).ravel().tolist()))
        across += deep + holder.between_mm
    across += holder.border_mm - holder.between_mm
    size = (round(along * px_per_mm), round(across * px_per_mm))
    width_px, height_px = size[::-1] if turn_deg % 180 else size
    return Arrangement(width_px, height_px, tuple(placements), tuple(windows))


def _size_mm(strip: StripSpec) -> tuple[float, float]:
    start, end = strip.cuts_mm()
    return end - start, load_format(strip.roll.format).width_mm


def behind_plate(
    light: Pixels, holder: Holder, arrangement: Arrangement, window: Window, ppi: float
) -> Pixels:
    """Return light [..., channels] of a window of the scan as the plate leaves it."""
    if not holder.opaque:
        return light
    free = _free(holder, arrangement, window, ppi)[..., None]
    passed = light * np.clip(free, np.float32(holder.transmittance), 1)
    return passed + (1 - np.minimum(free, 1)) * np.float32(holder.reflected)


def _free(holder: Holder, arrangement: Arrangement, window: Window, ppi: float) -> Pixels:
    """Return the share of each pixel that no plate covers."""
    shape = (window.y1 - window.y0, window.x1 - window.x0)
    x = np.arange(window.x0, window.x1, dtype=np.float32)[None, :]
    y = np.arange(window.y0, window.y1, dtype=np.float32)[:, None]
    soft = max(1.0, 2 * holder.edge_softness_mm * ppi / 25.4)
    light = np.zeros(shape, np.float32)
    for x0, y0, x1, y1 in arrangement.windows_px:
        light += covered(distance_to_rectangle(x, y, x0, y0, x1, y1) / np.float32(soft))
    return light
