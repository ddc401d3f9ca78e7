"""PNG, JPEG and camera raw scans."""

import contextlib
import pickle
import struct
import sys
import threading
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imagecodecs
import imageio.v3 as imageio
import numpy as np
import pytest
import rawpy
import tifffile
from numpy.testing import assert_allclose, assert_array_equal
from PIL import BmpImagePlugin, Image, ImageCms

from pipeline.problem import ScanProblem
from pipeline.scan import container
from pipeline.scan.scan import open_scan, opened
from tests.render.whole_pictures import read_codes, read_light

ROWS, COLUMNS = 47, 61
# Recommendation ITU-R BT.709-6, table 1.
WHITE, PRIMARIES = [0.3127, 0.329, 1.0], [0.64, 0.33, 0.3, 0.6, 0.15, 0.06]


def picture(dtype: type = np.uint16, samples: int = 3) -> np.ndarray:
    top = np.iinfo(dtype).max
    generator = np.random.default_rng(5)
    return generator.integers(0, top, (ROWS, COLUMNS, samples), dtype, endpoint=True)


def smooth() -> np.ndarray:
    small = Image.fromarray(picture(np.uint8)[:6, :6])
    return np.asarray(small.resize((COLUMNS, ROWS), Image.Resampling.BICUBIC))


def read_whole(path: Path) -> np.ndarray:
    (scan,) = open_scan(path)
    return read_codes(scan, (0, scan.height), (0, scan.width))


def png(data: np.ndarray, *chunks: tuple[bytes, bytes]) -> bytes:
    """Write a PNG and put chunks after its header (PNG, third edition, 5.3)."""
    whole = imagecodecs.png_encode(data)
    added = b""
    for name, content in chunks:
        check = zlib.crc32(name + content)
        added += struct.pack(">I", len(content)) + name + content + struct.pack(">I", check)
    return whole[:33] + added + whole[33:]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("samples", [3, 4])
def test_png_codes_are_those_written(tmp_path, dtype, samples):
    path = tmp_path / "strip.png"
    path.write_bytes(png(picture(dtype, samples)))
    (scan,) = open_scan(path)
    assert (scan.bits, scan.samples) == (np.iinfo(dtype).bits, samples)
    assert not scan.infrared
    assert_array_equal(read_whole(path), picture(dtype, samples)[..., :3])
    window = read_codes(scan, (3, 30), (5, 17))
    assert_array_equal(window, picture(dtype, samples)[3:30, 5:17, :3])


def test_png_of_imageio_is_read(tmp_path):
    path = tmp_path / "strip.png"
    imageio.imwrite(path, picture(np.uint8))
    assert_array_equal(read_whole(path), imageio.imread(path))


@pytest.mark.parametrize(
    ("chunks", "kind", "gamma", "source"),
    [
        ([], "srgb", None, "assumed"),
        ([(b"sRGB", b"\0")], "srgb", None, "container"),
        # PNG, third edition, 11.3.2.2: 100000 times the exponent from light to codes.
        ([(b"gAMA", struct.pack(">I", 45455))], "gamma", 2.2, "container"),
        ([(b"gAMA", struct.pack(">I", 100000))], "linear", None, "container"),
        ([(b"sRGB", b"\0"), (b"gAMA", struct.pack(">I", 45455))], "srgb", None, "container"),
    ],
)
def test_png_says_how_it_is_encoded(tmp_path, chunks, kind, gamma, source):
    path = tmp_path / "strip.png"
    path.write_bytes(png(picture(), *chunks))
    (scan,) = open_scan(path)
    encoding = scan.encoding
    assert (encoding.kind, encoding.source) == (kind, source)
    assert encoding.gamma == (None if gamma is None else pytest.approx(gamma, abs=1e-3))
    assert any("no colour profile" in note for note in scan.notes) == (source == "assumed")


def test_png_profile_goes_before_its_other_chunks(tmp_path):
    profile = imagecodecs.cms_profile("rgb", whitepoint=WHITE, primaries=PRIMARIES, gamma=1.8)
    content = b"name\0\0" + zlib.compress(profile)
    path = tmp_path / "strip.png"
    path.write_bytes(png(picture(), (b"iCCP", content), (b"gAMA", struct.pack(">I", 100000))))
    (scan,) = open_scan(path)
    assert scan.encoding.source == "icc"
    assert scan.encoding.gamma == pytest.approx(1.8, abs=1e-3)
    light = read_light(scan, (0, 9), (0, 9))
    assert_allclose(light, (picture()[:9, :9] / 65535) ** 1.8, atol=1e-4)


def test_png_resolution_and_exif(tmp_path):
    exif = Image.Exif()
    exif[271], exif[274], exif[306] = "A maker", 8, "2024:05:06 07:08:09"
    path = tmp_path / "strip.png"
    Image.fromarray(picture(np.uint8)).save(path, dpi=(2400, 2400), exif=exif)
    (scan,) = open_scan(path)
    assert scan.ppi == pytest.approx(2400, abs=0.02)  # whole pixels a metre
    assert scan.orientation == 8
    assert scan.device == {"make": "A maker"}
    assert scan.digitized is not None
    assert scan.digitized.month == 5


@pytest.mark.parametrize(
    ("mode", "said"), [("L", "one channel"), ("LA", "one channel"), ("1", "one")]
)
def test_png_without_colour_is_refused(tmp_path, mode, said):
    Image.new(mode, (8, 8)).save(tmp_path / "strip.png")
    with pytest.raises(ScanProblem, match=said):
        open_scan(tmp_path / "strip.png")


def test_png_cut_short_is_refused_when_opened(tmp_path):
    path = tmp_path / "strip.png"
    path.write_bytes(png(picture())[:-300])
    with pytest.raises(ScanProblem, match="cut short"):
        open_scan(path)


def test_png_with_a_damaged_check_is_refused_when_read(tmp_path):
    path = tmp_path / "strip.png"
    data = bytearray(png(picture()))
    data[len(data) // 2] ^= 255
    path.write_bytes(data)
    (scan,) = open_scan(path)
    with pytest.raises(ScanProblem, match="damaged"):
        read_codes(scan, (0, ROWS), (0, COLUMNS))


@pytest.mark.parametrize(
    ("width", "height", "said"),
    [(0, 9, "."), (60000, 60000, "more than any scan"), (30000, 30000, "bytes of data")],
)
def test_png_of_absurd_size_is_refused(tmp_path, width, height, said):
    header = struct.pack(">II", width, height) + bytes([16, 2, 0, 0, 0])
    data = png(picture())
    check = struct.pack(">I", zlib.crc32(b"IHDR" + header))
    path = tmp_path / "strip.png"
    path.write_bytes(data[:16] + header + check + data[33:])
    with pytest.raises(ScanProblem, match=said):
        open_scan(path)


def test_a_picture_replaced_after_it_was_opened_is_refused(tmp_path):
    path = tmp_path / "strip.png"
    path.write_bytes(png(picture()))
    (scan,) = open_scan(path)
    path.write_bytes(png(picture()[:20]))
    with pytest.raises(ScanProblem, match="not the picture"):
        read_codes(scan, (0, ROWS), (0, COLUMNS))


def test_jpeg_is_what_pillow_reads_and_is_warned_of(tmp_path):
    path = tmp_path / "strip.jpg"
    Image.fromarray(smooth()).save(path, quality=95, dpi=(1200, 1200))
    (scan,) = open_scan(path)
    assert (scan.bits, scan.samples, scan.ppi) == (8, 3, 1200.0)
    assert (scan.encoding.kind, scan.encoding.source) == ("srgb", "assumed")
    assert any("JPEG loses shadow detail" in note for note in scan.notes)
    with Image.open(path) as reference:
        assert_array_equal(read_whole(path), np.asarray(reference))
    # libjpeg-turbo as imagecodecs has it may round its inverse transform by a code.
    other = imagecodecs.jpeg_decode(path.read_bytes())
    assert np.abs(read_whole(path).astype(int) - other).max() <= 1


def test_jpeg_profile_and_exif_are_read(tmp_path):
    exif = Image.Exif()
    exif[274], exif[272] = 3, "A model"
    exif.get_ifd(0x8769).update({0x9004: "2019:02:03 04:05:06", 0xA001: 1})
    path = tmp_path / "strip.jpg"
    Image.fromarray(smooth()).save(path, exif=exif)
    (scan,) = open_scan(path)
    assert (scan.encoding.kind, scan.encoding.source) == ("srgb", "container")
    assert (scan.orientation, scan.device) == (3, {"model": "A model"})
    assert scan.digitized is not None
    assert scan.digitized.year == 2019
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    Image.fromarray(smooth()).save(path, icc_profile=profile)
    assert open_scan(path)[0].encoding.source == "icc"


def test_damaged_exif_and_profile_are_passed_over(tmp_path):
    path = tmp_path / "strip.jpg"
    packet = b"Exif\0\0II*\0\xff\xff\xff\xff" + bytes(10)
    Image.fromarray(smooth()).save(path, exif=packet, icc_profile=b"nothing of the kind")
    (scan,) = open_scan(path)
    assert (scan.orientation, scan.encoding.source) == (1, "assumed")
    assert any("colour profile is ignored" in note for note in scan.notes)


@pytest.mark.parametrize(("mode", "said"), [("L", "one channel"), ("CMYK", "CMYK")])
def test_jpeg_that_is_not_rgb_is_refused(tmp_path, mode, said):
    Image.new(mode, (16, 16)).save(tmp_path / "strip.jpg")
    with pytest.raises(ScanProblem, match=said):
        open_scan(tmp_path / "strip.jpg")


def test_jpeg_cut_short_is_refused_when_read(tmp_path):
    path = tmp_path / "strip.jpg"
    Image.fromarray(smooth()).save(path)
    path.write_bytes(path.read_bytes()[:-200])
    (scan,) = open_scan(path)
    with pytest.raises(ScanProblem, match="damaged"):
        read_codes(scan, (0, ROWS), (0, COLUMNS))


def test_a_palette_is_read_as_its_colours(tmp_path):
    path = tmp_path / "strip.png"
    reduced = Image.fromarray(smooth()).quantize(200)
    reduced.save(path, dpi=(1200, 1200))
    (scan,) = open_scan(path)
    assert (scan.bits, scan.samples, scan.ppi) == (8, 3, pytest.approx(1200, abs=0.02))
    assert any("8 bits a channel" in note for note in scan.notes)
    assert any("palette of 256 colours" in note for note in scan.notes)
    assert_array_equal(read_whole(path), np.asarray(reduced.convert("RGB")))


@pytest.mark.parametrize(("name", "options"), [("a.webp", {"lossless": True}), ("a.bmp", {})])
def test_other_formats_are_read_bit_for_bit(tmp_path, name, options):
    Image.fromarray(smooth()).save(tmp_path / name, **options)
    (scan,) = open_scan(tmp_path / name)
    assert (scan.encoding.kind, scan.encoding.source) == ("srgb", "assumed")
    assert any("8 bits a channel" in note for note in scan.notes)
    assert_array_equal(read_whole(tmp_path / name), smooth())
    part = read_codes(scan, (3, 30), (5, 17))
    assert_array_equal(part, smooth()[3:30, 5:17])


@pytest.mark.parametrize("way", ["upwards", "downwards", "four bytes"])
@pytest.mark.parametrize("columns", [1, 2, 3, 40])
def test_rows_of_a_bmp_are_read_where_they_lie(tmp_path, way, columns, monkeypatch):
    monkeypatch.setattr(BmpImagePlugin.BmpImageFile, "load", None)
    path, data = tmp_path / "strip.bmp", smooth()[:, :columns]
    picture = Image.fromarray(data)
    (picture.convert("RGBA") if way == "four bytes" else picture).save(path)
    if way == "downwards":
        packed = bytearray(path.read_bytes())
        packed[22:26] = struct.pack("<i", -len(data))
        row = len(packed[54:]) // len(data)
        rows = [bytes(packed[54 + k * row : 54 + (k + 1) * row]) for k in range(len(data))]
        packed[54:] = b"".join(rows[::-1])
        path.write_bytes(packed)
    (scan,) = open_scan(path)
    assert scan.block is None
    with opened(scan) as reader:
        assert_array_equal(reader.codes((0, len(data)), (0, columns)), data)
        assert_array_equal(
            reader.codes((7, 20), (columns // 2, columns)), data[7:20, columns // 2 :]
        )


def test_a_bmp_of_few_colours_is_read_as_a_whole(tmp_path):
    reduced = Image.fromarray(smooth()).quantize(200)
    reduced.save(tmp_path / "strip.bmp")
    assert_array_equal(read_whole(tmp_path / "strip.bmp"), np.asarray(reduced.convert("RGB")))


def test_avif_is_what_imagecodecs_reads(tmp_path):
    path = tmp_path / "strip.avif"
    Image.fromarray(smooth()).save(path, quality=90)
    other = imagecodecs.avif_decode(path.read_bytes())
    assert np.abs(read_whole(path).astype(int) - other).max() <= 3


def test_webp_profile_and_exif_are_read(tmp_path):
    exif = Image.Exif()
    exif[274], exif[272] = 3, "A model"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    path = tmp_path / "strip.webp"
    Image.fromarray(smooth()).save(path, exif=exif, icc_profile=profile, lossless=True)
    (scan,) = open_scan(path)
    assert scan.encoding.source == "icc"
    # The tag is told and nobody turns by it: outlines count pixels as stored.
    assert (scan.orientation, scan.device) == (3, {"model": "A model"})
    assert_array_equal(read_whole(path), smooth())


@pytest.mark.parametrize("name", ["a.webp", "a.bmp", "a.avif"])
def test_damaged_files_of_other_formats_are_told(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"nothing of the kind")
    with pytest.raises(ScanProblem, match="damaged"):
        open_scan(path)
    Image.fromarray(smooth()).save(path)
    path.write_bytes(path.read_bytes()[:-300])
    with pytest.raises(ScanProblem, match="damaged"):
        read_whole(path)


def test_large_pictures_raise_no_warning(tmp_path):
    # Pillow's front door warns from 89 million pixels on; a scan may well have more.
    header = struct.pack(">II", 12000, 8000) + bytes([8, 2, 0, 0, 0])
    data = b"\x89PNG\r\n\x1a\n"
    for name, content in ((b"IHDR", header), (b"IDAT", bytes(100_000)), (b"IEND", b"")):
        data += struct.pack(">I", len(content)) + name + content
        data += struct.pack(">I", zlib.crc32(name + content))
    path = tmp_path / "strip.png"
    path.write_bytes(data)
    (scan,) = open_scan(path)
    assert (scan.width, scan.height) == (12000, 8000)


def write_mosaic(path: Path, white: int = 65535, black: int = 0) -> np.ndarray:
    """Write a DNG of one 2 x 2 mosaic of R, G, G, B (DNG 1.7, chapters 3 and 4)."""
    codes = np.random.default_rng(2).integers(black, white, (64, 96), np.uint16, endpoint=True)
    unity = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)
    tags = [
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, bytes([0, 1, 1, 2]), True),
        (50708, "s", 0, "A sensor", True),
        (50714, "H", 1, black, True),
        (50717, "H", 1, white, True),
        (50721, "2i", 9, unity, True),
        (50728, "2I", 3, (1, 2, 1, 1, 2, 3), True),
    ]
    tifffile.imwrite(path, codes, photometric="cfa", extratags=tags, metadata=None)
    return codes


@pytest.mark.parametrize(("black", "white"), [(0, 65535), (512, 16383)])
def test_raw_is_light_without_balance(tmp_path, black, white):
    path = tmp_path / "strip.dng"
    codes = write_mosaic(path, white, black)
    (scan,) = open_scan(path)
    assert (scan.width, scan.height, scan.bits) == (96, 64, 16)
    assert (scan.encoding.kind, scan.encoding.source) == ("linear", "container")
    assert any("without white balance" in note for note in scan.notes)
    # Where the mosaic has a colour, demosaicing keeps it; the border is LibRaw's own.
    light = read_light(scan, (0, 64), (0, 96))[4:-4, 4:-4]
    scaled = ((codes.astype(np.float64) - black) / (white - black))[4:-4, 4:-4]
    assert_allclose(light[::2, ::2, 0], scaled[::2, ::2], atol=2e-4)
    assert_allclose(light[1::2, 1::2, 2], scaled[1::2, 1::2], atol=2e-4)


def test_raw_full_scale_does_not_depend_on_the_picture(tmp_path):
    # A picture with nothing above three quarters of full scale.
    path = tmp_path / "strip.dng"
    write_mosaic(path, 65535)
    with tifffile.TiffFile(path, mode="r+b") as file:
        start = file.pages[0].dataoffsets[0]
    data = bytearray(path.read_bytes())
    data[start : start + 64 * 96 * 2] = struct.pack("<H", 45000) * (64 * 96)
    path.write_bytes(data)
    (scan,) = open_scan(path)
    assert_allclose(read_light(scan, (8, 50), (8, 50)), 45000 / 65535, atol=1e-4)


def test_what_no_developer_knows_is_told_with_what_to_save(tmp_path):
    path = tmp_path / "strip.nef"
    tifffile.imwrite(path, np.zeros((8, 8), np.uint8), photometric="minisblack", metadata=None)
    with pytest.raises(ScanProblem, match=r"no camera raw.*save it as a 16-bit TIFF"):
        open_scan(path)


def test_raw_without_the_developer_says_how_to_install_it(tmp_path, monkeypatch):
    write_mosaic(tmp_path / "strip.dng")
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(ScanProblem, match=r"evenroll\[raw\]"):
        open_scan(tmp_path / "strip.dng")


def test_what_is_no_raw_is_refused_in_plain_words(tmp_path):
    path = tmp_path / "strip.dng"
    path.write_bytes(b"not a raw file at all" * 20)
    with pytest.raises(
        ScanProblem, match=r"dng: is damaged, or no camera raw that can be developed; save"
    ):
        open_scan(path)


@pytest.mark.parametrize("name", ["strip.png", "strip.jpg", "strip.tif"])
def test_a_scan_is_the_same_in_another_process(tmp_path, name):
    Image.fromarray(picture(np.uint8)).save(tmp_path / name)
    (scan,) = open_scan(tmp_path / name)
    assert pickle.loads(pickle.dumps(scan)) == scan


def test_readers_of_whole_pictures_have_no_infrared(tmp_path):
    path = tmp_path / "strip.png"
    path.write_bytes(png(picture()))
    (scan,) = open_scan(path)
    with opened(scan) as reader, pytest.raises(ValueError, match="no infra-red"):
        reader.both((0, 1), (0, 1))


def test_raw_is_developed_as_rawpy_does_by_itself(tmp_path):
    path = tmp_path / "strip.dng"
    write_mosaic(path)
    with rawpy.imread(str(path)) as raw:
        reference = raw.postprocess(
            gamma=(1, 1),
            no_auto_bright=True,
            no_auto_scale=True,
            output_bps=16,
            output_color=rawpy.ColorSpace.raw,
            user_wb=[1, 1, 1, 1],
            user_flip=0,
        )
    assert_array_equal(read_whole(path), reference)


@pytest.mark.parametrize(("least", "most"), [(1, 1), (1 << 30, 2)])
@pytest.mark.parametrize("name", ["strip.jpg", "strip.tif"])
def test_large_pictures_decoded_whole_are_held_one_at_a_time(
    tmp_path, monkeypatch, least, most, name
):
    path = tmp_path / name
    if name.endswith("jpg"):
        # One whose coefficients come in several passes is held as a whole.
        Image.fromarray(smooth()).save(path, progressive=True)
    else:
        tifffile.imwrite(path, picture(), photometric="rgb", compression="lzw", rowsperstrip=ROWS)
    (scan,) = open_scan(path)
    monkeypatch.setattr(container, "MUCH_BYTES", least)
    held: list[int] = []
    both = threading.Barrier(2)

    def hold():
        with opened(scan, in_order=True) as reader:
            reader.codes((0, ROWS), (0, COLUMNS))
            held.append(1)
            # Only where they may, both come here at once.
            with contextlib.suppress(threading.BrokenBarrierError):
                both.wait(20 if most == 2 else 0.2)
                held.append(10)

    with ThreadPoolExecutor(2) as pool:
        for future in [pool.submit(hold), pool.submit(hold)]:
            future.result()
    assert sum(held) == (22 if most == 2 else 2)
