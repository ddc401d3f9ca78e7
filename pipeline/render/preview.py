"""Pictures of screen size, of which colour and tone may change without reading the scan again."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour, is_one_channel
from pipeline.kinds import Corners, Float32, Span, as_matrix
from pipeline.profile import find_space
from pipeline.render.cut import Band, light_bands, picture_size
from pipeline.render.look import Rendition, share_showing
from pipeline.render.positive import FrameLight
from pipeline.render.resample import AreaMean, reduced_size
from pipeline.render.scene import SceneBands
from pipeline.scan import Scan


def reduced_light(scan: Scan, outline: Corners, long_side: int) -> Float32:
    """Return the linear light (h, w, 3) inside an outline, straightened and reduced.

    Its longer side has at most `long_side` pixels, each the mean of its area.
    """
    planes = _reduced(light_bands(scan, outline), picture_size(outline), long_side)
    return np.ascontiguousarray(np.moveaxis(planes, 0, 2))


def exposure_picture(light: FrameLight, colour: RollColour, long_side: int) -> Float32:
    """Return the exposures of the layers (3, h, w) of a frame, before any balance.

    Means are taken of exposure, as those of shared pictures are taken of scene light: both differ
    by a matrix only, so that what is shown of them is the same.
    """
    bare = replace(colour, balance=(0.0, 0.0, 0.0), exposure=1.0, scene=as_matrix(np.eye(3)))
    scene = SceneBands(light.base, bare, light.size, light.coarse(colour))
    bands = ((top, scene.of(band, top)) for top, band in light.bands())
    return _reduced(bands, light.size, long_side)


def _reduced(bands: Iterable[Band], size: Span, long_side: int) -> Float32:
    """Return planes (3, h, w) of a picture's bands, reduced to a longer side."""
    small = reduced_size(size, long_side)
    mean, planes = AreaMean(size, small), np.empty((3, *small), np.float32)
    filled = 0
    for top, band in bands:
        part = mean.of(band, top)
        planes[:, filled : filled + part.shape[1]] = part
        filled += part.shape[1]
    return planes


def shown_exposures(
    exposures: Float32, colour: RollColour, rendition: Rendition
) -> NDArray[np.uint8]:
    """Return the sRGB picture (h, w, 3) uint8 that is shared of a frame with these exposures."""
    from pipeline.render.print_kernel import codes_of_scene

    gains = colour.exposure * 10.0 ** np.asarray(colour.balance)
    matrix = (np.asarray(colour.scene) * gains).astype(np.float32)
    planes = matrix @ exposures.reshape(3, -1)
    scene = np.ascontiguousarray(planes.reshape(exposures.shape))
    way = share_showing(rendition.look, find_space("srgb"), rendition.levels, rendition.tone)
    picture = np.empty((*exposures.shape[1:], 3), np.uint8)
    codes_of_scene(scene, picture, is_one_channel(colour), way)
    return picture
