"""One frame: read as a window of its scan, straightened, coloured."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.kinds import Float32, Whole
from pipeline.profile import PointCurve
from pipeline.render.arrays import BaseLight, Coarse, Layers, Reduced, Showing, dense
from pipeline.render.coarse import settle
from pipeline.strip import FrameBase

# Grain and noise reach so far under the base. What is lighter still is no film, a perforation or
# the open gate: held there, it is as black as the base in all channels, not coloured by them.
# The value is the least density that ADX codes hold (SMPTE ST 2065-3: code 0).
LEAST_DENSITY = -0.19
# Entries of a curve's table: between them exposure is a straight line of density, off by a
# millionth of its value at most; curves through points have corners that none of them meets.
_ENTRIES, _ENTRIES_OF_POINTS = 1 << 14, 1 << 16
# Density of the least light under the lightest base, beyond which tables need not go.
_MOST_DENSITY = 6.0
_LEAST_LIGHT = 1e-5


@lru_cache(maxsize=64)
def layers_of(colour: RollColour) -> Layers:
    """Return the arrays of a rendition."""
    unmask = np.asarray(colour.unmask)
    ends = np.array([LEAST_DENSITY, _MOST_DENSITY])
    reach = np.sort(unmask[..., None] * ends, axis=-1).sum(axis=1)
    points = any(isinstance(curve, PointCurve) for curve in colour.curves)
    entries = _ENTRIES_OF_POINTS if points else _ENTRIES
    steps = (entries - 1) / (reach[:, 1] - reach[:, 0])
    gains = colour.exposure * 10.0 ** np.asarray(colour.balance)
    tables = np.stack(
        [
            curve.exposure(np.linspace(low, high, entries)) * gain
            for curve, (low, high), gain in zip(colour.curves, reach, gains, strict=True)
        ]
    )
    return Layers(
        dense(unmask),
        np.float32(LEAST_DENSITY),
        _with_steps(np.minimum(tables, np.finfo(np.float32).max / 8).astype(np.float32)),
        reach[:, 0].astype(np.float32),
        steps.astype(np.float32),
        dense(colour.scene),
    )


def _with_steps(tables: Float32) -> Whole:
    """Return entries with what the next has more, as whole numbers of 64 bits (see `Layers`)."""
    steps = np.diff(tables, axis=1, append=tables[:, -1:])
    low, high = (part.view(np.uint32).astype(np.uint64) for part in (tables, steps))
    return (low | high << np.uint64(32)).view(np.int64)


class SceneBands:
    """Scene light of one frame, of the rows that are asked for."""

    def __init__(
        self,
        base: FrameBase,
        colour: RollColour,
        size: tuple[int, int],
        coarse: Coarse | None = None,
    ) -> None:
        """Take a frame's base, colour and size, and what its codes leave open."""
        across, along = base.log_light(*size)
        self._base = BaseLight(
            np.ascontiguousarray(across[:, 0]),
            np.ascontiguousarray(along[0].T),
            np.asarray(base.illumination.dark, np.float32),
            np.float32(_LEAST_LIGHT),
        )
        self._layers, self._coarse = layers_of(colour), coarse
        self._scene = np.empty((3, 0, 0), np.float32)

    def of(self, light: Float32, top: int) -> Float32:
        """Return linear ACEScg planes (3, n, columns) for a frame's light from row `top` on.

        They are good until the next are asked for. Light is changed in place where its codes are
        coarse.
        """
        from pipeline.render.band_kernel import scene_of_light

        # The same again, as fresh memory costs as much as the colour.
        if self._scene.shape != light.shape:
            self._scene = np.empty_like(light)
        scene = self._scene
        scene_of_light(light, scene, self._known(light, top), self._layers)
        return scene

    def show(
        self,
        light: Float32,
        top: int,
        way: Showing,
        codes: NDArray[np.uint16],
        grey: bool,
        reduced: Reduced,
    ) -> None:
        """Fill codes (n, columns, 3) with what a look shows of light, `reduced` with scene light.

        `grey` takes the second channel for all.
        """
        from pipeline.render.print_kernel import codes_of_light

        codes_of_light(light, codes, grey, self._known(light, top), self._layers, way, reduced)

    def _known(self, light: Float32, top: int) -> BaseLight:
        """Return the base's light under a band from row `top` on; settle what codes leave open."""
        under = self._base._replace(across=self._base.across[top : top + light.shape[1]])
        if self._coarse is not None:
            settle(light, under, self._coarse)
        return under


def to_density_above(light: Float32, base: FrameBase) -> Float32:
    """Return density above base for a straightened frame's light (h, w, 3)."""
    across, along = base.log_light(light.shape[0], light.shape[1])
    dark = np.asarray(base.illumination.dark, np.float32)
    above: Float32 = across + along - np.log10(np.maximum(light - dark, np.float32(_LEAST_LIGHT)))
    return above


def to_light(above: Float32, base: FrameBase) -> Float32:
    """Return a straightened frame's linear light (h, w, 3), as scanned, for its density above base.

    The inverse of `to_density_above`.
    """
    across, along = base.log_light(above.shape[0], above.shape[1])
    dark = np.asarray(base.illumination.dark, np.float32)
    light: Float32 = np.float32(10.0) ** (across + along - above) + dark
    return light


def to_scene(above: Float32, colour: RollColour) -> Float32:
    """Return linear ACEScg float32 (..., 3) for densities above base."""
    from pipeline.render.band_kernel import scene_of_density

    scene = np.array(np.asarray(above, np.float32).reshape(-1, 3).T[:, None], order="C")
    scene_of_density(scene, layers_of(colour))
    return np.ascontiguousarray(scene[:, 0].T).reshape(np.shape(above))
