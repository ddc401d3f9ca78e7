"""Whole pictures at once, of what the package gives in bands, windows or parts."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dust.find import Dust, Seen, dust_of
from pipeline.dust.infrared import CrossTalk, shown, tone
from pipeline.dust.mend import mended_places
from pipeline.dust.overlay import Overlay, laid_over, square_of, squares_of
from pipeline.kinds import Codes, Corners, Light, Pixels, Span, Triple
from pipeline.profile.space import Space
from pipeline.record.record import RollRecord
from pipeline.render.cut import code_bands, picture_size
from pipeline.render.look import Levels, display_values, share_showing
from pipeline.render.mended import mended_bands
from pipeline.render.resample import rounded, straight_bands
from pipeline.render.tone import PrintTone
from pipeline.render.upright import upright
from pipeline.report.contact_sheet import SheetPart, empty_sheet
from pipeline.scan.encoding import to_light
from pipeline.scan.scan import Scan, finite, infrared_light, opened
from pipeline.strip.base import FrameBase


def read_codes(scan: Scan, rows: Span, columns: Span) -> Codes:
    """Return the code values (h, w, 3) of a window."""
    with opened(scan) as reader:
        return np.ascontiguousarray(finite(scan, reader.codes(rows, columns)))


def read_light(scan: Scan, rows: Span, columns: Span) -> Light:
    """Return linear light (h, w, 3) of a window."""
    return _light(scan, read_codes(scan, rows, columns))


def read_infrared(scan: Scan, rows: Span, columns: Span) -> Light:
    """Return the infra-red plane (h, w) of a window."""
    with opened(scan) as reader:
        return infrared_light(scan, reader.both(rows, columns)[1])


def read_both(scan: Scan, rows: Span, columns: Span) -> tuple[Light, Light]:
    """Return light and infra-red plane of a window, decoded together."""
    with opened(scan) as reader:
        codes, plane = reader.both(rows, columns)
    return _light(scan, np.ascontiguousarray(codes)), infrared_light(scan, plane)


def _light(scan: Scan, codes: Codes) -> Light:
    return to_light(codes, scan.encoding, scan.bits if codes.dtype.kind == "u" else None)


@dataclass(frozen=True)
class ArrayLines:
    """Lines of an array (h, w, channels)."""

    pixels: Pixels

    @property
    def channels(self) -> int:
        """Return how many planes there are."""
        return int(self.pixels.shape[2])

    def planes(self, rows: Span, columns: Span) -> NDArray[np.float32]:
        """Return planes (channels, n, w); beyond the pixels their edge goes on."""
        block = self.pixels
        for axis, (start, stop) in enumerate((rows, columns)):
            span = np.clip(np.arange(start, stop), 0, block.shape[axis] - 1)
            block = block.take(span, axis=axis)
        return np.ascontiguousarray(np.moveaxis(block, 2, 0), np.float32)


def straightened(
    pixels: Pixels,
    outline: Corners,
    origin: tuple[float, float],
    size: Span,
    columns_first: bool = False,
) -> Pixels:
    """Return the picture inside an outline of an array, in the type of its pixels.

    `origin` is x and y of the array's first pixel, as the outline counts them.
    """
    way = upright(outline, origin, size, pixels.shape[:2], columns_first)
    kind = pixels.dtype if pixels.dtype.kind == "u" else np.dtype(np.float32)
    result = np.empty((*size, pixels.shape[2]), kind)
    for top, planes in straight_bands(ArrayLines(way.view(pixels)), way, size):
        result[top : top + planes.shape[1]] = rounded(planes, kind)
    return result


def cut_codes(scan: Scan, outline: Corners) -> NDArray[np.generic]:
    """Return a frame's codes as stored, straightened."""
    return np.concatenate(list(code_bands(scan, outline)))


def cut_mended(
    scan: Scan, outline: Corners, base: FrameBase, talk: CrossTalk, ppi: float
) -> tuple[Light, NDArray[np.uint8]]:
    """Return a frame's mended light (h, w, 3) and the mask (h, w) of mended places."""
    size = picture_size(outline)
    light, mask = np.empty((*size, 3), np.float32), np.empty(size, np.uint8)
    for top, planes, touched in mended_bands(scan, outline, base, talk, ppi):
        rows = slice(top, top + len(touched))
        light[rows], mask[rows] = np.moveaxis(planes, 0, 2), touched
    return light, mask


def overlay_of(infrared: Light, density: Light, talk: CrossTalk) -> Overlay:
    """Return how a plane (h, w) lies over a picture (h, w, 3), both in density."""
    return laid_over(squares_of(square_of(infrared, density, talk)))


def find_dust(
    density: Light, infrared: Light, talk: CrossTalk, *, base: Triple, px_per_mm: float
) -> Dust:
    """Return the dust on a picture (h, w, 3) that an infra-red plane (h, w) shows."""
    placed = overlay_of(infrared, density, talk)
    seen = Seen(density, tone(density), shown(density, talk))
    return dust_of(
        seen, infrared, talk, placed.shift, placed.focus_px, base=base, px_per_mm=px_per_mm
    )


def mended(light: Light, density: Light, dust: Dust, dark: Triple) -> Light:
    """Return a picture's light (h, w, 3) with its dust mended."""
    result, tones = light.copy(), tone(density)
    result[dust.mask] = mended_places(Seen(density, tones, tones), dust, dark)
    return result


def as_share(
    scene: Light,
    look: str,
    space: Space,
    levels: Levels | None = None,
    tone: PrintTone | None = None,
) -> Light:
    """Return the display values of a small picture to share for scene light (..., 3)."""
    planes = np.array(np.asarray(scene, np.float32).reshape(-1, 3).T[:, None], order="C")
    values = display_values(planes, share_showing(look, space, levels, tone))
    return np.ascontiguousarray(values[:, 0].T).reshape(np.shape(scene))


def contact_sheet(
    thumbnails: Mapping[str, NDArray[np.uint8]], record: RollRecord, long_side: int = 2400
) -> NDArray[np.uint8]:
    """Return the contact sheet of a roll on one paper, with all its pictures."""
    sizes = {number: picture.shape[:2] for number, picture in thumbnails.items()}
    sheet = empty_sheet(sizes, record, SheetPart(0, len(record.strips)), long_side)
    for number, picture in thumbnails.items():
        sheet.show(number, picture)
    return sheet.paper
