"""The same pictures by a plain numpy and scikit-image script, frames one after another.

`python -m tests.benchmarks.plain SCANS FRAMES`: the frames' places and colour are given.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image
from skimage.transform import AffineTransform, resize, warp

from pipeline.frame_task import FrameTask
from pipeline.render import picture_size
from pipeline.space import find_space
from tests.benchmarks.frames import frame_tasks
from tests.benchmarks.measure import Section
from tests.slow_rendering import slow_density, slow_scene, slow_shown


def develop(task: FrameTask, strip: np.ndarray, folder: Path) -> None:
    """Write archive and share picture of one frame of a strip (h, w, 3), light 0 to 1."""
    rows, columns = picture_size(task.outline)
    right, bottom = columns - 0.5, rows - 0.5
    edges = np.array([[-0.5, -0.5], [right, -0.5], [right, bottom], [-0.5, bottom]])
    way = AffineTransform.from_estimate(edges, np.array(task.outline))
    light = warp(strip, way, order=3, output_shape=(rows, columns))
    scene = slow_scene(slow_density(light, task.base), task.colour)
    shown = slow_shown(scene, find_space("romm-rgb"), None, task.rendition.tone)
    codes = np.rint(np.clip(shown, 0, 1) * 65535).astype(np.uint16)
    tifffile.imwrite(
        folder / "archive.tif", codes, photometric="rgb", compression="zlib", predictor=True
    )
    factor = 2400 / max(rows, columns)
    small = resize(scene, (round(rows * factor), round(columns * factor)), anti_aliasing=True)
    share = slow_shown(small, find_space("srgb"), None, task.rendition.tone)
    eight = np.rint(np.clip(share, 0, 1) * 255).astype(np.uint8)
    Image.fromarray(eight).save(folder / "share.jpg", quality=92, subsampling="4:4:4")


def main(scans: Path, count: int) -> None:
    """Do the first frames of the first strip and print the cost, reading the strip included."""
    tasks = frame_tasks(scans)[:count]
    folder = Path(tempfile.mkdtemp())
    with Section():
        strip = tifffile.imread(tasks[0].scan.path) / 65535.0
        for task in tasks:
            develop(task, strip, folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
