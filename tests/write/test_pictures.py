"""Pictures as other programs read them."""

import hashlib
import io
import json
import subprocess
from datetime import datetime
from pathlib import Path

import exiv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image, ImageCms

from pipeline.problem import OutputProblem
from pipeline.profile.space import find_space, icc_profile
from pipeline.record.record import ColourRecord, RollDensities, RollRecord
from pipeline.settings.settings import ARCHIVE_PACKING
from pipeline.write import pictures as write
from pipeline.write.metadata import FrameMetadata
from pipeline.write.sidecar import xmp_packet

TOLD = FrameMetadata(
    title="summer 07",
    description="Été à la mer",
    camera="box",
    lens="80 mm",
    iso=400,
    digitized=datetime(2024, 9, 1, 12),
    roll="summer",
    number="07",
)
ROMM = find_space("romm-rgb")
CODES = np.random.default_rng(3).integers(0, 65536, (60, 91, 3), dtype=np.uint16)
BYTES = (CODES >> 8).astype(np.uint8)
RECORD = RollRecord(
    roll={"id": "summer"},
    profile="generic",
    look="print",
    colour=ColourRecord((0.0, 0.0, 0.0), (0.6, 0.6, 0.6), "roll"),
    strips=(),
    densities=RollDensities(None, None, None, None),
)


def archive(path: Path, picture: np.ndarray = CODES, **changes: object) -> Path:
    given = {"space": ROMM, "ppi": 1600.5, "metadata": TOLD, **changes}
    # Rows in bands of seven, as the last one of a picture seldom is.
    bands = (picture[top : top + 7] for top in range(0, len(picture), 7))
    write.write_archive(path, bands, picture.shape[:2], picture.dtype.name, **given)
    return path


def share(path: Path, picture: np.ndarray = BYTES, **changes: object) -> Path:
    write.write_share(path, picture, **{"ppi": 300.0, "metadata": TOLD, **changes})
    return path


def exiftool(path: Path) -> dict:
    asked = ["exiftool", "-json", "-G1", "-struct", "-n", path]
    return json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)[0]


def pixels(path: Path) -> np.ndarray:
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB"))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("packing", ARCHIVE_PACKING)
@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_archive_is_read_back_exactly(tmp_path, packing, kind):
    picture = CODES if kind is np.uint16 else (CODES / np.float32(30000) - np.float32(0.2))
    path = archive(tmp_path / "a.tif", picture, packing=packing)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert (page.asarray() == picture).all()
        assert page.dtype == kind
        # TIFF 6.0, section 14, and TIFF technical note 3.
        assert page.predictor == (1 if packing == "none" else 2 if kind is np.uint16 else 3)
        assert page.iccprofile == icc_profile(ROMM)
        assert page.tags["XResolution"].value == (3201, 2)
        assert page.software.startswith("evenroll ")
        assert not tiff.is_bigtiff


def test_archive_of_many_strips_and_a_view_is_read_back(tmp_path):
    large = np.random.default_rng(4).integers(0, 65536, (600, 900, 3), dtype=np.uint16)
    view = large[::-1, 10:-10:2]
    for packing in ("deflate", "none"):
        path = archive(tmp_path / f"{packing}.tif", view, packing=packing)
        with tifffile.TiffFile(path) as tiff:
            assert (tiff.pages[0].asarray() == view).all()
            assert (len(tiff.pages[0].dataoffsets) > 1) == (packing == "deflate")


def test_packed_archive_is_read_by_libtiff(tmp_path):
    # Pillow's bundled libtiff; it reads 16 bit RGB as 8 bit, the high byte.
    read = pixels(archive(tmp_path / "a.tif"))
    assert np.abs(read.astype(int) - (CODES >> 8)).max() <= 1


def test_archive_is_described_to_another_program(tmp_path):
    found = exiftool(archive(tmp_path / "a.tif"))
    assert found["ExifIFD:FileSource"] == 1
    assert found["ExifIFD:LensModel"] == "80 mm"
    assert found["ExifIFD:CreateDate"] == "2024:09:01 12:00:00"
    assert found["ExifIFD:ColorSpace"] == 65535
    assert found["IFD0:ImageDescription"] == "Été à la mer"
    assert found["IFD0:Model"] == "box"
    assert found["XMP-dc:Title"] == "summer 07"
    assert found["XMP-evenroll:Roll"] == "summer"
    assert found["ICC_Profile:ProfileDescription"] == "ROMM RGB"
    assert not [key for key in found if key.startswith("IFD1") or "Warning" in key]


def test_archive_is_described_to_the_metadata_library(tmp_path):
    # exiv2 reads what was put together without it.
    image = exiv2.ImageFactory.open(str(archive(tmp_path / "a.tif")))
    image.readMetadata()
    assert image.exifData()["Exif.Photo.LensModel"].toString() == "80 mm"
    assert image.xmpData()["Xmp.dc.title"].toString() == 'lang="x-default" summer 07'
    assert len(image.iccProfile()) == len(icc_profile(ROMM))


@pytest.mark.parametrize(("file_format", "suffix"), [("jpeg", "jpg"), ("png", "png")])
def test_share_is_described_to_other_programs(tmp_path, file_format, suffix):
    path = share(tmp_path / f"a.{suffix}", file_format=file_format)
    found = exiftool(path)
    assert found["ExifIFD:FileSource"] == 1
    assert found["ExifIFD:ColorSpace"] == 1
    assert found["IFD0:Model"] == "box"
    assert found["XMP-dc:Description"] == "Été à la mer"
    assert found["ICC_Profile:ProfileDescription"] == "sRGB"
    assert not [key for key in found if "Warning" in key]
    with Image.open(path) as image:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        assert ImageCms.getProfileDescription(profile).strip() == "sRGB"
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)


def test_png_is_exact_and_jpeg_near(tmp_path):
    smooth = np.linspace(0, 255, 64 * 64 * 3).reshape(64, 64, 3).astype(np.uint8)
    assert (pixels(share(tmp_path / "a.png", smooth, file_format="png")) == smooth).all()
    near = pixels(share(tmp_path / "a.jpg", smooth, quality=95))
    assert np.abs(near.astype(int) - smooth).max() <= 6


@pytest.mark.parametrize(("quality", "sampling"), [(92, "1 1"), (90, "1 1"), (89, "2 2")])
def test_colour_is_kept_whole_at_high_quality(tmp_path, quality, sampling):
    found = exiftool(share(tmp_path / "a.jpg", quality=quality))
    assert found["File:YCbCrSubSampling"] == sampling


@pytest.mark.parametrize("quality", [1, 60, 89, 90, 100])
@pytest.mark.parametrize("size", [(1, 1), (37, 64), (50, 19)])
def test_pixels_of_a_jpeg_are_those_of_another_writer(size, quality):
    picture = np.random.default_rng(6).integers(0, 256, (*size, 3)).astype(np.uint8)
    told = io.BytesIO()
    sampling = "4:4:4" if quality >= 90 else "4:2:0"
    Image.fromarray(picture).save(told, "JPEG", quality=quality, subsampling=sampling)
    file = write.share_bytes(picture, ppi=3200.0, metadata=TOLD, quality=quality)
    # From the first table on (ITU-T T.81, B.2.4.1).
    assert file.endswith(told.getvalue()[told.getvalue().index(b"\xff\xdb") :])


def test_same_input_same_bytes(tmp_path):
    for number in (1, 2):
        archive(tmp_path / f"{number}.tif")
        share(tmp_path / f"{number}.jpg")
        share(tmp_path / f"{number}.png", file_format="png")
        write.write_sidecar(tmp_path / f"{number}.xmp", TOLD)
    digests = {path.name: hashlib.sha256(path.read_bytes()).digest() for path in tmp_path.iterdir()}
    for suffix in ("tif", "jpg", "png", "xmp"):
        assert digests[f"1.{suffix}"] == digests[f"2.{suffix}"]


@settings(max_examples=25)
@given(hnp.arrays(np.uint16, st.tuples(st.integers(1, 40), st.integers(1, 40), st.just(3))))
def test_any_picture_is_read_back(tmp_path_factory, picture):
    path = archive(tmp_path_factory.mktemp("any") / "a.tif", picture)
    assert (tifffile.imread(path).reshape(picture.shape) == picture).all()


def test_sidecar_is_the_packet(tmp_path):
    write.write_sidecar(tmp_path / "a.xmp", TOLD)
    assert (tmp_path / "a.xmp").read_text(encoding="utf-8") == xmp_packet(TOLD)


@pytest.mark.parametrize(
    "picture", [CODES[..., 0], CODES[..., :2], CODES.astype(np.float64), BYTES, CODES[:0]]
)
def test_pictures_of_another_kind_are_refused(tmp_path, picture):
    with pytest.raises(ValueError, match="picture"):
        archive(tmp_path / "a.tif", picture)
    assert names(tmp_path) == []


def test_jpeg_has_a_largest_side(tmp_path):
    with pytest.raises(OutputProblem, match="65500 pixels"):
        share(tmp_path / "a.jpg", np.zeros((1, 65501, 3), np.uint8))
