"""The 24-patch chart: reflectances, reference colours, and where its patches lie in a frame."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from .spectra import Floats, colour_science, on_grid, xyz_of

COLUMNS, ROWS = 6, 4
PATCH_SET = "ISO 17321-1"


@dataclass(frozen=True)
class Patch:
    """One patch: its name, its corners and centre in the frame (0 to 1 each way), its colour."""

    name: str
    left: float
    top: float
    right: float
    bottom: float
    lab_d50: tuple[float, float, float]
    xyz_d50: tuple[float, float, float]
    linear_srgb: tuple[float, float, float]

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the patch in the frame, 0 to 1 each way."""
        return (self.left + self.right) / 2, (self.top + self.bottom) / 2

    @property
    def corners(self) -> list[tuple[float, float]]:
        """Corners TL, TR, BR, BL in the frame, 0 to 1 each way."""
        return [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
        ]


@lru_cache(maxsize=1)
def reflectances() -> tuple[tuple[str, ...], Floats]:
    """Return patch names and reflectances, 24 x 41 (ISO 17321-1 set of colour-science)."""
    patches = colour_science().SDS_COLOURCHECKERS[PATCH_SET]
    return tuple(patches), np.array([on_grid(s) for s in patches.values()])


@lru_cache(maxsize=1)
def reference_colours() -> tuple[Floats, Floats, Floats]:
    """Return XYZ and Lab under D50, and linear sRGB of the patches, 24 x 3 each.

    Linear sRGB is the colour under D65, the white of that space; no chromatic adaptation enters.
    """
    colour = colour_science()
    _, patches = reflectances()
    white = xyz_of(np.ones(patches.shape[1]), "D50")
    xyz = xyz_of(patches, "D50")
    lab = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white))
    matrix = colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB
    srgb = xyz_of(patches, "D65") @ np.asarray(matrix).T
    return xyz, np.asarray(lab), srgb


def patches_in_frame(aspect: float) -> list[Patch]:
    """Lay the chart into a frame of the given aspect (width / height), centred.

    The chart's squares stand on a 6 x 4 grid that fills 78 % of the frame where it first fits.
    """
    names, _ = reflectances()
    xyz, lab, srgb = reference_colours()
    pitch = 0.78 * min(1.0 / ROWS, aspect / COLUMNS)
    side = 0.86 * pitch
    patches = []
    for index, name in enumerate(names):
        row, column = divmod(index, COLUMNS)
        x = aspect / 2 + (column - (COLUMNS - 1) / 2) * pitch
        y = 0.5 + (row - (ROWS - 1) / 2) * pitch
        patches.append(
            Patch(
                name,
                (x - side / 2) / aspect,
                y - side / 2,
                (x + side / 2) / aspect,
                y + side / 2,
                tuple(lab[index].tolist()),
                tuple(xyz[index].tolist()),
                tuple(srgb[index].tolist()),
            )
        )
    return patches


def draw(colours: Floats, card: Floats, surround: Floats, aspect: float, height: int) -> Floats:
    """Draw the chart: patch values 24 x 3 on a card (3) before a surround (3)."""
    width = round(height * aspect)
    picture = np.empty((height, width, 3))
    picture[:] = surround
    patches = patches_in_frame(aspect)
    margin = 0.35 * (patches[0].bottom - patches[0].top)
    _fill(
        picture,
        patches[0].left - margin / aspect,
        patches[0].top - margin,
        patches[-1].right + margin / aspect,
        patches[-1].bottom + margin,
        card,
    )
    for patch, value in zip(patches, colours, strict=True):
        _fill(picture, patch.left, patch.top, patch.right, patch.bottom, value)
    return picture


def _fill(
    picture: Floats, left: float, top: float, right: float, bottom: float, value: Floats
) -> None:
    height, width = picture.shape[:2]
    picture[
        round(top * height) : round(bottom * height), round(left * width) : round(right * width)
    ] = value
