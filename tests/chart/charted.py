"""Pictures of density with charts: from the film model, and drawn from colour-science's."""

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.film_model import Process, Scene, chart, load_film, load_scanner
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.scene import scene_exposure, sized
from tests.film_model.spectra import colour_science

WIDTH = 283
ASPECT = 1.5
CORNERS = [0, 5, 23, 18]


def frame_density(
    film: str,
    scanner: str,
    scene: str | Scene,
    stops: float = 0.0,
    *,
    width: int = WIDTH,
    aspect: float = ASPECT,
    noise: float = 0.02,
    light: str = "D55",
    seed: int = 0,
) -> NDArray[np.float32]:
    """Return density above base of a scene on a film as a scanner's channels see it, in grain."""
    stock, device, process = load_film(film), load_scanner(scanner), Process()
    exposure = sized(scene_exposure(stock, scene, aspect, light), width, round(width / aspect))
    # Veiling flare of a usual lens, a third of a per cent (common practice, no source).
    exposure = (exposure * 0.997 + exposure.mean(axis=(0, 1)) * 0.003) * 2.0**stops
    dye = stock.develop(exposure.astype(np.float32), process)
    base = device.density(spectral_density(stock, process, base_dye(stock, process)))
    density = device.density(spectral_density(stock, process, dye)) - base
    grain = np.random.default_rng(seed).normal(0.0, noise, density.shape)
    return cv2.GaussianBlur((density + grain).astype(np.float32), (0, 0), 0.5)


def held_patches(seed: int, width: int = WIDTH, aspect: float = ASPECT) -> NDArray[np.float64]:
    """Return centre and corners (24, 5, 2) in pixels of the chart held in 'chart-in-scene'."""
    patches = chart.patches_in_scene(chart.placed(seed, aspect), aspect)
    return np.array([points for _, points in patches]) * [width, round(width / aspect)] - 0.5


def drawn_negative(gap: float = 0.15, step_px: int = 30) -> tuple[NDArray[np.float32], NDArray]:
    """Return a chart (h, w, 3) in density above base and its outer corners, drawn flat.

    Colours: the average of thirty charts that colour-science publishes, with its own sRGB
    primaries for layers, on a straight line of slope 0.6 above a base of its own.
    """
    science = colour_science()
    published = science.CCS_COLOURCHECKERS["BabelColor Average"]
    xyz = science.xyY_to_XYZ(np.array(list(published.data.values())))
    linear = xyz @ np.asarray(science.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB).T
    density = 0.6 * np.log10(np.maximum(linear, 0.01) / 0.01) + [0.1, 0.15, 0.2]
    side = round(step_px * (1 - gap))
    margin = 2 * step_px
    picture = np.full((4 * step_px + 2 * margin, 6 * step_px + 2 * margin, 3), 0.25, np.float32)
    for index, value in enumerate(density):
        row, column = divmod(index, 6)
        y, x = margin + row * step_px, margin + column * step_px
        picture[y : y + side, x : x + side] = value
    far = [margin + n * step_px + side - 1 for n in (5, 3)]
    corners = [[margin, margin], [far[0], margin], far, [margin, far[1]]]
    edge = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return picture, np.array(corners) + edge
