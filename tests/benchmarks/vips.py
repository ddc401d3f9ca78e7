"""The same pictures by a pyvips recipe; `python -m tests.benchmarks.vips SCANS FRAMES`.

The frames' places and colour are given. Needs `pip install 'pyvips[binary]'`.
"""

import math
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyvips

from pipeline.film_curve import LayerCurve
from pipeline.frame_task import FrameTask
from pipeline.print_tone import PRINT_WHITE, curve_constant
from pipeline.render import frame_window, picture_size
from pipeline.space import find_space, from_working
from tests.benchmarks.frames import frame_tasks
from tests.benchmarks.measure import Section


def straight(task: FrameTask) -> "pyvips.Image":
    """Return a frame's light, straightened."""
    rows, columns = frame_window(task.scan, task.outline)
    scan = pyvips.Image.new_from_file(str(task.scan.path), access="random")
    window = scan.crop(columns[0], rows[0], columns[1] - columns[0], rows[1] - rows[0])
    corners = np.asarray(task.outline) - (columns[0], rows[0])
    (width, height), right = picture_size(task.outline)[::-1], corners[1] - corners[0]
    angle = math.atan2(right[1], right[0])
    cosine, sine = math.cos(angle), math.sin(angle)
    turned = window.affine(
        [cosine, sine, -sine, cosine],
        interpolate=pyvips.Interpolate.new("bicubic"),
        idx=-corners[0][0], idy=-corners[0][1], oarea=[0, 0, width, height],
        extend="copy",
    )  # fmt: skip
    return turned.cast("float") / 65535.0


def exposure(density: "pyvips.Image", curve: LayerCurve) -> "pyvips.Image":
    """Return the exposure of one layer, the toe undone; the shoulder is left out."""
    held = (density > 0.04 * curve.slope).ifthenelse(density, 0.04 * curve.slope)
    grown = (held * (curve.toe_power * math.log(10.0) / curve.slope)).exp() - 1.0
    return (grown ** (1.0 / curve.toe_power)) * curve.toe_exposure


def scene(task: FrameTask) -> "pyvips.Image":
    """Return a frame's scene light."""
    base = [row[0] for row in task.base.terms]
    light = straight(task) - list(task.base.illumination.dark)
    light = (light > 1e-5).ifthenelse(light, 1e-5)
    above = light.log10() * -1.0 + base
    layers = above.recomb(pyvips.Image.new_from_array(np.asarray(task.colour.unmask).tolist()))
    gains = [task.colour.exposure * 10.0**step for step in task.colour.balance]
    bands = [exposure(layers[k], task.colour.curves[k]) * gains[k] for k in range(3)]
    matrix = pyvips.Image.new_from_array(np.asarray(task.colour.scene).tolist())
    return bands[0].bandjoin(bands[1:]).recomb(matrix)


def shown(light: "pyvips.Image", task: FrameTask, space: str, gamma: float) -> "pyvips.Image":
    """Return display values 0 to 1, the print curve taken channel by channel."""
    held = (light > 0.0).ifthenelse(light, 0.0)
    power = held**task.rendition.tone.contrast
    display = power * PRINT_WHITE / (power + curve_constant(task.rendition.tone))
    matrix = pyvips.Image.new_from_array(from_working(find_space(space)).tolist())
    inside = display.recomb(matrix)
    return (inside > 0.0).ifthenelse(inside, 0.0) ** (1.0 / gamma)


def main(scans: Path, count: int) -> None:
    """Do the first frames and print the cost; its own threads share the work of each."""
    tasks = frame_tasks(scans)[:count]
    folder = Path(tempfile.mkdtemp())
    with Section():
        for task in tasks:
            light = scene(task)
            codes = (shown(light, task, "romm-rgb", 1.8) * 65535.0).rint().cast("ushort")
            codes.tiffsave(str(folder / "a.tif"), compression="deflate", predictor="horizontal")
            factor = 2400 / max(light.width, light.height)
            small = shown(light.resize(factor), task, "srgb", 2.2) * 255.0
            small.rint().cast("uchar").jpegsave(str(folder / "s.jpg"), Q=92, subsample_mode="off")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
