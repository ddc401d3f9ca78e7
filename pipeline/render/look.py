"""Looks: how scene light becomes a picture to see (print), to edit (log) or to measure (linear).

Colours outside an output space are drawn in smoothly, each along a line of its own hue.
"""

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import FrameColour
from pipeline.kinds import MIDDLE_GREY, Float32, Floats, Triple
from pipeline.profile import LinearTransfer, PowerTransfer, Space, acescct, find_space, from_working
from pipeline.render.arrays import Showing, dense
from pipeline.render.tone import MOST_LIGHT, PRINT_WHITE, PrintTone, curve_constant, light_scale
from pipeline.settings import Settings

GAMUT_THRESHOLD = 0.82
GAMUT_POWER = 1.2
_LEAST_ROOM = 1.02
# A plain power law is infinitely steep at 0, so that the last bit of a float would show there.
FARTHEST = 1.0 - 2e-4


@cache
def gamut_limit(space: Space) -> float:
    """Return how far from grey the colours of the working space lie in a space, at the most.

    Distance from grey is ``(max - min) / max`` of the channels: 1 on the border of the space.
    """
    # Fully saturated colours: one channel 1, one 0, the third anything between.
    steps = np.linspace(0.0, 1.0, 201)
    ones, zeros = np.ones_like(steps), np.zeros_like(steps)
    border = np.concatenate(
        [np.stack(order, axis=1) for order in itertools.permutations((ones, steps, zeros))]
    )
    shown = border @ from_working(space).T
    farthest = (np.ptp(shown, axis=1) / shown.max(axis=1)).max()
    return max(float(farthest), _LEAST_ROOM)


def squeeze_scale(limit: float) -> float:
    """Return the scale of the compression of distances from grey that takes a limit to 1.

    The curve above the threshold t, for a distance d over it, is t + d / (1 + (d / scale)^p)^(1/p):
    the Academy's published reference gamut compression (ACES 1.3).
    """
    room, reach = 1.0 - GAMUT_THRESHOLD, limit - GAMUT_THRESHOLD
    return float(reach / ((reach / room) ** GAMUT_POWER - 1.0) ** (1.0 / GAMUT_POWER))


# Share of the hue of scene light that a print keeps. The rest is that of its curve taken channel by
# channel, which turns orange lights a little yellow, as they look, and holds skin and sky. Measured
# in Oklab, three stops over: skin 0, sky 3, orange 7 degrees; all kept: 4, 8, 1; none: 9, 11, 31.
_HUE_KEPT = 0.7
_LEAST_DIFFERENCE, _BLACK = 1e-9, 1e-9
_LEAST_LIGHT, _LEAST_EXPONENT = 1e-30, -126.0


@dataclass(frozen=True)
class Levels:
    """Black point, white point (display values) and gamma per channel, as set by the user."""

    black: Triple = (0.0, 0.0, 0.0)
    white: Triple = (1.0, 1.0, 1.0)
    gamma: Triple = (1.0, 1.0, 1.0)

    @property
    def idle(self) -> bool:
        """Tell whether they change nothing."""
        return self == Levels()


@lru_cache(maxsize=16)
def showing(
    space: Space, levels: Levels | None = None, tone: PrintTone | None = None, *, printed: bool
) -> Showing:
    """Return the arrays of a look: a print, or scene light shown uncurved.

    Levels act on prints only.
    """
    tone, levels = tone or PrintTone(), levels or Levels()
    scale = squeeze_scale(gamut_limit(space))
    curve = (
        tone.contrast, tone.black, (tone.black / 2.0) ** 2, light_scale(tone), MOST_LIGHT,
        PRINT_WHITE, curve_constant(tone), _HUE_KEPT, _LEAST_DIFFERENCE,
        max(_LEAST_LIGHT, 2.0 ** (_LEAST_EXPONENT / tone.contrast)),
    )  # fmt: skip
    return Showing(
        matrix=dense(from_working(space)),
        tone=_floats(curve),
        gamut=_floats((GAMUT_THRESHOLD, scale, GAMUT_POWER, FARTHEST, _BLACK)),
        curve=_floats(_power_law(space)),
        levels=dense((levels.black, levels.white, levels.gamma)),
        printed=printed,
        levelled=printed and not levels.idle,
    )


def display_values(scene: Float32, way: Showing) -> Float32:
    """Return display values 0 to 1, planes (3, n, columns), for scene light alike."""
    from pipeline.render.print_kernel import shown_of_scene

    shown = np.empty_like(scene)
    shown_of_scene(scene, shown, way)
    return shown


def _power_law(space: Space) -> tuple[float, float, float, float]:
    """Return exponent, offset, slope and threshold of a space's encoding."""
    transfer = space.transfer
    if isinstance(transfer, PowerTransfer):
        return 1.0 / transfer.gamma, transfer.offset, transfer.slope, transfer.threshold
    if isinstance(transfer, LinearTransfer):
        return 1.0, 0.0, 1.0, 0.0
    raise ValueError(f"{space.title} is no space to show pictures in")


def as_print(
    scene: Float32, space: Space, levels: Levels | None = None, tone: PrintTone | None = None
) -> Float32:
    """Return encoded display values 0 to 1 in a space for scene light (..., 3), linear ACEScg.

    The greatest and the least channel go through the print's curve, and what lies between keeps
    most of its place: a colour that grows lighter runs straight into white, its hue held.
    """
    planes = np.array(np.asarray(scene, np.float32).reshape(-1, 3).T[:, None], order="C")
    shown = display_values(planes, showing(space, levels, tone, printed=True))
    return np.ascontiguousarray(shown[:, 0].T).reshape(np.shape(scene))


def as_log(scene: Float32) -> Float32:
    """Return ACEScct values (Academy S-2016-001) for scene light, linear ACEScg."""
    return np.asarray(acescct(scene), np.float32)


def share_showing(
    look: str, space: Space, levels: Levels | None = None, tone: PrintTone | None = None
) -> Showing:
    """Return the way of a small picture to share; scene looks are shown uncurved."""
    if look == "print":
        return showing(space, levels, tone, printed=True)
    return showing(space, printed=False)


def to_codes(values: Float32, bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return values 0 to 1 as rounded codes of 8 or 16 bits, clipped."""
    scaled = np.rint(np.clip(values, 0.0, 1.0) * float(2**bits - 1))
    return np.asarray(scaled, np.uint8) if bits == 8 else np.asarray(scaled, np.uint16)


def _floats(values: Iterable[float]) -> tuple[np.float32, ...]:
    return tuple(np.float32(value) for value in values)


@dataclass(frozen=True)
class Rendition:
    """What all pictures of a roll are to be like.

    `tone` is the roll's as far as the user's levels leave it; sizes are pixels of the longer side,
    None as scanned; `share` is the format of pictures to share.
    """

    look: str
    levels: Levels
    tone: PrintTone
    archive_space: str
    archive_packing: str
    archive_size: int | None
    share: str
    share_quality: int
    share_size: int | None

    def archive_form(self) -> tuple[Space, str]:
        """Return the space of archive files and the type of their samples."""
        if self.look == "linear":
            return find_space("acescg"), "float32"
        if self.look == "log":
            return find_space("acescct"), "uint16"
        return find_space(self.archive_space), "uint16"


def rendition_of(settings: Settings, tone: PrintTone, own: FrameColour | None = None) -> Rendition:
    """Return what a roll's pictures are to be like by the user's settings and the roll's tone.

    Where the user gives a black or white point, it overrules the tone; `own` is what a frame has
    of its own, which goes before the roll's.
    """
    if own is not None:
        settings = replace(
            settings,
            contrast=settings.contrast if own.contrast is None else own.contrast,
            black=own.black or settings.black,
            white=own.white or settings.white,
        )
    plain, none = PrintTone(), Levels()
    contrast = tone.contrast if settings.white is None else plain.contrast
    return Rendition(
        look=settings.look,
        levels=Levels(settings.black or none.black, settings.white or none.white, settings.gamma),
        tone=PrintTone(
            contrast if settings.contrast is None else settings.contrast,
            tone.black if settings.black is None else plain.black,
        ),
        archive_space=settings.archive_space,
        archive_packing=settings.archive_packing,
        archive_size=settings.archive_size,
        share=settings.share,
        share_quality=settings.share_quality,
        share_size=settings.share_size,
    )


def shown_greys(stops: Floats, rendition: Rendition) -> Float32:
    """Return sRGB display values 0 to 1 (n, 3) in prints of greys so many stops (n) from 0.18."""
    light = np.float32(MIDDLE_GREY) * np.exp2(np.asarray(stops, np.float32))
    greys = np.repeat(light[:, None], 3, axis=1)
    return as_print(greys, find_space("srgb"), rendition.levels, rendition.tone)
