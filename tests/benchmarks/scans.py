"""Large scans for benchmarks: strips of the film model, enlarged, with grain as fine as pixels."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from tests.film_model import random_roll

Codes = NDArray[np.uint16]
Specks = NDArray[np.float64]

# The model makes a strip at this resolution in some seconds; finer detail is grain anyway.
MODEL_PPI = 400.0
# Standard deviation of light, relative, of one pixel's grain and noise (common practice, no
# source): what decides how a scan packs.
GRAIN = 0.03
# Specks a square inch, the most of their radius in inches, and the density they have; what shows
# of cyan dye in the infra-red, density per red density (all common practice, no source).
_SPECKS, _MOST_INCH, _LEAST_DENSITY, _MOST_DENSITY = 120, 1 / 400, 0.2, 1.5
_CYAN_SHOWN = 0.04
_TILE = 1024
_BAND_ROWS = 64


def model_strips(
    folder: Path, frames: int = 36, format: str = "135", seed: int = 4, scanner: str = "scanner-a"
) -> list[Codes]:
    """Return strips of a roll at `MODEL_PPI`, kept in the folder from one call to the next."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / f"model-{format}-{frames}-{seed}-{scanner}.npz"
    if not kept.is_file():
        scans = random_roll(
            seed, format, scanner=scanner, ppi=MODEL_PPI, frames=frames, faults=False, turn_deg=0
        )
        np.savez(kept, *[scan.codes for scan in scans])
    with np.load(kept) as arrays:
        return [arrays[name] for name in arrays.files]


def write_enlarged(
    path: Path, strip: Codes, ppi: float, infrared: bool = False, **options: Any
) -> int:
    """Write a strip enlarged to a resolution, a band of rows at a time; return its pixels.

    `infrared` adds dust, and a fourth channel that shows it; options go to tifffile.
    """
    rows, columns = (round(side * ppi / MODEL_PPI) for side in strip.shape[:2])
    samples = 4 if infrared else 3
    with tifffile.TiffWriter(path, bigtiff=rows * columns * samples * 2 > 4_000_000_000) as file:
        file.write(
            _bands(strip, rows, columns, _specks(rows, columns, ppi) if infrared else None),
            shape=(rows, columns, samples),
            dtype=np.uint16,
            photometric="rgb",
            extrasamples=[0] if infrared else None,
            rowsperstrip=_BAND_ROWS,
            resolution=(ppi, ppi),
            resolutionunit="INCH",
            metadata=None,
            **options,
        )
    return rows * columns


def _specks(rows: int, columns: int, ppi: float) -> Specks:
    """Return dust strewn over a scan: middle x and y, radii along them, and density, (n, 5)."""
    rng = np.random.default_rng(3)
    count = round(_SPECKS * rows * columns / ppi**2)
    middles = rng.random((count, 2)) * (columns, rows)
    radii = rng.uniform(1.0, max(2.0, _MOST_INCH * ppi), (count, 2))
    density = rng.uniform(_LEAST_DENSITY, _MOST_DENSITY, (count, 1))
    return np.hstack([middles, radii, density])


def _dimmed(specks: Specks, top: int, high: int, columns: int) -> NDArray[np.float32]:
    """Return the density (high, columns) of the dust on rows from `top` on."""
    density = np.zeros((high, columns), np.float32)
    near = np.abs(specks[:, 1] - top - high / 2) < high / 2 + specks[:, 3] + 1
    for x, y, along, down, dense in specks[near].tolist():
        middle, sides = (round(x), round(y) - top), (round(along), round(down))
        cv2.ellipse(density, middle, sides, 0.0, 0.0, 360.0, dense, -1)
    return density


def _bands(strip: Codes, rows: int, columns: int, specks: Specks | None) -> Any:
    rng = np.random.default_rng(7)
    grain = rng.normal(1.0, GRAIN, (_TILE + _BAND_ROWS, _TILE, 3)).astype(np.float32)
    scale = columns / strip.shape[1]
    source = strip.astype(np.float32)
    across = -(-columns // _TILE)
    for top in range(0, rows, _BAND_ROWS):
        high = min(_BAND_ROWS, rows - top)
        # Pixel centres of the enlarged picture in the model's.
        matrix = np.array([[1 / scale, 0, 0.5 / scale - 0.5], [0, 1 / scale, 0.0]])
        matrix[1, 2] = (top + 0.5) / scale - 0.5
        first = max(0, int(matrix[1, 2]) - 4)
        piece = source[first : int((top + high) / scale) + 6]
        matrix[1, 2] -= first
        band = np.empty((high, columns, 3), np.float32)
        for left in range(0, columns, 8 * _TILE):
            moved = matrix.copy()
            moved[0, 2] += left / scale
            from_column = max(0, int(moved[0, 2]) - 4)
            moved[0, 2] -= from_column
            wide = min(8 * _TILE, columns - left)
            part = piece[:, from_column : from_column + int(wide / scale) + 12]
            band[:, left : left + wide] = cv2.warpAffine(
                part,
                moved,
                (wide, high),
                flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
        start = int(rng.integers(_TILE))
        band *= np.tile(grain[start : start + high], (1, across, 1))[:, :columns]
        if specks is not None:
            lost = _dimmed(specks, top, high, columns)
            red = np.log10(np.maximum(band[..., 0], 1.0) / 65535.0)
            noise = 1.0 + GRAIN / 3.0 * rng.standard_normal(lost.shape, np.float32)
            clear = 52000.0 * np.float32(10.0) ** (_CYAN_SHOWN * red) * noise
            band = np.dstack([band, clear]) * (np.float32(10.0) ** -lost)[..., None]
        yield np.clip(np.rint(band), 0, 65535).astype(np.uint16)


def roll_folder(
    folder: Path, ppi: float, frames: int = 36, kind: str = "roll", **options: Any
) -> Path:
    """Return a folder with the strips of a roll at a resolution, made once."""

    def fill(part: Path) -> None:
        for index, strip in enumerate(model_strips(folder, frames), 1):
            # Holder on both sides is left out but for a little.
            write_enlarged(part / f"strip-{index}.tif", strip[80:-80], ppi, **options)

    return made_once(folder / f"{kind}-{frames}-{ppi:g}", fill)


def medium_folder(folder: Path, ppi: float, turned: bool) -> Path:
    """Return a folder with a strip of two frames of 6x9, lying or upright, made once."""

    def fill(part: Path) -> None:
        for strip in model_strips(folder, 2, "120-6x9"):
            stored = np.ascontiguousarray(np.rot90(strip)) if turned else strip
            write_enlarged(part / "strip.tif", stored, ppi)

    return made_once(folder / f"6x9-{ppi:g}-{'turned' if turned else 'lying'}", fill)


def many_folders(folder: Path, scans: int = 1000, rolls: int = 100) -> dict[str, Path]:
    """Return a folder with many small scans and one with many rolls, made once."""
    sample = sorted((Path(__file__).parents[2] / "sample_scans").glob("*.tif"))

    def fill_scans(part: Path) -> None:
        for number in range(scans):
            shutil.copy(sample[number % len(sample)], part / f"scan-{number:04}.tif")

    def fill_rolls(part: Path) -> None:
        for number in range(rolls):
            (part / f"roll-{number:03}").mkdir()
            shutil.copy(sample[number % len(sample)], part / f"roll-{number:03}" / "strip.tif")

    return {
        f"{scans} scans": made_once(folder / f"scans-{scans}", fill_scans),
        f"{rolls} rolls": made_once(folder / f"rolls-{rolls}", fill_rolls),
    }


def made_once(made: Path, fill: Callable[[Path], None]) -> Path:
    """Return a folder, filled if it isn't there yet."""
    if not made.is_dir():
        part = made.with_name(f"part-{os.getpid()}")
        part.mkdir(parents=True)
        fill(part)
        shutil.move(part, made)
    return made
