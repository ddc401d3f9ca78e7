"""Pictures without persons or makes as linear sRGB: of libraries, and small rendered ones."""

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import Pixels

SKIMAGE_PICTURES = {
    "coffee": "coffee.png",
    "cat": "chelsea.png",
    "stars": "hubble_deep_field.jpg",
    "moon": "moon.png",
    "grass": "grass.png",
    "gravel": "gravel.png",
    "brick": "brick.png",
    "coins": "coins.png",
}
SKLEARN_PICTURES = {"temple": "china.jpg", "flower": "flower.jpg"}
# Rendered by `python -m tests.film_model.rendered`: scene and seed.
OWN_PICTURES = {"table": ("fruit", 7), "house": ("front", 1), "quay": ("dusk", 1)}
OWN_SIZE = (512, 768)


def picture_names() -> list[str]:
    """Return the names of all pictures."""
    skimage = list(SKIMAGE_PICTURES)
    return ["table", *skimage[:2], "house", "quay", *skimage[2:], *SKLEARN_PICTURES]


def decode_srgb(encoded: Pixels) -> Pixels:
    """Return linear light of sRGB values 0 to 1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


def encode_srgb(linear: Pixels) -> Pixels:
    """Return sRGB values 0 to 1 of linear light, clipped (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    power = 1.055 * linear ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, linear * 12.92, power).astype(np.float32)


def _path(name: str) -> Path:
    if name in OWN_PICTURES:
        return Path(__file__).parent / "pictures" / f"{name}.jpg"
    if name in SKIMAGE_PICTURES:
        import skimage

        return Path(skimage.__file__).parent / "data" / SKIMAGE_PICTURES[name]
    import sklearn

    return Path(sklearn.__file__).parent / "datasets" / "images" / SKLEARN_PICTURES[name]


def picture_codes(name: str) -> NDArray[np.uint8]:
    """Return a picture as stored, sRGB height x width x 3; KeyError if unknown."""
    path = _path(name)
    codes = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if codes is None:
        raise FileNotFoundError(path)
    return np.ascontiguousarray(codes[..., ::-1], np.uint8)


@lru_cache(maxsize=16)
def linear_picture(name: str) -> Pixels:
    """Return a picture as linear sRGB, height x width x 3, 0 to 1; KeyError if unknown."""
    return decode_srgb(picture_codes(name).astype(np.float32) / 255)
