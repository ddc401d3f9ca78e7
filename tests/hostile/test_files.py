"""Files made to fill the memory or the time: refused in one sentence, before they do."""

import io
import struct
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile

from pipeline.problem import ScanProblem
from pipeline.scan import container
from pipeline.scan.scan import open_scan, reduce
from tests.hostile.fuzzed import run_command
from tests.render.whole_pictures import read_codes

SIDE = 24000  # 24000 x 24000 pixels of 6 bytes: 3.5 GB.
# Far below what any of these files claims.
MOST_MB = 400.0
FLAT = np.zeros((1024, 1024, 3), np.uint16)


def png_bomb(folder: Path) -> Path:
    """Write a PNG of 3.5 GB in 3.5 MB (PNG, third edition, 11.2.1)."""
    # What was flushed in full stands for itself, so one row packed is all of them (RFC 1951); of
    # zeros the checksum is 1 and their count (RFC 1950).
    size = 1 + SIDE * 6
    packer = zlib.compressobj(9, wbits=-15)
    row = packer.compress(bytes(size)) + packer.flush(zlib.Z_FULL_FLUSH)
    checksum = struct.pack(">HH", SIDE * size % 65521, 1)
    packed = b"\x78\xda" + row * SIDE + packer.flush() + checksum
    head = struct.pack(">IIBBBBB", SIDE, SIDE, 16, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", packed), (b"IEND", b""))
    path = folder / "bad.png"
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + b"".join(
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
            for name, body in chunks
        )
    )
    return path


def tiff_with(folder: Path, changes: dict[str, list[int]], **options: object) -> Path:
    """Write a flat TIFF of tiles, then overwrite values of some tags."""
    path = folder / "bad.tif"
    tifffile.imwrite(path, FLAT, photometric="rgb", **options)
    with tifffile.TiffFile(path, mode="r+b") as file:
        for name, value in changes.items():
            file.pages[0].tags[name].overwrite(value if len(value) > 1 else value[0])
    return path


def shared_tiles(folder: Path) -> Path:
    """Write a TIFF of 3.5 GB all of whose tiles are the same few bytes."""
    count = (-(-SIDE // 1024)) ** 2
    with tifffile.TiffFile(tiff_with(folder, {}, compression="zlib", tile=(1024, 1024))) as file:
        offset, size = file.pages[0].dataoffsets[0], file.pages[0].databytecounts[0]
    changes = {
        "ImageWidth": [SIDE], "ImageLength": [SIDE],
        "TileOffsets": [offset] * count, "TileByteCounts": [size] * count,
    }  # fmt: skip
    return tiff_with(folder, changes, compression="zlib", tile=(1024, 1024))


def one_strip(folder: Path) -> Path:
    """Write a TIFF of 3.5 GB in one packed strip."""
    changes = {"ImageWidth": [SIDE], "ImageLength": [SIDE], "RowsPerStrip": [SIDE]}
    return tiff_with(folder, changes, compression="zlib", rowsperstrip=1024)


def inflated_tile(folder: Path) -> Path:
    """Write a TIFF with a tile of 64 x 64 pixels whose data unfold to a gigabyte."""
    path = folder / "bad.tif"
    tifffile.imwrite(path, FLAT[:64, :64], photometric="rgb", compression="zlib", tile=(64, 64))
    bomb = zlib.compress(bytes(1 << 30), 9)
    with tifffile.TiffFile(path, mode="r+b") as file:
        page = file.pages[0]
        offset = path.stat().st_size
        page.tags["TileOffsets"].overwrite(offset)
        page.tags["TileByteCounts"].overwrite(len(bomb))
    with path.open("ab") as handle:
        handle.write(bomb)
    return path


def many_entries(folder: Path) -> Path:
    """Write a TIFF whose tags claim four thousand million values each (TIFF 6.0, section 2)."""
    path = folder / "bad.tif"
    tags = [
        256,
        257,
        258,
        259,
        262,
        270,
        273,
        277,
        278,
        279,
        330,
        34665,
        34675,
        *range(60000, 65535),
    ]
    entries = b"".join(struct.pack("<HHII", tag, 12, 2**32 - 1, 8) for tag in tags)
    path.write_bytes(b"II*\0" + struct.pack("<IH", 8, len(tags)) + entries + bytes(4))
    return path


@pytest.mark.parametrize("make", [png_bomb, shared_tiles, one_strip, inflated_tile, many_entries])
def test_a_bomb_is_one_sentence_and_takes_little_memory(make, tmp_path: Path):
    path = make(tmp_path)
    answer = run_command(["measure", str(path)])
    assert answer.fault is None
    assert answer.code == 3
    lines = answer.err.splitlines()
    assert len(lines) == 1
    assert path.name in lines[0]
    assert answer.taken_mb < MOST_MB


def test_a_jpeg_larger_than_its_tile_is_refused(tmp_path: Path):
    path = tmp_path / "bad.tif"
    tile = np.zeros((64, 64, 3), np.uint8)
    tifffile.imwrite(path, tile, photometric="rgb", compression="jpeg", tile=(64, 64))
    bomb = imagecodecs.jpeg8_encode(np.zeros((6000, 6000, 3), np.uint8), colorspace="rgb")
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags["TileOffsets"].overwrite(path.stat().st_size)
        file.pages[0].tags["TileByteCounts"].overwrite(len(bomb))
    with path.open("ab") as handle:
        handle.write(bomb)
    (scan,) = open_scan(path)
    with pytest.raises(ScanProblem, match="has a strip or tile of 6000 x 6000 pixels"):
        read_codes(scan, (0, 64), (0, 64))


def test_what_has_to_be_decoded_whole_must_fit_in_half_of_the_memory(tmp_path, monkeypatch):
    noise = np.random.default_rng(0).integers(0, 65535, FLAT.shape, np.uint16)
    kinds = {
        "a.jp2": imagecodecs.jpeg2k_encode(noise, level=0),
        "b.tif": _packed(noise, "zstd", rowsperstrip=1024),
        "c.tif": _packed(FLAT, "zlib", rowsperstrip=16),
        "d.png": imagecodecs.png_encode(FLAT),
    }
    for name, data in kinds.items():
        (tmp_path / name).write_bytes(data)
    sizes = {"SC_PAGE_SIZE": 4096, "SC_PHYS_PAGES": 2 * FLAT.nbytes // 4096 - 2}
    monkeypatch.setattr(container.os, "sysconf", sizes.__getitem__)
    for name in ("a.jp2", "b.tif"):
        with pytest.raises(ScanProblem, match=r"takes 0\.[01] GB of memory to decode; save it as"):
            open_scan(tmp_path / name)
    # Strip by strip, or row by row, it takes little.
    for name in ("c.tif", "d.png"):
        (scan,) = open_scan(tmp_path / name)
        assert not reduce(scan, 64).light.any()


def _packed(picture: np.ndarray, compression: str, **options: int) -> bytes:
    file = io.BytesIO()
    tifffile.imwrite(file, picture, photometric="rgb", compression=compression, **options)
    return file.getvalue()


@pytest.mark.parametrize("value", [3e38, -3e38, 2e6])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_floats_beyond_any_light_are_refused(tmp_path: Path, value: float, kind: type):
    picture = np.full((20, 30, 3), 0.5, kind)
    picture[10, 10, 1] = value
    path = tmp_path / "bad.tif"
    tifffile.imwrite(path, picture, photometric="rgb")
    (scan,) = open_scan(path)
    with pytest.raises(ScanProblem, match=r"bad\.tif: holds samples that are far beyond full"):
        reduce(scan, 2)
