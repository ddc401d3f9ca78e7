"""Makes a scan: exposes strips, develops them, lays them in a holder and reads them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .dust import dust_light
from .dyes import spectral_density
from .exposure import ExposedStrip, expose_strip, film_coverage, strip_exposure
from .geometry import Pixels, Window
from .glass import Glass, behind_glass
from .holder import Arrangement, Holder, arrange, behind_plate
from .roll import StripSpec
from .scanner import Scanner, encode, evenness, load_scanner, optics, sense
from .scratches import scratched
from .spectra import Floats, wavelengths_nm
from .stock import Film
from .truth import scan_truth

TILE_PIXELS = 400_000
GRAIN_APERTURE_UM2 = np.pi * 24.0**2
INFRARED_NM = 770.0
LEAST_PRINT = 0.002


@dataclass(frozen=True)
class ModelScan:
    """A scan as stored (height x width x 3, uint16 or uint8), its truth, its infra-red plane.

    dust is the light that dust and hairs leave, 1 where clean, as the picture has it.
    """

    codes: NDArray[Any]
    truth: dict[str, Any]
    scanner: Scanner
    ppi: float
    infrared: NDArray[Any] | None = None
    dust: Pixels | None = None


def make_scan(
    strips: Sequence[StripSpec],
    scanner: str | Scanner = "scanner-a",
    ppi: float = 300.0,
    seed: int = 0,
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0),
    holder: Holder | None = None,
    turn_deg: int = 0,
    open_gate: float | None = None,
    noise: bool = True,
    dust_count: int = 0,
    infrared: bool = False,
    glass: Glass | None = None,
    dust_seed: int | None = None,
    infrared_shift_px: tuple[float, float] = (0.0, 0.0),
    infrared_blur_px: float = 0.0,
) -> ModelScan:
    """Scan one or more strips together.

    gains is the scanner's drift against its usual exposure, per channel; open_gate replaces the
    scanner's usual level (share of full scale); noise False leaves out grain and sensor noise.
    dust_seed draws the dust by a seed of its own, so that all else is as without it. The infra-red
    plane lies infrared_shift_px (x, y) beside the picture, out of focus by a blur of that sigma.
    """
    holder = holder or Holder()
    device = load_scanner(scanner) if isinstance(scanner, str) else scanner
    arrangement = arrange(list(strips), holder, ppi, turn_deg)
    exposed = [
        expose_strip(strip, place)
        for strip, place in zip(strips, arrangement.placements, strict=True)
    ]
    rng = np.random.default_rng([seed, 2])
    light = _light(exposed, holder, arrangement, device, ppi, rng if noise else None)
    dust = None
    if dust_count:
        drawn = rng if dust_seed is None else np.random.default_rng([dust_seed, 4])
        dust = dust_light(light.shape[:2], ppi, dust_count, drawn)
        light *= dust[..., None]
    if glass:
        light = behind_glass(glass, light, ppi / 25.4)
    level = device.open_gate if open_gate is None else np.full(3, open_gate)
    drifted = level * np.asarray(gains)
    rgb = _read(device, light[..., :3], drifted, device.offset, ppi, rng if noise else None)
    plane = None
    if infrared:
        seen = _displaced(light[..., 3:], infrared_shift_px, infrared_blur_px)
        plane = _read(device, seen, level[:1], device.offset[:1], ppi, rng if noise else None)[
            ..., 0
        ]
    truth = scan_truth(
        exposed,
        device,
        ppi,
        gains,
        drifted,
        turn_deg,
        (arrangement.width_px, arrangement.height_px),
        arrangement.windows_px if holder.opaque else [(-0.5, -0.5, np.inf, np.inf)] * len(exposed),
    )
    return ModelScan(rgb, truth, device, ppi, plane, dust)


def _displaced(light: Pixels, shift_px: tuple[float, float], blur_px: float) -> Pixels:
    """Return a plane [..., 1] moved right and down, and blurred."""
    if any(shift_px):
        x, y = shift_px
        matrix = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
        size = (light.shape[1], light.shape[0])
        moved = cv2.warpAffine(
            light, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        light = np.clip(moved, 0, 1)[..., None]
    if blur_px:
        light = cv2.GaussianBlur(light, (0, 0), blur_px)[..., None]
    return light


def _read(
    device: Scanner,
    light: Pixels,
    level: Floats,
    offset: Floats,
    ppi: float,
    rng: np.random.Generator | None,
) -> NDArray[Any]:
    """Take light (open gate 1) through optics, sensor and file."""
    seen = optics(device, np.ascontiguousarray(light), ppi / 25.4).reshape(light.shape)
    signal = seen * evenness(device, *light.shape[:2])[..., None] * level.astype(np.float32)
    signal += offset.astype(np.float32)
    return encode(device, signal if rng is None else sense(device, signal, rng))


def _light(
    exposed: list[ExposedStrip],
    holder: Holder,
    arrangement: Arrangement,
    device: Scanner,
    ppi: float,
    rng: np.random.Generator | None,
) -> Pixels:
    """Return light behind film and holder, R, G, B and infra-red, in tiles of whole rows."""
    height, width = arrangement.height_px, arrangement.width_px
    light = np.empty((height, width, 4), np.float32)
    rows = max(1, TILE_PIXELS // width)
    for y0 in range(0, height, rows):
        tile = Window(0, y0, width, min(y0 + rows, height))
        part = light[tile.y0 : tile.y1]
        part[:] = 1
        for strip in exposed:
            local = strip.window().within(tile)
            if not local.empty:
                part[local.slices_in(tile)] *= _film_light(strip, device, local, ppi, rng)
        part[:] = behind_plate(part, holder, arrangement, tile, ppi)
    return light


def _film_light(
    strip: ExposedStrip,
    device: Scanner,
    window: Window,
    ppi: float,
    rng: np.random.Generator | None,
) -> Pixels:
    """Return light through one strip, 1 where there is no film."""
    exposure = strip_exposure(strip, window)
    light = _through(strip, device, exposure, ppi, rng)
    if strip.edges is not None:
        share = strip.edges.share(strip.placement, window)
        printed = share > LEAST_PRINT
        bar = (10.0**strip.film.edge_print).astype(np.float32)
        under_bars = _through(strip, device, exposure[printed] + bar, ppi, rng)
        light[printed] += (under_bars - light[printed]) * share[printed][:, None]
    light = scratched(light, strip.spec.scratches, strip.placement, window)
    cover = film_coverage(strip, window)[..., None]
    return cover * light + (1 - cover)


def _through(
    strip: ExposedStrip,
    device: Scanner,
    exposure: Pixels,
    ppi: float,
    rng: np.random.Generator | None,
) -> Pixels:
    """Develop layer exposures [..., 3]; return light R, G, B, infra-red [..., 4] through them."""
    process = strip.roll.process
    dye = strip.film.develop(exposure, process)
    if rng is not None:
        dye += _grain(strip.film, dye, ppi, rng)
    density = spectral_density(strip.film, process, np.maximum(dye, 0))
    infrared = 10.0 ** -density[..., _infrared_band(), None]
    return np.concatenate([device.transmittance(density), infrared], axis=-1).astype(np.float32)


def _infrared_band() -> int:
    return int(np.searchsorted(wavelengths_nm(), INFRARED_NM))


def _grain(film: Film, dye: Pixels, ppi: float, rng: np.random.Generator) -> Pixels:
    """Return grain: sigma at density 1 and 48 um aperture, with 1 / sqrt(area).

    Source: sources.toml [granularity].
    """
    area = (25400.0 / ppi) ** 2
    sigma = (film.granularity * np.sqrt(GRAIN_APERTURE_UM2 / area)).astype(np.float32)
    return rng.standard_normal(dye.shape, dtype=np.float32) * sigma * np.sqrt(np.maximum(dye, 0))
