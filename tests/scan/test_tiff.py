"""TIFF scans, written by tifffile or by hand and read back code by code."""

import gc
import struct
import tracemalloc
from pathlib import Path

import exiv2
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from PIL import Image

from pipeline.problem import ScanProblem
from pipeline.scan import stream, tiff
from pipeline.scan.scan import open_scan, opened, reduce
from tests.render.whole_pictures import read_codes, read_infrared

ROWS, COLUMNS = 83, 117


def picture(dtype: type = np.uint16, samples: int = 3, seed: int = 7) -> np.ndarray:
    top = np.iinfo(dtype).max
    generator = np.random.default_rng(seed)
    return generator.integers(0, top, (ROWS, COLUMNS, samples), dtype, endpoint=True)


def read_whole(path: Path, page: int = 0) -> np.ndarray:
    scan = open_scan(path)[page]
    return read_codes(scan, (0, scan.height), (0, scan.width))


def write(path: Path, data: np.ndarray, **options) -> Path:
    if options.get("planarconfig") == "separate":
        data = np.moveaxis(data, 2, 0)
    tifffile.imwrite(path, data, photometric="rgb", **options)
    return path


STORED = {
    "one strip": {},
    "strips": {"rowsperstrip": 10},
    "a strip a row": {"rowsperstrip": 1},
    "big-endian strips": {"rowsperstrip": 7, "byteorder": ">"},
    "tiles": {"tile": (32, 48)},
    "big-endian tiles": {"tile": (32, 48), "byteorder": ">"},
    "a tile larger than the picture": {"tile": (128, 128)},
    "separate planes": {"planarconfig": "separate", "rowsperstrip": 9},
    "separate planes in tiles": {"planarconfig": "separate", "tile": (16, 32)},
    "BigTIFF": {"bigtiff": True, "rowsperstrip": 20},
    "BigTIFF, big-endian": {"bigtiff": True, "byteorder": ">"},
    "deflate": {"compression": "zlib", "rowsperstrip": 11},
    "deflate, predictor, tiles": {"compression": "zlib", "predictor": True, "tile": (32, 32)},
    "deflate, predictor, big-endian": {"compression": "zlib", "predictor": True, "byteorder": ">"},
    "deflate, separate planes": {
        "compression": "zlib", "planarconfig": "separate", "rowsperstrip": 13,
    },
    "LZW": {"compression": "lzw", "rowsperstrip": 8},
    "LZW, predictor, separate tiles": {
        "compression": "lzw", "predictor": True, "planarconfig": "separate", "tile": (48, 16),
    },
    "zstd": {"compression": "zstd", "rowsperstrip": 30},
    "packbits": {"compression": "packbits", "rowsperstrip": 5},
    "LZMA": {"compression": "lzma"},
}  # fmt: skip


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("name", STORED)
def test_codes_are_those_written(tmp_path, name, dtype):
    data = picture(dtype)
    path = write(tmp_path / "strip.tif", data, **STORED[name])
    codes = read_whole(path)
    assert codes.dtype == dtype
    assert_array_equal(codes, data)


@pytest.mark.parametrize("name", STORED)
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(corners=st.data())
def test_a_window_is_a_slice_of_the_whole(tmp_path, name, corners):
    path = tmp_path / "strip.tif"
    if not path.exists():
        write(path, picture(), **STORED[name])
    rows = sorted(corners.draw(st.sets(st.integers(0, ROWS), min_size=2, max_size=2)))
    columns = sorted(corners.draw(st.sets(st.integers(0, COLUMNS), min_size=2, max_size=2)))
    (scan,) = open_scan(path)
    window = read_codes(scan, tuple(rows), tuple(columns))
    assert_array_equal(window, picture()[slice(*rows), slice(*columns)])


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "predictor": True}])
def test_floats_are_read_as_they_are(tmp_path, dtype, options):
    data = np.random.default_rng(3).random((ROWS, COLUMNS, 3)).astype(dtype)
    path = write(tmp_path / "strip.tif", data, **options)
    (scan,) = open_scan(path)
    assert_array_equal(read_whole(path), data)
    assert (scan.encoding.kind, scan.encoding.source) == ("linear", "container")


def test_jpeg_in_tiff_is_what_pillow_reads(tmp_path):
    data = np.asarray(Image.fromarray(picture(np.uint8)).resize((20, 20)).resize((COLUMNS, ROWS)))
    path = write(tmp_path / "strip.tif", data, compression="jpeg", rowsperstrip=16)
    with Image.open(path) as reference:
        # Pillow decodes with libtiff and libjpeg; inverse transforms may differ by a code.
        difference = read_whole(path).astype(int) - np.asarray(reference.convert("RGB"))
    assert np.abs(difference).max() <= 1


@pytest.mark.parametrize("high", [ROWS, 16])
@pytest.mark.parametrize(
    "way", ["4:4:4", "4:2:0", "red, green, blue", "tables apart", "taller than the picture"]
)
def test_jpeg_strips_in_order_are_those_decoded_apart(tmp_path, way, high, monkeypatch):
    rows = ROWS - 4 if way == "taller than the picture" else ROWS
    data = np.asarray(Image.fromarray(picture(np.uint8)).resize((20, 20)).resize((COLUMNS, ROWS)))
    path, options = tmp_path / "a.tif", {"compression": "jpeg", "rowsperstrip": high}
    if way == "tables apart":
        tags = {278: high}
        Image.fromarray(data).save(path, compression="jpeg", tiffinfo=tags, strip_size=1 << 20)
    elif way == "red, green, blue":
        write(path, data, compressionargs={"outcolorspace": "rgb"}, **options)
    else:
        write(path, data, subsampling=(1, 1) if way == "4:4:4" else (2, 2), **options)
    if way == "taller than the picture":
        with tifffile.TiffFile(path, mode="r+b") as file:
            file.pages[0].tags["ImageLength"].overwrite(rows)
    whole = read_whole(path)
    monkeypatch.setattr(stream, "_LEAST_BYTES", 1)
    monkeypatch.setattr(tifffile.TiffPage, "decode", None)
    (scan,) = open_scan(path)
    with opened(scan, in_order=True) as reader:
        bands = [reader.codes((top, min(top + 7, rows)), (3, COLUMNS)) for top in range(0, rows, 7)]
        assert_array_equal(np.concatenate(bands), whole[:, 3:])
        assert_array_equal(reader.codes((2, 9), (0, 5)), whole[2:9, :5])


@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_adobe_deflate", "packbits"])
def test_what_pillow_writes_is_read(tmp_path, compression):
    Image.fromarray(picture(np.uint8)).save(tmp_path / "strip.tif", compression=compression)
    assert_array_equal(read_whole(tmp_path / "strip.tif"), picture(np.uint8))


def test_twelve_bits_are_unpacked(tmp_path):
    data = picture() >> 4
    path = write(tmp_path / "strip.tif", data, bitspersample=12)
    (scan,) = open_scan(path)
    assert scan.bits == 12
    assert_array_equal(read_whole(path), data)


def write_pages(path: Path, *pages: tuple[np.ndarray, dict]) -> Path:
    with tifffile.TiffWriter(path) as writer:
        for data, options in pages:
            kind = "rgb" if data.ndim == 3 else "minisblack"
            writer.write(data, **{"photometric": kind, "metadata": None, **options})
    return path


def infrared(dtype: type = np.uint16, seed: int = 9) -> np.ndarray:
    return picture(dtype, 1, seed)[..., 0]


@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "tile": (32, 32)}])
def test_each_colour_page_is_a_scan_with_its_infrared_page(tmp_path, options):
    first, second, third = picture(seed=1), picture(seed=2), picture(seed=3)
    pages = [first, infrared(), second, third, infrared(np.uint8)]
    path = write_pages(tmp_path / "strips.tif", *((page, options) for page in pages))
    scans = open_scan(path)
    assert [scan.page for scan in scans] == [0, 1, 2]
    assert [scan.infrared for scan in scans] == [True, False, True]
    for page, data in enumerate((first, second, third)):
        assert_array_equal(read_whole(path, page), data)
    for scan, plane in ((scans[0], infrared() / 65535), (scans[2], infrared(np.uint8) / 255)):
        light = read_infrared(scan, (3, 50), (5, 70))
        assert_array_equal(light, plane.astype(np.float32)[3:50, 5:70])


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"rowsperstrip": 9, "byteorder": ">"},
        {"planarconfig": "separate"},
        {"compression": "zlib", "predictor": True, "tile": (32, 32)},
        {"compression": "lzw", "planarconfig": "separate", "rowsperstrip": 10},
    ],
)
def test_a_fourth_sample_is_infrared(tmp_path, options):
    data = picture(samples=4)
    path = write(tmp_path / "strip.tif", data, extrasamples=["unspecified"], **options)
    (scan,) = open_scan(path)
    assert scan.infrared
    assert scan.samples == 4
    assert_array_equal(read_codes(scan, (2, 60), (1, 99)), data[2:60, 1:99, :3])
    plane = (data[..., 3] / 65535).astype(np.float32)
    assert_array_equal(read_infrared(scan, (2, 60), (1, 99)), plane[2:60, 1:99])
    assert_array_equal(reduce(scan, 1).infrared, plane)


@pytest.mark.parametrize("kind", ["assocalpha", "unassalpha"])
def test_transparency_is_no_infrared(tmp_path, kind):
    path = write(tmp_path / "strip.tif", picture(samples=4), extrasamples=[kind])
    (scan,) = open_scan(path)
    assert not scan.infrared
    assert any("transparency" in note for note in scan.notes)
    assert_array_equal(read_whole(path), picture(samples=4)[..., :3])


def test_a_grey_page_of_another_size_is_noted_and_left(tmp_path):
    pages = [(picture(), {}), (infrared()[:40], {})]
    (scan,) = open_scan(write_pages(tmp_path / "strip.tif", *pages))
    assert not scan.infrared
    assert any("page 2" in note for note in scan.notes)


def test_reduced_copies_are_passed_over(tmp_path):
    small = np.ascontiguousarray(picture()[::8, ::8])
    masks = picture()[..., 0] > 999
    pages = [(small, {"subfiletype": 1}), (picture(), {}), (small, {}), (masks, {"subfiletype": 4})]
    path = write_pages(tmp_path / "strip.tif", *pages)
    assert len(open_scan(path)) == 1
    assert_array_equal(read_whole(path), picture())


def test_sub_directories_are_read_where_the_chain_has_a_copy_only(tmp_path):
    path = tmp_path / "strip.tif"
    with tifffile.TiffWriter(path) as writer:
        small = np.ascontiguousarray(picture()[::8, ::8])
        writer.write(small, photometric="rgb", subfiletype=1, subifds=1, metadata=None)
        writer.write(picture(), photometric="rgb", metadata=None)
    assert_array_equal(read_whole(path), picture())


def write_linear_raw(path: Path, samples: int = 3, **levels: int) -> Path:
    """Write a linear DNG after DNG 1.7, chapters 3 and 4: PhotometricInterpretation 34892."""
    tags = [(50706, "B", 4, bytes([1, 4, 0, 0]), True)]
    tags += [(code, "H", 1, levels[name], True) for code, name in LEVELS.items() if name in levels]
    kind = {"photometric": 34892, "planarconfig": "contig", "metadata": None}
    tifffile.imwrite(path, picture(samples=samples), extratags=tags, **kind)
    return path


LEVELS = {50714: "black", 50717: "white"}


@pytest.mark.parametrize("name", ["strip.dng", "strip.tif"])
@pytest.mark.parametrize("samples", [3, 4])
def test_linear_raw_is_read_as_light(tmp_path, name, samples):
    path = write_linear_raw(tmp_path / name, samples, black=0, white=65535)
    (scan,) = open_scan(path)
    assert (scan.encoding.kind, scan.encoding.source) == ("linear", "container")
    assert scan.infrared == (samples == 4)
    assert_array_equal(read_whole(path), picture(samples=samples)[..., :3])


@pytest.mark.parametrize("levels", [{"black": 64}, {"white": 16383}])
def test_linear_raw_with_levels_is_left_to_a_developer(tmp_path, levels):
    path = write_linear_raw(tmp_path / "strip.tif", **levels)
    assert not tiff.needs_no_developing(path)
    with pytest.raises(ScanProblem, match="levels of its own"):
        open_scan(path)


def test_a_dng_without_raw_is_the_tiff_that_it_is(tmp_path):
    version = [(50706, "B", 4, bytes([1, 4, 0, 0]), True)]
    path = tmp_path / "strip.dng"
    tifffile.imwrite(path, picture(), photometric="rgb", extratags=version, metadata=None)
    assert_array_equal(read_whole(path), picture())
    tifffile.imwrite(path, picture()[..., 0], photometric="minisblack", extratags=version)
    with pytest.raises(ScanProblem, match="has one channel"):
        open_scan(path)


@pytest.mark.parametrize("kind", [np.int16, np.uint32])
def test_samples_of_other_kinds_are_told_with_what_to_save(tmp_path, kind):
    path = tmp_path / "strip.tif"
    tifffile.imwrite(path, picture().astype(kind), photometric="rgb", metadata=None)
    with pytest.raises(ScanProblem, match="save it as a TIFF of 16 bits without a sign"):
        open_scan(path)


def test_tags_are_read(tmp_path):
    exif_date = "2024:05:06 07:08:09"
    tags = [(271, "s", 0, "A maker", True), (272, "s", 0, "A model ", True)]
    tags += [(274, "H", 1, 6, True), (306, "s", 0, exif_date, True)]
    options = {"resolution": (3200, 3200), "resolutionunit": "inch", "software": "A program"}
    path = write(tmp_path / "strip.tif", picture(), extratags=tags, metadata=None, **options)
    (scan,) = open_scan(path)
    assert (scan.width, scan.height, scan.bits, scan.samples) == (COLUMNS, ROWS, 16, 3)
    assert (scan.ppi, scan.ppi_from) == (3200.0, "tag")
    assert scan.orientation == 6
    assert scan.digitized is not None
    assert scan.digitized.isoformat() == "2024-05-06T07:08:09"
    assert scan.device == {"make": "A maker", "model": "A model", "software": "A program"}
    assert scan.device_name == "A maker A model"


def test_exif_written_by_another_library_is_read(tmp_path):
    path = write(tmp_path / "strip.tif", picture(), datetime="2020:01:01 00:00:00")
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    # Exif 3.0, 4.6.6: the time of the scan goes before that of the file; 1 is sRGB.
    image.exifData()["Exif.Photo.DateTimeDigitized"] = "2019:02:03 04:05:06"
    image.exifData()["Exif.Photo.ColorSpace"] = "1"
    image.writeMetadata()
    (scan,) = open_scan(path)
    assert scan.digitized is not None
    assert scan.digitized.year == 2019
    assert (scan.encoding.kind, scan.encoding.source) == ("srgb", "container")
    assert_array_equal(read_whole(path), picture())


@pytest.mark.parametrize(
    ("resolution", "unit", "ppi", "note"),
    [
        ((944.8818898, 944.8818898), "centimeter", 2400.0, None),
        ((2400, 2400), "none", None, None),
        ((72, 72), "inch", None, "72 ppi"),
        ((2400, 1200), "inch", None, "differ"),
        ((0, 0), "inch", None, None),
    ],
)
def test_resolution(tmp_path, resolution, unit, ppi, note):
    options = {"resolution": resolution, "resolutionunit": unit}
    (scan,) = open_scan(write(tmp_path / "strip.tif", picture(), **options))
    assert scan.ppi == (None if ppi is None else pytest.approx(ppi, rel=1e-5))
    assert scan.ppi_from == (None if ppi is None else "tag")
    assert any(note in text for text in scan.notes) if note else "ppi" not in str(scan.notes)


REFUSED = {
    "one channel": (infrared(), {"photometric": "minisblack"}, "one channel"),
    "light reversed": (infrared(), {"photometric": "miniswhite"}, "one channel"),
    "a palette": (
        infrared(np.uint8),
        {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)},
        "a palette",
    ),
    "CMYK": (picture(samples=4), {"photometric": "separated"}, "CMYK"),
    "CIELAB": (picture(np.uint8), {"photometric": "cielab"}, "CIELAB"),
    "a mosaic": (
        infrared(),
        {"photometric": "cfa", "extratags": [(33421, "H", 2, (2, 2), True)]},
        "mosaic",
    ),
    "three greys": (
        picture(),
        {"photometric": "minisblack", "planarconfig": "contig"},
        "not RGB",
    ),
    "five channels": (picture(samples=5), {"photometric": "rgb"}, "5 channels"),
    "signed": (picture().astype(np.int16), {"photometric": "rgb"}, "16 bits"),
    "long": (picture().astype(np.uint32), {"photometric": "rgb"}, "32 bits"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_not_rgb_is_refused(tmp_path, name):
    data, options, said = REFUSED[name]
    tifffile.imwrite(tmp_path / "strip.tif", data, metadata=None, **options)
    with pytest.raises(ScanProblem, match=said) as problem:
        open_scan(tmp_path / "strip.tif")
    assert str(problem.value).startswith(str(tmp_path / "strip.tif"))


def test_a_file_cut_short_is_refused_when_opened(tmp_path):
    path = write(tmp_path / "strip.tif", picture(), rowsperstrip=10)
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(ScanProblem, match="cut short"):
        open_scan(path)


@pytest.mark.parametrize("name", ["strips", "deflate"])
def test_a_file_cut_short_after_it_was_opened_is_refused_when_read(tmp_path, name):
    path = write(tmp_path / "strip.tif", picture(), **STORED[name])
    (scan,) = open_scan(path)
    path.write_bytes(path.read_bytes()[:-2000])
    with pytest.raises(ScanProblem, match="cut short"):
        read_codes(scan, (0, ROWS), (0, COLUMNS))


def test_a_file_replaced_after_it_was_opened_is_refused(tmp_path):
    path = write(tmp_path / "strip.tif", picture())
    (scan,) = open_scan(path)
    write(path, picture()[:40])
    with pytest.raises(ScanProblem, match="has changed"):
        read_codes(scan, (0, ROWS), (0, COLUMNS))


def test_damaged_data_are_refused_when_read(tmp_path):
    path = write(tmp_path / "strip.tif", picture(), compression="zlib")
    with tifffile.TiffFile(path) as file:
        start = file.pages[0].dataoffsets[0]
    data = bytearray(path.read_bytes())
    data[start + 50 : start + 90] = bytes(40)
    path.write_bytes(data)
    with pytest.raises(ScanProblem, match="damaged"):
        read_whole(path)


def two_pages(path: Path, next_page: int | None) -> Path:
    """Write two pages and overwrite the link that ends the chain; None links to the first."""
    write_pages(path, (picture(), {}), (picture(seed=2), {}))
    with tifffile.TiffFile(path) as file:
        first = file.pages[0].offset
        end = file.pages.next_page_offset
    data = bytearray(path.read_bytes())
    struct.pack_into("<I", data, end, first if next_page is None else next_page)
    path.write_bytes(data)
    return path


def test_pages_in_a_circle_are_refused(tmp_path):
    with pytest.raises(ScanProblem, match="circle"):
        open_scan(two_pages(tmp_path / "strip.tif", None))


def test_a_page_beyond_the_end_is_refused(tmp_path):
    with pytest.raises(ScanProblem, match="page it points to is missing"):
        open_scan(two_pages(tmp_path / "strip.tif", 1 << 30))


def with_tag(path: Path, code: int, value: int) -> Path:
    """Overwrite one tag of the first page."""
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags[code].overwrite(value)
    return path


@pytest.mark.parametrize(
    ("code", "value", "said"),
    [
        (256, 0, "0 x 83 pixels"),
        (257, 0, "117 x 0 pixels"),
        (257, 65535, "strips"),
        (278, 0, "strips or tiles of"),
        (259, 64999, "scheme 64999"),
        (279, 50, "shorter than their rows"),
        (273, 0, "without data"),
    ],
)
def test_tags_that_make_no_sense_are_refused(tmp_path, code, value, said):
    path = with_tag(write(tmp_path / "strip.tif", picture()), code, value)
    with pytest.raises(ScanProblem, match=said):
        open_scan(path)


@pytest.mark.parametrize(
    ("width", "height", "said"),
    [
        (60000, 60000, "more than any scan"),
        # Of a size that a strip of 6x9 at 9600 ppi has.
        (27600, 100000, "bytes of data"),
        (30000, 30000, "bytes of data"),
    ],
)
def test_absurd_sizes_are_refused(tmp_path, width, height, said):
    path = write(tmp_path / "strip.tif", picture(), compression="zlib")
    with_tag(with_tag(with_tag(path, 256, width), 257, height), 278, height)
    with pytest.raises(ScanProblem, match=said):
        open_scan(path)


def test_tiles_of_absurd_size_are_refused(tmp_path):
    path = write(tmp_path / "strip.tif", picture(), compression="zlib", tile=(128, 128))
    with pytest.raises(ScanProblem, match="tiles of 60000 x 60000"):
        open_scan(with_tag(with_tag(path, 322, 60000), 323, 60000))


def write_sparse(path: Path, side: int, planes: int) -> Path:
    """Write the head of an uncompressed TIFF (TIFF 6.0, section 2) and let the file hold zeros."""
    plane_bytes = side * side * 2 * (3 // planes)
    start = 4096
    offsets = [start + k * plane_bytes for k in range(planes)]
    counts = [plane_bytes] * planes
    lists = 2048
    apart = planes > 1
    tags = [
        (256, 3, 1, side), (257, 3, 1, side), (258, 3, 1, 16), (259, 3, 1, 1), (262, 3, 1, 2),
        (273, 4, planes, lists if apart else offsets[0]), (277, 3, 1, 3), (278, 4, 1, side),
        (279, 4, planes, lists + 4 * planes if apart else counts[0]),
        (284, 3, 1, 2 if apart else 1),
    ]  # fmt: skip
    head = struct.pack("<2sHIH", b"II", 42, 8, len(tags))
    head += b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(4)
    head = head.ljust(lists, b"\0") + struct.pack(f"<{2 * planes}I", *offsets, *counts)
    with path.open("wb") as handle:
        handle.write(head)
        handle.truncate(start + planes * plane_bytes)
    return path


@pytest.mark.parametrize("planes", [1, 3])
def test_a_small_window_of_a_large_scan_takes_little_memory(tmp_path, planes):
    # 20000 x 20000 samples of 16 bits are 2.4 GB; a window of 200 x 300 is 0.36 MB.
    path = write_sparse(tmp_path / "strip.tif", 20000, planes)
    tracemalloc.start()
    try:
        (scan,) = open_scan(path)
        codes = read_codes(scan, (9000, 9200), (15000, 15300))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert codes.shape == (200, 300, 3)
    assert not codes.any()
    assert peak < 4e6


def test_only_the_tiles_of_a_window_are_decoded(tmp_path):
    path = write(tmp_path / "strip.tif", picture(), compression="zlib", tile=(32, 32))
    with tifffile.TiffFile(path) as file:
        last = file.pages[0].dataoffsets[-1], file.pages[0].databytecounts[-1]
    data = bytearray(path.read_bytes())
    data[last[0] : sum(last)] = bytes(last[1])
    path.write_bytes(data)
    (scan,) = open_scan(path)
    assert_array_equal(read_codes(scan, (0, 64), (0, 96)), picture()[:64, :96])
    with pytest.raises(ScanProblem, match="damaged"):
        read_codes(scan, (0, ROWS), (0, COLUMNS))


@pytest.mark.parametrize(
    "name", ["deflate", "deflate, predictor, tiles", "deflate, separate planes"]
)
def test_bands_decode_each_strip_or_tile_once(tmp_path, monkeypatch, name):
    path = write(tmp_path / "strip.tif", picture(), **STORED[name])
    (scan,) = open_scan(path)
    decoded: list[int] = []
    decode = tifffile.TiffPage.decode.func

    def counting(page):
        function = decode(page)

        def one(data, index, **options):
            decoded.append(index)
            return function(data, index, **options)

        return one

    monkeypatch.setattr(tifffile.TiffPage, "decode", property(counting))
    with tiff.opened(path, scan) as reader:
        bands = [reader.codes((top, min(top + 6, ROWS)), (0, COLUMNS)) for top in range(0, ROWS, 6)]
    assert_array_equal(np.concatenate(bands), picture())
    assert len(decoded) == len(set(decoded)) > 0


def test_a_row_of_tiles_is_given_back_before_the_next_is_decoded(tmp_path):
    # A row of tiles takes 12.6 MB, a band of 8 rows 0.2 MB.
    codes = np.zeros((1024, 4096, 3), np.uint16)
    path = write(tmp_path / "wide.tif", codes, tile=(512, 512), compression="zlib")
    (scan,) = open_scan(path)
    tracemalloc.start()
    try:
        with opened(scan, in_order=True) as reader:
            for top in range(4, 1020, 8):
                reader.codes((top, top + 8), (0, 4096))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1.6 * codes[:512].nbytes


@pytest.mark.parametrize("options", [{"rowsperstrip": 512}, {"tile": (512, 512)}])
def test_nothing_decoded_is_held_of_a_scan_that_is_closed(tmp_path, options):
    # Python looks for garbage the seldomer, the more of a long roll there is.
    codes = np.zeros((1024, 512, 3), np.uint16)
    (scan,) = open_scan(write(tmp_path / "strip.tif", codes, compression="zlib", **options))
    # What is loaded at the first read stays.
    read_codes(scan, (0, 16), (0, 512))
    gc.collect()
    gc.disable()
    tracemalloc.start()
    try:
        read_codes(scan, (0, 16), (0, 512))
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        gc.enable()
    assert held < 0.1 * codes.nbytes
