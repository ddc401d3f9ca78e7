"""Spectra on one wavelength grid: lobes, illuminants, observer, and a basis for pictures.

Everything spectral in the film model is an array over `wavelengths_nm()`, last axis 41 long.
Tables come from colour-science, which carries the CIE and ISO data sets.
"""

import warnings
from functools import lru_cache
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FIRST_NM, LAST_NM, STEP_NM = 380, 780, 10


@lru_cache(maxsize=1)
def colour_science() -> ModuleType:
    """Import colour-science without its note that plotting is not installed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def wavelengths_nm() -> Floats:
    """Return the grid, 380 to 780 nm in steps of 10 nm."""
    return np.arange(FIRST_NM, LAST_NM + 1, STEP_NM, dtype=np.float64)


def lobe(peak_nm: float, height: float, short_nm: float, long_nm: float) -> Floats:
    """Return a bell with its own width (standard deviation) on either side of the peak."""
    offset = wavelengths_nm() - peak_nm
    width = np.where(offset < 0, short_nm, long_nm)
    return np.asarray(height * np.exp(-0.5 * (offset / width) ** 2))


def on_grid(spectra: object) -> Floats:
    """Interpolate a colour-science distribution onto the grid, end values carried outwards."""
    colour = colour_science()
    shape = colour.SpectralShape(FIRST_NM, LAST_NM, STEP_NM)
    return np.asarray(spectra.copy().align(shape).values, dtype=np.float64)  # type: ignore[attr-defined]


@lru_cache(maxsize=16)
def illuminant(name: str) -> Floats:
    """Return a CIE illuminant by name ('D50', 'D55', 'D65', 'A', ...), luminance 1.

    Source: CIE 15, as carried by colour-science.
    """
    spectrum = on_grid(colour_science().SDS_ILLUMINANTS[name])
    return spectrum / (spectrum @ observer()[:, 1])


@lru_cache(maxsize=1)
def observer() -> Floats:
    """Return the CIE 1931 2 degree observer, 41 x 3 (CIE 15, as carried by colour-science)."""
    return on_grid(colour_science().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


@lru_cache(maxsize=1)
def picture_basis() -> Floats:
    """Return reflectances of the linear sRGB primaries, 41 x 3, which add up to a white of 1.

    Source: Mallett and Yuksel 2019, 'Spectral primary decomposition for rendering with sRGB
    reflectance', as carried by colour-science.
    """
    return on_grid(colour_science().recovery.MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019)


def xyz_of(reflectance: Floats, light: str) -> Floats:
    """Return XYZ (white Y = 1) of reflectances [..., 41] under an illuminant."""
    return np.asarray(reflectance * illuminant(light)) @ observer()
