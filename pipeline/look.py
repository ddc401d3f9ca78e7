"""Looks: how scene light becomes a picture to see (print), to edit (log) or to measure (linear)."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.gamut import FARTHEST, GAMUT_POWER, GAMUT_THRESHOLD, gamut_limit, squeeze_scale
from pipeline.kinds import Float32, Triple
from pipeline.print_tone import MOST_LIGHT, PRINT_WHITE, PrintTone, curve_constant, light_scale
from pipeline.space import LinearTransfer, PowerTransfer, Space, acescct, from_working

# Share of the hue of scene light that a print keeps. The rest is that of its curve taken channel by
# channel, which turns orange lights a little yellow, as they look, and holds skin and sky. Measured
# in Oklab, three stops over: skin 0, sky 3, orange 7 degrees; all kept: 4, 8, 1; none: 9, 11, 31.
_HUE_KEPT = 0.7
_LEAST_DIFFERENCE, _BLACK = 1e-9, 1e-9


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


@dataclass(frozen=True)
class Showing:
    """How scene light becomes encoded display values of a space, as arrays for the loops.

    `printed` tells whether it goes through the curve of a print.
    """

    matrix: Float32
    tone: Float32
    gamut: Float32
    curve: Float32
    levels: Float32
    printed: bool
    levelled: bool

    def of(self, scene: Float32) -> Float32:
        """Return display values 0 to 1, planes (3, n, columns), for scene light alike."""
        from pipeline.print_kernel import shown_of_scene

        shown = np.empty_like(scene)
        shown_of_scene(scene, shown, *self.arrays)
        return shown

    @property
    def arrays(self) -> tuple[Float32, Float32, Float32, Float32, Float32, bool, bool]:
        """Return what the compiled loops take, in their order."""
        return (
            self.matrix, self.tone, self.gamut, self.curve, self.levels, self.printed,
            self.levelled,
        )  # fmt: skip


@lru_cache(maxsize=16)
def showing(
    space: Space, levels: Levels | None = None, tone: PrintTone | None = None, *, printed: bool
) -> Showing:
    """Return the arrays of a look: a print, or scene light shown uncurved.

    Levels act on prints only.
    """
    tone, levels = tone or PrintTone(), levels or Levels()
    limit = gamut_limit(space)
    gamut = (GAMUT_THRESHOLD, squeeze_scale(limit), GAMUT_POWER, FARTHEST, _BLACK)
    return Showing(
        matrix=_dense(from_working(space)),
        tone=_dense(
            (
                tone.contrast,
                tone.black,
                (tone.black / 2.0) ** 2,
                light_scale(tone),
                MOST_LIGHT,
                PRINT_WHITE,
                curve_constant(tone),
                _HUE_KEPT,
                _LEAST_DIFFERENCE,
            )
        ),
        gamut=_dense(gamut),
        curve=_dense(_power_law(space)),
        levels=_dense((levels.black, levels.white, levels.gamma)),
        printed=printed,
        levelled=printed and not levels.idle,
    )


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
    return _shown(scene, showing(space, levels, tone, printed=True))


def _shown(scene: Float32, way: Showing) -> Float32:
    planes = np.array(np.asarray(scene, np.float32).reshape(-1, 3).T[:, None], order="C")
    return np.ascontiguousarray(way.of(planes)[:, 0].T).reshape(np.shape(scene))


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


def _dense(values: object) -> Float32:
    return np.ascontiguousarray(np.asarray(values, np.float32))
