"""Pictures of phones and of the web, written by the encoders of other libraries."""

import io
import struct
import tracemalloc
import zlib
from pathlib import Path

import exiv2
import imagecodecs
import numpy as np
import pillow_heif
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from PIL import Image, ImageCms

from pipeline.problem import ScanProblem
from pipeline.scan import container
from pipeline.scan.bmff import boxes
from pipeline.scan.container import Container, Page
from pipeline.scan.encoding import transfer
from pipeline.scan.jxl import jxl_header
from pipeline.scan.names import is_scan_name
from pipeline.scan.scan import open_scan
from pipeline.scan.tags import with_tags
from tests.render.whole_pictures import read_codes, read_light
from tests.scan.test_raster import png, write_mosaic

ROWS, COLUMNS = 48, 80


def picture(bits: int = 16) -> np.ndarray:
    codes = np.random.default_rng(6).integers(0, 2**bits, (ROWS, COLUMNS, 3))
    return codes.astype(np.uint8 if bits == 8 else np.uint16)


def write_heif(path: Path, bits: int, **words: object) -> np.ndarray:
    """Write a HEIF without loss, by libheif; return its codes."""
    codes = picture(bits)
    spread = codes if bits == 8 else codes << (16 - bits)
    mode = "RGB" if bits == 8 else "RGB;16"
    file = pillow_heif.from_bytes(mode, (COLUMNS, ROWS), spread.tobytes())
    options = pillow_heif.options
    was, options.SAVE_HDR_TO_12_BIT = options.SAVE_HDR_TO_12_BIT, bits == 12
    try:
        file.save(path, quality=-1, chroma=444, matrix_coefficients=0, **words)
    finally:
        options.SAVE_HDR_TO_12_BIT = was
    return codes


def whole(path: Path) -> np.ndarray:
    (scan,) = open_scan(path)
    return read_codes(scan, (0, scan.height), (0, scan.width))


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_heif_keeps_its_depth(tmp_path, bits):
    codes = write_heif(tmp_path / "a.heic", bits)
    (scan,) = open_scan(tmp_path / "a.heic")
    assert (scan.width, scan.height, scan.bits) == (COLUMNS, ROWS, bits)
    assert_array_equal(whole(tmp_path / "a.heic"), codes)
    assert any("8 bits a channel" in note for note in scan.notes) == (bits == 8)


def test_heif_is_turned_as_it_says_and_told_once(tmp_path):
    exif = Image.Exif()
    exif[274], exif[271] = 6, "A maker"
    codes = write_heif(tmp_path / "a.heic", 8, exif=exif.tobytes())
    (scan,) = open_scan(tmp_path / "a.heic")
    assert (scan.width, scan.height, scan.orientation) == (ROWS, COLUMNS, 1)
    assert scan.device == {"make": "A maker"}
    # Exif 3.0, 4.6.5.1.9: row 0 of the picture as stored is its right side.
    assert_array_equal(whole(tmp_path / "a.heic"), np.rot90(codes, -1))


@pytest.mark.parametrize(
    ("number", "kind", "gamma"), [(8, "linear", None), (13, "srgb", None), (4, "gamma", 2.2)]
)
def test_heif_says_how_it_is_encoded(tmp_path, number, kind, gamma):
    path = tmp_path / "a.heic"
    write_heif(path, 10, save_nclx_profile=True, transfer_characteristics=number)
    (scan,) = open_scan(path)
    assert (scan.encoding.kind, scan.encoding.gamma) == (kind, gamma)
    assert scan.encoding.source == "container"


@pytest.mark.parametrize("number", [16, 18])
def test_display_light_of_high_range_is_refused(tmp_path, number):
    path = tmp_path / "a.heic"
    write_heif(path, 10, save_nclx_profile=True, transfer_characteristics=number)
    with pytest.raises(ScanProblem, match="high dynamic range"):
        open_scan(path)
    content = bytes([9, number, 0, 1])
    (tmp_path / "a.png").write_bytes(png(picture(), (b"cICP", content)))
    with pytest.raises(ScanProblem, match="high dynamic range"):
        open_scan(tmp_path / "a.png")


def test_video_curve_is_that_of_the_standard():
    # ITU-R BT.709-6, 1.2: V = 4.5 L below 0.018, else 1.099 L^0.45 - 0.099.
    light = np.array([0.0, 0.01, 0.018, 0.18, 0.5, 1.0])
    codes = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)
    encoding = transfer(1)
    assert encoding is not None
    assert encoding.curve is not None
    table = encoding.curve[0]
    assert_allclose(np.interp(codes, np.linspace(0, 1, len(table)), table), light, atol=2e-4)


def test_cicp_goes_before_the_profile_of_a_png(tmp_path):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    packed = b"name\0\0" + zlib.compress(profile)
    path = tmp_path / "a.png"
    path.write_bytes(png(picture(), (b"cICP", bytes([1, 8, 0, 1])), (b"iCCP", packed)))
    (scan,) = open_scan(path)
    assert (scan.encoding.kind, scan.encoding.source) == ("linear", "container")
    path.write_bytes(png(picture(), (b"cICP", bytes([1, 2, 0, 1])), (b"iCCP", packed)))
    assert open_scan(path)[0].encoding.source == "icc"


@pytest.mark.parametrize("bits", [10, 12])
def test_avif_keeps_its_depth(tmp_path, bits):
    path = tmp_path / "a.avif"
    path.write_bytes(imagecodecs.avif_encode(picture(bits), level=100, bitspersample=bits))
    (scan,) = open_scan(path)
    assert scan.bits == bits
    assert_array_equal(whole(path), picture(bits))


def test_avif_tells_its_turn_and_stays_as_stored(tmp_path):
    exif = Image.Exif()
    exif[274] = 6
    Image.fromarray(picture(8)).save(tmp_path / "a.avif", exif=exif, quality=100)
    (scan,) = open_scan(tmp_path / "a.avif")
    assert (scan.width, scan.height, scan.orientation) == (COLUMNS, ROWS, 6)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("form", ["jp2", "j2k"])
def test_jpeg_2000_keeps_its_depth(tmp_path, bits, form):
    data = imagecodecs.jpeg2k_encode(
        picture(bits), level=0, bitspersample=bits, reversible=True, codecformat=form
    )
    path = tmp_path / f"a.{form}"
    path.write_bytes(data)
    (scan,) = open_scan(path)
    assert (scan.width, scan.height, scan.bits) == (COLUMNS, ROWS, bits)
    assert scan.encoding.kind == "srgb"
    assert scan.encoding.source == ("container" if form == "jp2" else "assumed")
    assert_array_equal(whole(path), picture(bits))


def test_jpeg_2000_tells_its_resolution(tmp_path):
    data = imagecodecs.jpeg2k_encode(picture(8), level=0)
    at = data.index(b"jp2h") - 4
    size = int.from_bytes(data[at : at + 4], "big")
    # ISO/IEC 15444-1, I.5.3.7.1: 9449 / 100 x 10^3 pixels a metre both ways, 2400 ppi.
    content = struct.pack(">4H2b", 9449, 100, 9449, 100, 3, 3)
    resc = struct.pack(">I4s", 8 + len(content), b"resc") + content
    held = struct.pack(">I4s", 8 + len(resc), b"res ") + resc
    header = struct.pack(">I", size + len(held)) + data[at + 4 : at + size] + held
    (tmp_path / "a.jp2").write_bytes(data[:at] + header + data[at + size :])
    (scan,) = open_scan(tmp_path / "a.jp2")
    assert scan.ppi == pytest.approx(2400, abs=0.1)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_jpeg_xl_keeps_its_depth(tmp_path, bits):
    data = imagecodecs.jpegxl_encode(picture(bits), lossless=True, bitspersample=bits)
    path = tmp_path / "a.jxl"
    path.write_bytes(data)
    (scan,) = open_scan(path)
    assert (scan.width, scan.height, scan.bits, scan.samples) == (COLUMNS, ROWS, bits, 3)
    assert scan.encoding.source == "container"
    assert_array_equal(whole(path), picture(bits))


def test_jpeg_xl_of_floats_is_what_was_written(tmp_path):
    light = (picture() / 65535).astype(np.float32)
    path = tmp_path / "a.jxl"
    path.write_bytes(imagecodecs.jpegxl_encode(light, lossless=True))
    (scan,) = open_scan(path)
    assert scan.floating
    assert_allclose(whole(path), light, atol=1e-6)


@pytest.mark.parametrize("shape", [(31, 57), (256, 512), (300, 400), (8, 1000), (720, 1280)])
@pytest.mark.parametrize("samples", [3, 4])
def test_jpeg_xl_header_tells_what_the_decoder_finds(shape, samples):
    codes = np.zeros((*shape, samples), np.uint8)
    codes[::3, ::2] = 77
    data = imagecodecs.jpegxl_encode(codes, level=90, effort=1, usecontainer=False)
    header = jxl_header(data)
    decoded = imagecodecs.jpegxl_decode(data)
    assert (header.height, header.width, header.channels) == decoded.shape


@pytest.mark.parametrize("name", ["a.avif", "a.webp"])
def test_of_moving_pictures_the_first_is_read(tmp_path, name):
    first = picture(8)
    one, two = Image.fromarray(first), Image.fromarray(first[::-1])
    best = {"quality": 100, "subsampling": "4:4:4"} if name == "a.avif" else {"lossless": True}
    one.save(tmp_path / name, save_all=True, append_images=[two], **best)
    off = np.abs(whole(tmp_path / name).astype(int) - first)
    assert off.mean() < 2.0


def test_an_animation_is_told_with_what_to_save(tmp_path):
    path = tmp_path / "a.jxl"
    path.write_bytes(imagecodecs.jpegxl_encode(np.stack([picture(8)] * 2), lossless=True))
    with pytest.raises(ScanProblem, match=r"is an animation; save the one picture as a 16-bit"):
        open_scan(path)


@pytest.mark.parametrize("name", ["a.heic", "a.jxl", "a.jp2", "a.avif"])
def test_what_is_held_whole_is_told_in_one_sentence_before_it_is_decoded(
    tmp_path, name, monkeypatch
):
    encoders = {
        "jxl": imagecodecs.jpegxl_encode,
        "jp2": imagecodecs.jpeg2k_encode,
        "avif": imagecodecs.avif_encode,
    }
    path = tmp_path / name
    if path.suffix == ".heic":
        write_heif(path, 8)
    else:
        path.write_bytes(encoders[path.suffix[1:]](picture(8)))
    for least, told in ((ROWS * COLUMNS * 3, 1), (ROWS * COLUMNS * 3 * 10, 0)):
        monkeypatch.setattr(container, "_TOLD_BYTES", least)
        (scan,) = open_scan(path)
        said = [note for note in scan.notes if "of memory to decode: as a TIFF" in note]
        assert len(said) == told


@pytest.mark.parametrize("name", ["a.heic", "a.jxl", "a.jp2", "a.avif"])
@pytest.mark.parametrize("kept", [0.02, 0.3, 0.9])
def test_what_is_cut_short_is_told_in_one_sentence(tmp_path, name, kept):
    path = tmp_path / name
    if name == "a.heic":
        write_heif(path, 8)
    else:
        encode = {
            "a.jxl": lambda: imagecodecs.jpegxl_encode(picture(16), lossless=True),
            "a.jp2": lambda: imagecodecs.jpeg2k_encode(picture(16), level=0),
            "a.avif": lambda: imagecodecs.avif_encode(picture(8), level=95),
        }[name]
        path.write_bytes(encode())
    data = path.read_bytes()
    path.write_bytes(data[: int(kept * len(data))])
    with pytest.raises(ScanProblem, match=f"{name}: .*(damaged|cut short)"):
        whole(path)


def test_the_content_tells_before_the_name(tmp_path):
    codes = write_heif(tmp_path / "a.jpg", 8)
    assert_array_equal(whole(tmp_path / "a.jpg"), codes)
    Image.fromarray(picture(8)).save(tmp_path / "b.png")
    (tmp_path / "b.png").rename(tmp_path / "b.heic")
    assert_array_equal(whole(tmp_path / "b.heic"), picture(8))


@pytest.mark.parametrize(
    "name", ["a.HEIC", "a.heif", "a.hif", "a.jp2", "a.j2k", "a.jxl", "a.webp", "a.avif", "a.dng"]
)
def test_a_folder_is_read_with_them(name):
    assert is_scan_name(Path("folder") / name)


@pytest.mark.parametrize(
    ("start", "said"), [(b"GIF89a", "GIF"), (b"%PDF-1.7", "document"), (b"8BPS\0\1", "layered")]
)
def test_what_is_no_scan_is_named(tmp_path, start, said):
    (tmp_path / "a.tif").write_bytes(start + bytes(200))
    with pytest.raises(ScanProblem, match=said):
        open_scan(tmp_path / "a.tif")


def test_boxes_that_overrun_are_told():
    with pytest.raises(ValueError, match="cut short"):
        list(boxes(io.BytesIO(struct.pack(">I4s", 90, b"meta") + bytes(8))))


@pytest.mark.parametrize("name", ["a.jxl", "a.jp2"])
def test_a_large_file_is_described_in_little_memory(tmp_path, name):
    path = tmp_path / name
    encode = imagecodecs.jpegxl_encode if name == "a.jxl" else imagecodecs.jpeg2k_encode
    data = bytes(encode(picture(16)))
    if name == "a.jxl" and data[:2] == b"\xff\x0a":
        data = b"\0\0\0\x0cJXL \r\n\x87\n" + struct.pack(">I4s", 8 + len(data), b"jxlc") + data
    room = 64 << 20
    path.write_bytes(data + struct.pack(">I4s", 8 + room, b"free") + bytes(room))
    tracemalloc.start()
    try:
        (scan,) = open_scan(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert (scan.height, scan.width) == picture(16).shape[:2]
    assert peak < 16e6


def test_exposure_of_a_camera_is_read(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x829A: 0.008, 0x829D: 8.0, 0x8827: 100})
    Image.fromarray(picture(8)).save(tmp_path / "a.jpg", exif=exif)
    write_heif(tmp_path / "b.heic", 8, exif=exif.tobytes())
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x829A: 0.004, 0x829D: 5.65685, 0x8827: 400})
    Image.fromarray(picture(8)).save(tmp_path / "c.jpg", exif=exif)
    first, second, third = (open_scan(tmp_path / n)[0] for n in ("a.jpg", "b.heic", "c.jpg"))
    assert first.exposure == second.exposure
    assert (first.exposure.f_number, first.exposure.speed) == (8.0, 100.0)
    assert third.exposure.stops_over(first.exposure) == pytest.approx(2.0, abs=1e-3)
    assert open_scan(tmp_path / "a.jpg")[0].exposure.stops_over(type(first.exposure)()) is None


def test_light_is_by_the_depth_of_the_picture(tmp_path):
    write_heif(tmp_path / "a.heic", 10, save_nclx_profile=True, transfer_characteristics=8)
    (scan,) = open_scan(tmp_path / "a.heic")
    assert_allclose(read_light(scan, (0, 9), (0, 9)), picture(10)[:9, :9] / 1023, atol=1e-6)


def test_exposure_of_a_tiff_is_read_from_its_fractions():
    page = Page(Container(lambda *_: None), 9, 9, 16, 3, None)
    tags = {"ExposureTime": (1, 250), "FNumber": (56, 10), "ISOSpeedRatings": 200}
    found = with_tags(page, tags, None, None).exposure
    assert (found.time_s, found.f_number, found.speed) == (0.004, 5.6, 200.0)
    assert with_tags(page, {"ExposureTime": (0, 0)}, None, None).exposure.time_s is None


def test_raw_tells_exposure_and_turn(tmp_path):
    path = tmp_path / "strip.dng"
    write_mosaic(path)
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    data = image.exifData()
    data["Exif.Photo.ExposureTime"] = "1/60"
    data["Exif.Photo.FNumber"] = "8/1"
    data["Exif.Image.Orientation"] = "6"
    image.writeMetadata()
    (scan,) = open_scan(path)
    assert scan.exposure.time_s == pytest.approx(1 / 60)
    assert (scan.width, scan.height, scan.orientation) == (96, 64, 6)
