"""A frame's pictures: bands of light to bands of pixels, positive or negative, in one pass."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour, as_grey, is_one_channel
from pipeline.dust import CrossTalk
from pipeline.kinds import Corners, Float32, Float64, Floats, Pixels
from pipeline.profile import LinearTransfer, PowerTransfer, Space, find_space
from pipeline.render.arrays import Coarse
from pipeline.render.coarse import coarse_of, settled_densities
from pipeline.render.cut import Band, code_bands, light_bands, picture_size
from pipeline.render.look import (
    Rendition,
    as_log,
    as_print,
    display_values,
    share_showing,
    showing,
    to_codes,
)
from pipeline.render.mended import mended_bands
from pipeline.render.resample import AreaMean, reduced_size
from pipeline.render.scene import SceneBands, to_light, to_scene
from pipeline.render.straighten import BAND_ROWS
from pipeline.scan import Scan
from pipeline.strip import FrameBase

# A whole number of bands, so that none lies on two strips; with fewer rows a file packs worse.
_STRIP_ROWS = 2 * BAND_ROWS


@dataclass
class FrameLight:
    """What is written of a frame: its light in bands, mended where `dust` tells of dust.

    `mask` tells where it was mended, if `keep_mask` asks for it; `columns_first` is that of
    `upright`.
    """

    scan: Scan
    outline: Corners
    base: FrameBase
    ppi: float
    dust: CrossTalk | None = None
    keep_mask: bool = False
    columns_first: bool = False

    def __post_init__(self) -> None:
        """Make room for the mask."""
        self.size = picture_size(self.outline)
        wanted = self.dust is not None and self.keep_mask
        self.mask = np.empty(self.size, np.uint8) if wanted else None

    def coarse(self, colour: RollColour) -> Coarse | None:
        """Return what the codes leave open of its densities, in a colour."""
        return coarse_of(self.scan, self.base, colour)

    def bands(self) -> Iterator[Band]:
        """Yield the light, straightened, and mended where its dust is known."""
        if self.dust is None:
            yield from light_bands(self.scan, self.outline, self.columns_first)
            return
        mended = mended_bands(
            self.scan, self.outline, self.base, self.dust, self.ppi, self.columns_first
        )
        for top, light, touched in mended:
            if self.mask is not None:
                self.mask[top : top + len(touched)] = touched
            yield top, light


class Positive:
    """One frame on its way from light to pictures, a band of rows at a time, in one pass."""

    def __init__(
        self, light: FrameLight, colour: RollColour, rendition: Rendition, shared: bool = True
    ) -> None:
        """Take a frame's light, its colour, and whether there is to be a picture to share."""
        self.size = light.size
        self.archive_size = reduced_size(self.size, rendition.archive_size)
        share_size = reduced_size(self.size, rendition.share_size)
        self._light, self._colour, self._look = light, colour, rendition.look
        self._grey = is_one_channel(colour)
        self._scene = SceneBands(light.base, colour, self.size, light.coarse(colour))
        levels, tone = rendition.levels, rendition.tone
        self._share_way = share_showing(rendition.look, find_space("srgb"), levels, tone)
        self._archive_way = None
        if rendition.look not in ("linear", "log"):
            space = find_space(rendition.archive_space)
            self._archive_way = showing(space, levels, tone, printed=True)
        self._archive_mean = AreaMean(self.size, self.archive_size)
        self._share_mean = AreaMean(self.size, share_size)
        self._share = np.empty((*share_size, 3), np.uint8) if shared else None
        self._shared = 0

    def archive_bands(self) -> Iterator[Pixels]:
        """Yield bands of the archive picture; the share picture is made on the way."""
        linear = self._look == "linear"
        kind = np.dtype(np.float32 if linear else np.uint16)
        strips = _Strips(self.archive_size, kind, self._written)
        way = self._archive_way
        direct = self._archive_mean.same and not self._share_mean.same
        for top, light in self._light.bands():
            if way is None or not direct:
                scene = self._scene.of(light, top)
                self._add_to_share(scene, top)
                yield from strips.of(self._shown(self._archive_mean.of(scene, top)))
                continue
            for first, rows in strips.room(light.shape[1]):
                small = self._share_mean.rows(top + first, len(rows))
                if self._share is None:
                    small = small._replace(sums=small.sums[:, :0])
                part = np.ascontiguousarray(light[:, first : first + len(rows)])
                self._scene.show(part, top + first, way, rows, self._grey, small)
                self._share_next(small.rows)
                yield from strips.filled(len(rows))

    def share_picture(self) -> NDArray[np.uint8]:
        """Return the share picture, made now if no archive was."""
        if self._share is None:
            raise ValueError("there is no picture to share")
        if self._shared < len(self._share):
            for top, light in self._light.bands():
                self._add_to_share(self._scene.of(light, top), top)
        return self._share

    def _add_to_share(self, scene: Float32, top: int) -> None:
        if self._share is not None:
            self._share_next(self._share_mean.of(scene, top))

    def _share_next(self, small: Float32) -> None:
        """Fill the next rows of the share picture with what is shown of them."""
        from pipeline.render.print_kernel import codes_of_scene

        if self._share is None or not small.shape[1]:
            return
        until = self._shared + small.shape[1]
        share = self._share[self._shared : until]
        codes_of_scene(small, share, self._grey, self._share_way)
        self._shared = until

    def _shown(self, scene: Float32) -> Float32:
        """Return planes of the archive picture's values for a band of scene light."""
        if self._look == "linear":
            return scene
        way = self._archive_way
        return as_log(scene) if way is None else display_values(scene, way)

    def _written(self, planes: Float32, pixels: Pixels) -> None:
        """Fill pixels (n, w, 3) of the archive picture with planes of its values."""
        from pipeline.render.band_kernel import ONE
        from pipeline.render.code_kernel import SIXTEEN_BITS, interleaved

        if pixels.dtype.kind == "f":
            pixels[:] = as_grey(np.moveaxis(planes, 0, 2), self._colour)
        else:
            dense = np.ascontiguousarray(planes)
            interleaved(dense, pixels, self._grey, ONE, SIXTEEN_BITS)


class _Strips:
    """Planes of any height in, pixels of one height out, but for the last.

    The pixels are good until the next are asked for.
    """

    def __init__(
        self,
        size: tuple[int, int],
        kind: np.dtype[Any],
        fill: Callable[[Float32, Pixels], None],
    ) -> None:
        self._left, self._fill = size[0], fill
        self._pixels = np.empty((min(_STRIP_ROWS, size[0]), size[1], 3), kind)
        self._filled = 0

    def of(self, planes: Float32) -> Iterator[Pixels]:
        """Yield the strips that planes (3, n, columns) complete."""
        for first, pixels in self.room(planes.shape[1]):
            self._fill(planes[:, first : first + len(pixels)], pixels)
            yield from self.filled(len(pixels))

    def room(self, count: int) -> Iterator[tuple[int, Pixels]]:
        """Yield parts of rows, their first and their place; `filled` is told of each at once.

        Rows on two strips come in two parts.
        """
        at = 0
        while at < count:
            stop = min(count, at + len(self._pixels) - self._filled)
            yield at, self._pixels[self._filled : self._filled + stop - at]
            at = stop

    def filled(self, count: int) -> Iterator[Pixels]:
        """Yield the strip that so many more rows complete, if they do."""
        self._filled += count
        if self._filled == len(self._pixels):
            yield self._pixels
            self._left, self._filled = self._left - self._filled, 0
            self._pixels = self._pixels[: self._left]


def _scanner_space(scan: Scan) -> Space:
    """Return a space that carries the scan's tone curve; its primaries stand in for none known."""
    space = replace(find_space("srgb"), name="negative", title="Negative")
    encoding = scan.encoding
    if encoding.kind == "linear":
        return replace(space, title="Negative, linear", transfer=LinearTransfer())
    if encoding.kind == "gamma" and encoding.gamma:
        power = PowerTransfer(encoding.gamma, 0.0, 0.0, 0.0)
        return replace(space, title=f"Negative, gamma {encoding.gamma:g}", transfer=power)
    return space


def _full_scale(codes: NDArray[np.generic], bits: int) -> NDArray[np.uint16] | Float32:
    """Return integer codes of so many bits spread over 16, floats as float32."""
    if codes.dtype.kind != "u":
        return np.asarray(codes, np.float32)
    if codes.dtype == np.uint16 and bits == 16:
        return np.asarray(codes, np.uint16)
    full = 2**bits - 1
    held = np.minimum(np.asarray(codes, np.float64), full)
    return np.asarray(np.rint(held * (65535.0 / full)), np.uint16)


def negative_bands(
    scan: Scan, outline: Corners, columns_first: bool = False
) -> tuple[Iterator[Pixels], Space, str]:
    """Return bands of a frame as a negative, codes as scanned, their space and type of sample.

    Only the resampling that straightens it touches the codes; those of less than 16 bits are
    spread over 16 (of 8 bits: multiplied by 257), which keeps their light. A scan with a tone
    curve of its own comes in linear light.
    """
    space = _scanner_space(scan)
    if scan.encoding.kind == "curve":
        linear = replace(space, title="Negative, linear", transfer=LinearTransfer())
        light = (
            np.asarray(to_codes(np.moveaxis(band, 0, 2), 16), np.uint16)
            for _, band in light_bands(scan, outline, columns_first)
        )
        return light, linear, "uint16"
    kind = "float32" if scan.floating else "uint16"
    bands = (_full_scale(codes, scan.bits) for codes in code_bands(scan, outline, columns_first))
    return bands, space, kind


def small_picture(
    densities: Floats, colour: RollColour, rendition: Rendition, doubt: Float64 | None = None
) -> NDArray[np.uint8]:
    """Return a small sRGB picture (h, w, 3) uint8 for densities above base (h, w, 3).

    `doubt` (h, w, 3) is what coarse codes leave open of them, None where that is nothing.
    """
    if doubt is not None:
        densities = settled_densities(densities, doubt, colour)
    scene = to_scene(np.asarray(densities, np.float32), colour)
    shown = as_print(scene, find_space("srgb"), rendition.levels, rendition.tone)
    return as_grey(np.asarray(to_codes(shown, 8), np.uint8), colour)


def small_negative(densities: Floats, base: FrameBase) -> NDArray[np.uint8]:
    """Return a frame as it was scanned, for densities above base (h, w, 3), as a small picture.

    It is (h, w, 3) uint8, the scan's channels shown as those of sRGB.
    """
    light = to_light(np.asarray(densities, np.float32), base)
    shown = np.asarray(find_space("srgb").transfer.encode(light), np.float32)
    return np.asarray(to_codes(shown, 8), np.uint8)
