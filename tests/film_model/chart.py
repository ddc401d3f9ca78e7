"""The 24-patch chart: reflectances, reference colours, and where its patches lie in a frame."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from .geometry import Pixels
from .spectra import Floats, colour_science, on_grid, xyz_of

COLUMNS, ROWS = 6, 4
PATCH_SET = "ISO 17321-1"
# Width over height of the card that carries the patches.
CARD_ASPECT = 6.56 / 4.56


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
    names = tuple(f"row {place // 6 + 1}, column {place % 6 + 1}" for place in range(len(patches)))
    return names, np.array([on_grid(s) for s in patches.values()])


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


@dataclass(frozen=True)
class Placing:
    """A chart held somewhere in a scene.

    corners are those of its card in the frame (0 to 1 each way), the brown patch's first, then
    along the first row; a shadow of so many stops lies from the card's left as far as `shadow_to`
    (0 to 1), and light falls off by `falloff_stops` from its top to its foot.
    """

    corners: tuple[tuple[float, float], ...]
    shadow_stops: float = 0.0
    shadow_to: float = 0.0
    falloff_stops: float = 0.0

    def homography(self, aspect: float) -> Floats:
        """Return the map, 3 x 3, from a frame drawn by `draw` to this one, 0 to 1 each way."""
        left, top, right, bottom = card_in_frame(aspect)
        card = np.float32([[left, top], [right, top], [right, bottom], [left, bottom]])
        return cv2.getPerspectiveTransform(card, np.float32(self.corners)).astype(float)


def placed(seed: int, aspect: float) -> Placing:
    """Draw a placing by a seed: any turn, tilted up to 20 degrees, in part in shadow now and then.

    The card takes up 15 to 80 % of the frame, or as much of that as fits in.
    """
    rng = np.random.default_rng([seed, 7])
    turn = np.radians(rng.choice([0, 90, 180, 270]) + rng.uniform(-20, 20))
    tilt = np.radians(rng.uniform(-20, 20, 2))
    width, height = CARD_ASPECT, 1.0
    flat = np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2
    x, y = (flat * np.cos(tilt)).T
    away = 4.0 + flat @ np.sin(tilt)
    seen = np.stack([x, y], 1) / away[:, None]
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    seen = seen @ rotation
    extent = np.ptp(seen, axis=0)
    area = cv2.contourArea(np.float32(seen))
    share = float(rng.uniform(0.15, 0.8))
    scale = min(np.sqrt(share * aspect / area), 0.97 * min(aspect / extent[0], 1 / extent[1]))
    seen = (seen - seen.min(axis=0)) * scale
    room = np.array([aspect, 1.0]) - extent * scale
    at = (seen + room * rng.uniform(0.02, 0.98, 2)) / np.array([aspect, 1.0])
    shadow = float(rng.uniform(0.5, 2.0)) if rng.random() < 0.2 else 0.0
    return Placing(
        tuple((float(u), float(v)) for u, v in at),
        shadow,
        float(rng.uniform(0.1, 0.5)),
        float(rng.uniform(-0.4, 0.4)),
    )


def paste(scene: Pixels, drawn: Floats, place: Placing) -> Pixels:
    """Put a drawn chart's card into a scene of the same shape."""
    rows, columns = scene.shape[:2]
    aspect = columns / rows
    size = np.diag([drawn.shape[1], drawn.shape[0], 1.0])
    half = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    to_scene = (
        half @ np.diag([columns, rows, 1.0]) @ place.homography(drawn.shape[1] / drawn.shape[0])
    )
    matrix = to_scene @ np.linalg.inv(half @ size)
    left, top, right, bottom = card_in_frame(aspect)
    v, u = (np.arange(n) + 0.5 for n in drawn.shape[:2])
    u, v = u[None, :] / drawn.shape[1], v[:, None] / drawn.shape[0]
    inside = ((u > left) & (u < right) & (v > top) & (v < bottom)).astype(np.float32)
    across, down = (u - left) / (right - left), (v - top) / (bottom - top)
    stops = place.falloff_stops * (0.5 - down) - place.shadow_stops * (across < place.shadow_to)
    lit = (drawn * np.exp2(stops)[..., None] * inside[..., None]).astype(np.float32)
    cover, card = (
        cv2.warpPerspective(part, matrix, (columns, rows), flags=cv2.INTER_AREA)
        for part in (inside, lit)
    )
    return (scene * (1 - cover[..., None]) + card).astype(np.float32)


def patches_in_scene(place: Placing, aspect: float) -> list[tuple[str, Floats]]:
    """Return name, and centre and corners (5, 2; 0 to 1 each way) of patches held in a scene."""
    matrix = place.homography(aspect)
    found = []
    for patch in patches_in_frame(aspect):
        points = np.array([[patch.centre, *patch.corners]], float)
        found.append((patch.name, cv2.perspectiveTransform(points, matrix)[0]))
    return found


def card_in_frame(aspect: float) -> tuple[float, float, float, float]:
    """Return left, top, right and bottom of the card as drawn, 0 to 1 each way."""
    patches = patches_in_frame(aspect)
    margin = 0.35 * (patches[0].bottom - patches[0].top)
    return (
        patches[0].left - margin / aspect,
        patches[0].top - margin,
        patches[-1].right + margin / aspect,
        patches[-1].bottom + margin,
    )


def draw(colours: Floats, card: Floats, surround: Floats, aspect: float, height: int) -> Floats:
    """Draw the chart: patch values 24 x 3 on a card (3) before a surround (3)."""
    width = round(height * aspect)
    picture = np.empty((height, width, 3))
    picture[:] = surround
    patches = patches_in_frame(aspect)
    _fill(picture, *card_in_frame(aspect), card)
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
