"""Scanners: light times bands, and what optics, sensor and file do to the signal."""

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import Pixels
from .picture import encode_srgb
from .spectra import Floats, lobe, wavelengths_nm

LEAK_FROM_NM = 720.0
PLANCK_HC_OVER_K_NM = 1.438777e7


@dataclass(frozen=True)
class Scanner:
    """One scanner; signals are shares of full scale, open gate before drift in `open_gate`.

    tone is 'power' (light to the power 1 / gamma) or 'srgb' (IEC 61966-2-1, gamma unused).
    """

    name: str
    weights: Floats
    open_gate: Floats
    offset: Floats
    flare: float
    flare_radius_mm: float
    blur_mm: float
    falloff: float
    tilt: float
    full_well: float
    read_noise: float
    bits: int
    container_bits: int
    gamma: float
    tone: str = "power"

    def transmittance(self, density: Floats) -> Floats:
        """Return light [..., 3] through spectral density [..., 41], open gate = 1.

        The channel sums light times band times 10**-density, over the same without film
        (ISO 5-3: tau as a ratio of fluxes; D = -log10 tau).
        """
        return np.exp(density * np.asarray(-np.log(10), density.dtype)) @ self.weights.T.astype(
            density.dtype
        )

    def density(self, density: Floats) -> Floats:
        """Return the densities [..., 3] this scanner sees of spectral density [..., 41]."""
        return np.asarray(-np.log10(self.transmittance(density)))


def black_body(kelvin: float) -> Floats:
    """Return the relative spectral power of a black body (Planck's law)."""
    nm = wavelengths_nm()
    return np.asarray(nm**-5.0 / np.expm1(PLANCK_HC_OVER_K_NM / (nm * kelvin)))


@lru_cache(maxsize=2)
def _table(name: str) -> dict:
    path = Path(__file__).parent / name
    return tomllib.loads(path.read_text(encoding="utf-8"))["scanners"]


def scanner_names() -> list[str]:
    """Return the names of the scanners that random scans are drawn from."""
    return list(_table("scanners.toml"))


def _all_rows() -> dict:
    return _table("scanners.toml") | _table("wide_scanners.toml")


def scanners_of(split: str) -> list[str]:
    """Return all scanners of a split, 'used' or 'left-out', the wide ones among them."""
    return [name for name, row in _all_rows().items() if row["split"] == split]


def lamp_light(lamp: dict) -> Floats:
    """Return a lamp's relative spectral power: a black body, lobes, or the same everywhere."""
    if "kelvin" in lamp:
        return black_body(lamp["kelvin"])
    if "lobes" in lamp:
        return np.asarray(sum(lobe(*one) for one in lamp["lobes"]))
    return np.ones_like(wavelengths_nm())


@lru_cache(maxsize=16)
def load_scanner(name: str) -> Scanner:
    """Return a scanner by its name, everyday or wide; KeyError if there is none."""
    row = dict(_all_rows()[name])
    light = lamp_light(row.pop("lamp"))
    leak = (wavelengths_nm() > LEAK_FROM_NM).astype(float)
    bands = [
        sum(lobe(*one) for one in band) + share * leak
        for band, share in zip(row.pop("bands"), row.pop("leak"), strict=True)
    ]
    weights = np.array(bands) * light
    del row["note"], row["split"]
    return Scanner(
        name=name,
        weights=weights / weights.sum(axis=1, keepdims=True),
        open_gate=np.array(row.pop("open_gate")),
        offset=np.array(row.pop("offset")),
        **row,
    )


def evenness(scanner: Scanner, height: int, width: int) -> Pixels:
    """Return relative illumination over the scan: 1 in the middle, less in the corners."""
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    return 1 - np.float32(scanner.falloff) * (x * x + y * y) / 2 + np.float32(scanner.tilt) * x / 2


def optics(scanner: Scanner, light: Pixels, px_per_mm: float) -> Pixels:
    """Blur light and lay veiling flare over it; total light is kept."""
    sigma = scanner.blur_mm * px_per_mm
    if sigma > 0.15:
        light = cv2.GaussianBlur(light, (0, 0), sigma)
    if scanner.flare <= 0:
        return light
    height, width = light.shape[:2]
    factor = max(1, round(scanner.flare_radius_mm * px_per_mm / 6))
    small_size = (max(1, width // factor), max(1, height // factor))
    small = cv2.resize(light, small_size, interpolation=cv2.INTER_AREA)
    near = cv2.GaussianBlur(small, (0, 0), 6.0)
    veil = cv2.resize(near, (width, height), interpolation=cv2.INTER_LINEAR)
    flare = np.float32(scanner.flare)
    return light * (1 - flare) + veil.reshape(light.shape) * flare


def sense(scanner: Scanner, signal: Pixels, rng: np.random.Generator) -> Pixels:
    """Add shot noise (Gaussian) and read noise to a signal in shares of full scale."""
    variance = np.maximum(signal, 0) / np.float32(scanner.full_well)
    variance += np.float32(scanner.read_noise**2)
    return signal + rng.standard_normal(signal.shape, dtype=np.float32) * np.sqrt(variance)


def encode(scanner: Scanner, signal: Pixels) -> NDArray[np.uint16] | NDArray[np.uint8]:
    """Apply the file's gamma and quantise; a converter with fewer bits fills the upper ones."""
    signal = np.clip(signal, 0, 1)
    if scanner.tone == "srgb":
        signal = encode_srgb(signal)
    elif scanner.gamma != 1.0:
        signal = signal ** np.float32(1 / scanner.gamma)
    codes = np.rint(signal * np.float32(2**scanner.bits - 1)).astype(np.uint16)
    if scanner.container_bits == 8:
        return codes.astype(np.uint8)
    return codes << np.uint16(scanner.container_bits - scanner.bits)
