"""Makes the small rendered pictures again: `python -m tests.film_model.rendered FOLDER`."""

import sys
from pathlib import Path

import cv2
import numpy as np

from ..geometry import Pixels
from ..picture import OWN_PICTURES, OWN_SIZE, encode_srgb
from .views import render

FINER = 2


def small_picture(name: str) -> Pixels:
    """Return one of the small pictures as sRGB values 0 to 1, height x width x 3."""
    scene, seed = OWN_PICTURES[name]
    height, width = OWN_SIZE
    light = render(scene, (FINER * height, FINER * width), seed)
    return encode_srgb(cv2.resize(light, (width, height), interpolation=cv2.INTER_AREA))


def main(folder: Path) -> None:
    """Write all small pictures as JPEG."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in OWN_PICTURES:
        codes = np.rint(small_picture(name) * 255).astype(np.uint8)
        cv2.imwrite(str(folder / f"{name}.jpg"), codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
