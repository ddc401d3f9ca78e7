"""Pictures of density with step wedges, from the film model: truth for what is read of them."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.film_model import Process, load_film, load_scanner
from tests.film_model.dyes import base_dye, spectral_density

Values = NDArray[np.float64]
GRID = np.arange(-3.5, 3.5, 0.01)


@dataclass(frozen=True)
class DrawnWedge:
    """A wedge in a frame: lengths in shares of the frame's width, exposure in decades.

    `middle` is the log10 exposure of the middle step, 0 = middle grey; `surround` that of what is
    around the wedge. `gap` is the width of a dark line between steps, a share of a step.
    """

    steps: int = 21
    step: float = 0.15
    middle: float = 0.3
    length: float = 0.8
    height: float = 0.3
    angle_deg: float = 0.0
    surround: float = -3.0
    gap: float = 0.0
    falling: bool = False
    flare: float = 0.003
    vignetting_stops: float = 0.0
    tilt: float = 0.0
    light_falloff_stops: float = 0.0


def density_of(
    film: str, scanner: str, exposure: NDArray, process: Process | None = None
) -> NDArray[np.float32]:
    """Return density above base (..., 3) of layer exposures (..., 3), as a scanner sees it."""
    stock, device, process = load_film(film), load_scanner(scanner), process or Process()
    dye = stock.develop(exposure.astype(np.float64), process)
    base = device.density(spectral_density(stock, process, base_dye(stock, process)))
    return (device.density(spectral_density(stock, process, dye)) - base).astype(np.float32)


def neutral_curve(film: str, scanner: str, process: Process | None = None) -> Values:
    """Return density above base (n, 3) of neutrals at log10 exposures GRID."""
    exposure = np.repeat(10.0 ** GRID[:, None], 3, axis=1)
    return density_of(film, scanner, exposure, process).astype(float)


def true_contrast(
    film: str, scanner: str, process: Process | None = None, low: float = -3, high: float = 3
) -> Values:
    """Return the steepest slope (3,) over 0.9 decades of exposures from low to high."""
    known = (low - 0.005 <= GRID) & (high + 0.005 >= GRID)
    density = neutral_curve(film, scanner, process)[known]
    slopes: Values = ((density[90:] - density[:-90]) / 0.9).max(axis=0)
    return slopes


def wedge_exposure(wedge: DrawnWedge, width: int = 360, aspect: float = 1.5) -> Values:
    """Return the layers' exposure (h, w) of a frame with a wedge in its middle."""
    fine = 3
    columns, rows = width * fine, round(width / aspect) * fine
    x, y = np.meshgrid(np.arange(columns) + 0.5 - columns / 2, np.arange(rows) + 0.5 - rows / 2)
    turn = np.deg2rad(wedge.angle_deg)
    along = (x * np.cos(turn) + y * np.sin(turn)) / (wedge.length * columns)
    across = (y * np.cos(turn) - x * np.sin(turn)) / (wedge.height * columns)
    along = along / (1.0 + wedge.tilt * along)
    place = (along + 0.5) * wedge.steps
    index = np.clip(np.floor(place), 0, wedge.steps - 1)
    index = wedge.steps - 1 - index if wedge.falling else index
    logs = wedge.middle + wedge.step * (index - (wedge.steps - 1) / 2)
    logs = logs + 0.30103 * wedge.light_falloff_stops * along
    if wedge.gap:
        logs = np.where(np.abs(place - np.rint(place)) < wedge.gap / 2, -3.0, logs)
    inside = (np.abs(along) < 0.5) & (np.abs(across) < 0.5)
    exposure = 10.0 ** np.where(inside, logs, wedge.surround)
    u, v = 2 * x / columns, 2 * y / rows
    exposure = exposure * np.exp2(-wedge.vignetting_stops * (u * u + v * v) / 2)
    exposure = exposure * (1 - wedge.flare) + exposure.mean() * wedge.flare
    small = cv2.resize(exposure, (width, rows // fine), interpolation=cv2.INTER_AREA)
    return small.astype(float)


def wedge_density(
    wedge: DrawnWedge,
    film: str = "film-a",
    scanner: str = "scanner-a",
    process: Process | None = None,
    *,
    width: int = 360,
    noise: float = 0.02,
    seed: int = 0,
) -> NDArray[np.float32]:
    """Return density above base (h, w, 3) of a frame with a wedge, in grain."""
    exposure = np.repeat(wedge_exposure(wedge, width)[..., None], 3, axis=2)
    density = density_of(film, scanner, exposure, process)
    grain = np.random.default_rng(seed).normal(0.0, noise, density.shape)
    return cv2.GaussianBlur((density + grain).astype(np.float32), (0, 0), 0.7)
