"""Exif directories grafted into TIFF files, read back by tifffile and exiftool."""

import io
import json
import struct
import subprocess

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.write.metadata import FrameMetadata, append_block, picture_tags
from pipeline.write.sidecar import Facts, exif_block

FACTS = Facts(width=9, height=7, ppi=1600.0, srgb=False)
PICTURE = np.arange(7 * 9 * 3, dtype=np.uint16).reshape(7, 9, 3)


def grafted(metadata: FrameMetadata, picture: np.ndarray = PICTURE) -> bytes:
    block = exif_block(metadata, FACTS)
    file = io.BytesIO()
    with tifffile.TiffWriter(file, byteorder="<") as tiff:
        tags = picture_tags(block)
        tiff.write(picture, photometric="rgb", metadata=None, software=False, extratags=tags)
    append_block(file, block)
    return file.getvalue()


def test_short_and_long_values_are_found_by_another_program(tmp_path):
    path = tmp_path / "picture.tif"
    told = FrameMetadata(
        description="A day by the sea", camera="box", lens="50", iso=400, exposure_index=200
    )
    path.write_bytes(grafted(told))
    asked = ["exiftool", "-json", "-G1", "-n", "-IFD0:all", "-ExifIFD:all", path]
    found = json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)[0]
    assert found["IFD0:ImageDescription"] == "A day by the sea"
    # Three letters and a null fit into the entry itself.
    assert (found["IFD0:Model"], found["ExifIFD:LensModel"]) == ("box", 50)
    assert (found["ExifIFD:ISO"], found["ExifIFD:ExposureIndex"]) == (400, 200)
    assert found["ExifIFD:ExifVersion"] == "0232"


@pytest.mark.parametrize("columns", [8, 9])
def test_block_starts_at_an_even_offset(columns):
    # TIFF 6.0, section 2: directories begin on a word boundary; 8 bit makes odd file sizes.
    picture = np.zeros((7, columns, 3), np.uint8)
    written = grafted(FrameMetadata(lens="L"), picture)
    with tifffile.TiffFile(io.BytesIO(written)) as tiff:
        pointer = tiff.pages[0].tags[34665]
        assert pointer.value["LensModel"] == "L"
    assert struct.unpack_from("<I", written, pointer.offset + 8)[0] % 2 == 0


texts = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=60)


@settings(max_examples=50)
@given(description=texts, camera=texts, lens=texts, iso=st.none() | st.integers(1, 10**6))
def test_any_texts_are_found_and_the_picture_stays(description, camera, lens, iso):
    told = FrameMetadata(description=description, camera=camera, lens=lens, iso=iso)
    with tifffile.TiffFile(io.BytesIO(grafted(told))) as tiff:
        page = tiff.pages[0]
        assert (page.asarray() == PICTURE).all()
        codes = [tag.code for tag in page.tags]
        exif = page.tags[34665].value
        raw = {code: page.tags[code].value for code in (270, 272) if code in page.tags}
    # TIFF 6.0, section 2: entries are in ascending order of their codes.
    assert codes == sorted(codes)
    assert as_text(raw.get(270, "")) == description
    assert as_text(raw.get(272, "")) == camera
    assert as_text(exif.get("LensModel", "")) == lens
    assert exif.get("PhotographicSensitivity", exif.get("ISOSpeedRatings")) == (
        None if iso is None else min(iso, 65535)
    )


def as_text(value: str | bytes) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else value
