"""Memory of whole runs over scans of every kind that readers know, large, wide and many."""

import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from PIL import Image

from tests.benchmarks import scans as made
from tests.benchmarks.measure import apart, told_apart
from tests.hostile.files import write_mosaic

PPI = 3200.0
# What any run may hold, in MB, with two workers.
MOST_MB = 600
_POLL_SECONDS = 0.02
_TILE = 512
Write = Callable[[Path, np.ndarray], None]


@dataclass(frozen=True)
class Held:
    """What a run of processes held at the most in MB, the largest alone, and what it took."""

    tree: float
    largest: float
    cpu: float
    code: int
    said: str


def tree_held(command: list[str]) -> Held:
    """Run a command; its tree's memory is summed with shared pages in shares, as often as can be.

    Memory between two looks is not seen, but by the largest process alone.
    """
    with tempfile.TemporaryFile("w+") as said:
        runner = subprocess.Popen(apart(command), stdout=subprocess.PIPE, stderr=said, text=True)
        most = 0.0
        while runner.poll() is None:
            most = max(most, sum(_share_mb(pid) for pid in _tree(runner.pid)[1:]))
            time.sleep(_POLL_SECONDS)
        cost, code = told_apart(runner.communicate()[0])
        said.seek(0)
        return Held(max(most, cost.memory), cost.memory, cost.cpu, code, said.read())


def _tree(pid: int) -> list[int]:
    found = [pid]
    for one in found:
        for task in Path(f"/proc/{one}/task").glob("*/children"):
            try:
                found += [int(word) for word in task.read_text().split()]
            except OSError:
                continue
    return found


def _share_mb(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def _tiff(small: bool = False, **options: Any) -> Write:
    def write(path: Path, codes: np.ndarray) -> None:
        tifffile.imwrite(
            path, eight(codes) if small else codes, photometric="rgb", metadata=None,
            resolution=(PPI, PPI), resolutionunit="INCH", **options,
        )  # fmt: skip

    return write


def _planar(path: Path, codes: np.ndarray) -> None:
    _tiff(planarconfig="separate", rowsperstrip=len(codes), compression="zlib", predictor=True)(
        path, np.ascontiguousarray(np.moveaxis(codes, 2, 0))
    )


def _infrared(path: Path, codes: np.ndarray) -> None:
    plane = np.full((*codes.shape[:2], 1), 52000, np.uint16)
    _tiff(extrasamples=[0], rowsperstrip=len(codes), compression="lzw", predictor=True)(
        path, np.concatenate([codes, plane], axis=2)
    )


def _pil(**options: Any) -> Write:
    def write(path: Path, codes: np.ndarray) -> None:
        Image.MAX_IMAGE_PIXELS = None
        Image.fromarray(eight(codes)).save(path, dpi=(PPI, PPI), **options)

    return write


def _png(interlace: bool) -> Write:
    def write(path: Path, codes: np.ndarray) -> None:
        import pyvips

        picture = pyvips.Image.new_from_array(codes, interpretation="rgb16")
        picture = picture.copy(xres=PPI / 25.4, yres=PPI / 25.4)
        picture.pngsave(str(path), interlace=interlace, compression=1)

    return write


def _coded(encode: Callable[..., bytes], small: bool, **options: Any) -> Write:
    def write(path: Path, codes: np.ndarray) -> None:
        path.write_bytes(encode(eight(codes) if small else codes, **options))

    return write


def _heif(path: Path, codes: np.ndarray) -> None:
    import pillow_heif

    # As many pixels as the encoder takes (HEVC, level 7.2).
    some = codes[:, : 142_000_000 // len(codes)]
    pillow_heif.from_pillow(Image.fromarray(eight(some))).save(path, quality=60, enc_params={
        "preset": "ultrafast"})  # fmt: skip


def eight(codes: np.ndarray) -> np.ndarray:
    """Return codes of 8 bits, encoded by the power 1 / 2.2, of linear ones of 16."""
    table = np.rint(255 * (np.arange(65536) / 65535) ** (1 / 2.2)).astype(np.uint8)
    return np.asarray(table[codes])


def _upside_down() -> Image.Exif:
    exif = Image.Exif()
    exif[274] = 3
    return exif


_ONE: dict[str, Any] = {"rowsperstrip": 1 << 30, "predictor": True}
FILES: dict[str, tuple[str, Write]] = {
    "tiff plain": ("tif", _tiff(rowsperstrip=64)),
    "tiff big plain": ("tif", _tiff(rowsperstrip=64, bigtiff=True)),
    "tiff deflate one strip": ("tif", _tiff(compression="zlib", **_ONE)),
    "tiff lzw one strip": ("tif", _tiff(compression="lzw", **_ONE)),
    "tiff lzw one strip infrared": ("tif", _infrared),
    "tiff packbits one strip": ("tif", _tiff(compression="packbits", rowsperstrip=1 << 30)),
    "tiff lzma one strip": ("tif", _tiff(compression="lzma", compressionargs={"level": 0}, **_ONE)),
    "tiff zstd one strip": ("tif", _tiff(compression="zstd", compressionargs={"level": 1}, **_ONE)),
    "tiff tiles 512": ("tif", _tiff(tile=(_TILE, _TILE), compression="zlib", predictor=True)),
    "tiff planar deflate": ("tif", _planar),
    "png": ("png", _png(False)),
    "png interlaced": ("png", _png(True)),
    "jpeg": ("jpg", _pil(quality=92)),
    "jpeg 4:4:4": ("jpg", _pil(quality=92, subsampling=0)),
    "jpeg progressive": ("jpg", _pil(quality=92, progressive=True)),
    "jpeg told to be turned": ("jpg", _pil(quality=92, exif=_upside_down())),
    "tiff jpeg tiles": ("tif", _tiff(True, tile=(_TILE, _TILE), compression="jpeg")),
    "tiff jpeg one strip": ("tif", _tiff(True, compression="jpeg", rowsperstrip=1 << 30)),
    "bmp": ("bmp", _pil()),
    "jpeg 2000": ("jp2", _coded(imagecodecs.jpeg2k_encode, False, level=0, reversible=True)),
    "jpeg xl": ("jxl", _coded(imagecodecs.jpegxl_encode, False, lossless=True, effort=1)),
    "avif": ("avif", _coded(imagecodecs.avif_encode, True, level=80, speed=10)),
    "heif": ("heic", _heif),
    "camera raw": ("dng", write_mosaic),
}  # fmt: skip


def _file_folder(folder: Path, case: str) -> Path:
    """Return a folder with a strip of six frames at 3200 ppi in one kind of file, made once."""
    (source,) = made.roll_folder(folder, PPI, 6).glob("*.tif")
    ending, write = FILES[case]

    def fill(part: Path) -> None:
        write(part / f"strip.{ending}", np.asarray(tifffile.memmap(source, mode="r")))

    return made.made_once(folder / case.replace(" ", "-").replace(":", ""), fill)


def _wide_tiles(folder: Path) -> Path:
    """Return a folder with a strip at 9600 ppi in deflated tiles of 512 pixels, made once."""
    (source,) = made.roll_folder(folder, 9600.0, 6).glob("*.tif")

    def fill(part: Path) -> None:
        codes = np.asarray(tifffile.memmap(source, mode="r"))
        tiles = (
            np.ascontiguousarray(codes[top : top + _TILE, left : left + _TILE])
            for top in range(0, codes.shape[0], _TILE)
            for left in range(0, codes.shape[1], _TILE)
        )
        tifffile.imwrite(
            part / "strip.tif", tiles, shape=codes.shape, dtype=codes.dtype, photometric="rgb",
            tile=(_TILE, _TILE), compression="zlib", predictor=True, metadata=None, bigtiff=True,
            resolution=(9600, 9600), resolutionunit="INCH", compressionargs={"level": 1},
        )  # fmt: skip

    return made.made_once(folder / "tiles-9600", fill)


def _two_jpegs(folder: Path) -> Path:
    """Return a folder with two strips of six frames, which two workers read at once."""
    (source,) = _file_folder(folder, "jpeg").iterdir()

    def fill(part: Path) -> None:
        for name in ("a.jpg", "b.jpg"):
            shutil.copy(source, part / name)

    return made.made_once(folder / "two-jpegs", fill)


CASES: dict[str, Callable[[Path], Path]] = {
    **{name: partial(_file_folder, case=name) for name in FILES},
    "two jpegs": _two_jpegs,
    "9600 ppi, 35 mm, tiles": _wide_tiles,
    "9600 ppi, 35 mm": lambda folder: made.roll_folder(folder, 9600.0, 6),
    "9600 ppi, 6x9": lambda folder: made.medium_folder(folder, 9600.0, False),
    "9600 ppi, 6x9, upright": lambda folder: made.medium_folder(folder, 9600.0, True),
    "100 scans": lambda folder: made.many_folders(folder, 100)["100 scans"],
    "300 scans": lambda folder: made.many_folders(folder, 300)["300 scans"],
    "1000 scans": lambda folder: made.many_folders(folder, 1000)["1000 scans"],
}


def measure(scans: Path) -> Held:
    """Convert a folder with two workers and return what that held."""
    with tempfile.TemporaryDirectory(dir=scans.parent) as out:
        words = ["convert", str(scans), "-o", out, "--workers", "2"]
        return tree_held([sys.executable, "-m", "pipeline", *words])


def memory(folder: Path, names: Sequence[str] = ()) -> None:
    """Print what runs over cases hold, all if none is named, and which hold too much."""
    for name in names or CASES:
        held = measure(CASES[name](folder))
        said = "" if held.code == 0 else held.said.strip().splitlines()[-1][:100]
        much = f"more than {MOST_MB} MB" if held.tree > MOST_MB else ""
        print(
            f"{name:28} {held.tree:6.0f} MB {held.cpu:7.1f} s cpu, exit {held.code} {much} {said}",
            flush=True,
        )
