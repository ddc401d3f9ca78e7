"""Opening scans, windows of light, and the reduction that surveys work on."""

import os
import pickle
import sys
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
import xxhash
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from PIL import Image, ImageCms

import pipeline.scan
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.scan.content import content_of
from pipeline.scan.encoding import Encoding
from pipeline.scan.names import is_scan_name
from pipeline.scan.scan import Scan, open_scan, reduce
from tests.render.whole_pictures import read_codes, read_infrared, read_light

ROWS, COLUMNS = 61, 97
SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def picture(dtype: type = np.uint16, samples: int = 3) -> np.ndarray:
    top = np.iinfo(dtype).max
    generator = np.random.default_rng(11)
    return generator.integers(0, top, (ROWS, COLUMNS, samples), dtype, endpoint=True)


def write(path: Path, data: np.ndarray | None = None, **options) -> Path:
    data = picture() if data is None else data
    tifffile.imwrite(path, data, photometric="rgb", metadata=None, **options)
    return path


def opened(path: Path, **options: float) -> Scan:
    (scan,) = open_scan(path, **options)
    return scan


def littlecms_srgb(codes: np.ndarray) -> np.ndarray:
    """Linear light of sRGB codes by LittleCMS: to the same primaries with gamma 1."""
    # Recommendation ITU-R BT.709-6, table 1, which sRGB shares.
    plain = imagecodecs.cms_profile(
        "rgb",
        whitepoint=[0.3127, 0.329, 1.0],
        primaries=[0.64, 0.33, 0.3, 0.6, 0.15, 0.06],
        gamma=1.0,
    )
    light = imagecodecs.cms_transform(
        (codes / np.iinfo(codes.dtype).max).astype(np.float32),
        SRGB,
        plain,
        colorspace="rgb",
        outcolorspace="rgb",
        outdtype=np.float32,
    )
    return np.asarray(light)


def plain_means(light: np.ndarray, factor: int) -> np.ndarray:
    """Average block by block with numpy in float64."""
    sums = np.add.reduceat(light.astype(np.float64), np.arange(0, light.shape[0], factor), axis=0)
    sums = np.add.reduceat(sums, np.arange(0, light.shape[1], factor), axis=1)
    ones = np.ones(light.shape[:2])
    counts = np.add.reduceat(ones, np.arange(0, light.shape[0], factor), axis=0)
    counts = np.add.reduceat(counts, np.arange(0, light.shape[1], factor), axis=1)
    return sums / (counts if light.ndim == 2 else counts[..., None])


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("strip 1.tif", True), ("STRIP.TIFF", True), ("a.png", True), ("a.JPG", True),
        ("a.jpeg", True), ("a.dng", True), ("a.webp", True),
        ("a.AVIF", True), ("a.gif", False), ("a.xmp", False), ("a.toml", False), ("tif", False),
        (".hidden.tif", False), ("~strip.tif", False), ("strip.tif~", False),
        ("strip.tif.part", False), ("strip", False),
    ],
)  # fmt: skip
def test_names_of_scans(name, told):
    assert is_scan_name(Path("folder") / name) == told


def test_content_hash(tmp_path):
    path = write(tmp_path / "strip.tif")
    assert content_of(path).value == xxhash.xxh3_128_hexdigest(path.read_bytes())


@pytest.mark.parametrize("ask", [content_of, open_scan])
def test_a_missing_file_is_told(tmp_path, ask):
    with pytest.raises(ScanProblem, match="no such file"):
        ask(tmp_path / "strip.tif")


def expect_problem(path: Path, said: str) -> None:
    """Expect one sentence that starts with the file and says what is wrong and what to do."""
    with pytest.raises(ScanProblem, match=said) as problem:
        open_scan(path)
    sentence = str(problem.value)
    assert sentence.startswith(f"{path}: ")
    assert sentence.endswith(".")
    assert sentence.count("; ") == 1
    assert "\n" not in sentence


@pytest.mark.parametrize("name", ["strip.tif", "strip.png", "strip.jpg", "strip.dng"])
def test_an_empty_file_is_refused(tmp_path, name):
    (tmp_path / name).touch()
    expect_problem(tmp_path / name, "is empty")


@pytest.mark.parametrize(
    "content",
    [b"a text that someone called a scan", b"\0" * 100, b"GIF89a" + bytes(50), b"\x89PN", b"I"],
)
def test_what_is_no_picture_is_refused(tmp_path, content):
    (tmp_path / "strip.tif").write_bytes(content)
    expect_problem(tmp_path / "strip.tif", "not a picture")


@pytest.mark.parametrize("start", [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+", b"\xff\xd8\xff"])
@pytest.mark.parametrize("rest", [b"", b"\xff" * 40, bytes(40)])
def test_a_start_without_a_picture_is_refused(tmp_path, start, rest):
    (tmp_path / "strip.tif").write_bytes(start + rest)
    expect_problem(tmp_path / "strip.tif", "; ")


def test_a_folder_is_refused(tmp_path):
    expect_problem(tmp_path, "is a folder")


def test_a_link_to_itself_is_refused_with_a_remedy_that_works(tmp_path):
    (tmp_path / "a.jpg").symlink_to("a.jpg")
    with pytest.raises(ScanProblem, match="leads back to itself; give the scan itself"):
        open_scan(tmp_path / "a.jpg")


@pytest.mark.skipif(sys.platform != "linux", reason="names elsewhere are text")
def test_a_name_that_is_no_text_is_refused_with_a_remedy_that_works(tmp_path):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.jpg"))
    with path.open("wb") as file:
        Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(file, "JPEG")
    with pytest.raises(ScanProblem, match="no UTF-8 text; rename it"):
        reduce(open_scan(path)[0], 1)
    renamed = path.rename(tmp_path / "cafe.jpg")
    assert reduce(open_scan(renamed)[0], 1).light.shape == (40, 60, 3)


def test_a_pipe_is_refused(tmp_path):
    os.mkfifo(tmp_path / "strip.tif")
    expect_problem(tmp_path / "strip.tif", "is not a file")


def test_a_file_that_may_not_be_read_is_refused(tmp_path, monkeypatch):
    path = write(tmp_path / "strip.tif")

    def refuse(*_arguments: object, **_options: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    expect_problem(path, "may not be read")


def test_a_picture_that_does_not_fit_in_memory_is_told(tmp_path, monkeypatch):
    path = write(tmp_path / "strip.tif")
    scan = opened(path)

    def refuse(*_arguments: object, **_options: object) -> None:
        raise MemoryError

    monkeypatch.setattr(np, "empty", refuse)
    with pytest.raises(ScanProblem, match="does not fit in memory"):
        read_codes(scan, (0, 5), (0, 5))


@pytest.mark.parametrize("gamma", [0.0, 0.45, -1.0, 5.0, float("nan"), float("inf")])
def test_gamma_that_makes_no_sense_is_refused(tmp_path, gamma):
    with pytest.raises(SettingsProblem, match="between 1 and 4"):
        open_scan(write(tmp_path / "strip.tif"), gamma=gamma)


@pytest.mark.parametrize("ppi", [0.0, -2400.0, float("nan"), float("inf")])
def test_resolution_that_makes_no_sense_is_refused(tmp_path, ppi):
    with pytest.raises(SettingsProblem, match="no resolution"):
        open_scan(write(tmp_path / "strip.tif"), ppi=ppi)


def test_the_user_s_word_goes_before_the_file_s(tmp_path):
    path = write(tmp_path / "strip.tif", iccprofile=SRGB, resolution=(2400, 2400))
    told = opened(path)
    assert (told.encoding.source, told.ppi, told.ppi_from) == ("icc", 2400.0, "tag")
    asked = opened(path, gamma=2.0, ppi=3000)
    assert (asked.encoding.kind, asked.encoding.gamma) == ("gamma", 2.0)
    assert (asked.encoding.source, asked.ppi, asked.ppi_from) == ("option", 3000.0, "option")
    assert opened(path, gamma=1.0).encoding.kind == "linear"


@pytest.mark.parametrize(
    ("data", "kind", "word"),
    [(picture(), "linear", "linear"), (picture(np.uint8), "srgb", "sRGB")],
)
def test_what_is_assumed_is_said(tmp_path, data, kind, word):
    scan = opened(write(tmp_path / "strip.tif", data))
    assert (scan.encoding.kind, scan.encoding.source) == (kind, "assumed")
    assert any(f"taken as {word}" in note for note in scan.notes)
    assert any("8 bits" in note for note in scan.notes) == (data.dtype == np.uint8)
    assert (scan.ppi, scan.ppi_from) == (None, None)


def test_nothing_is_assumed_where_gamma_is_given(tmp_path):
    assert opened(write(tmp_path / "strip.tif"), gamma=2.2).notes == ()


def test_a_broken_profile_is_noted_and_passed_over(tmp_path):
    scan = opened(write(tmp_path / "strip.tif", iccprofile=b"nothing of the kind"))
    assert scan.encoding.source == "assumed"
    assert any("colour profile is ignored" in note for note in scan.notes)


def test_light_of_an_srgb_profile_agrees_with_littlecms(tmp_path):
    scan = opened(write(tmp_path / "strip.tif", iccprofile=SRGB))
    light = read_light(scan, (0, ROWS), (0, COLUMNS))
    # LittleCMS holds curves and matrices in fixed point.
    assert_allclose(light, littlecms_srgb(picture()), atol=1e-4)


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2])
def test_light_is_codes_to_the_power_of_gamma(tmp_path, gamma):
    scan = opened(write(tmp_path / "strip.tif"), gamma=gamma)
    light = read_light(scan, (10, 40), (20, 80))
    assert light.dtype == np.float32
    assert_allclose(light, (picture()[10:40, 20:80] / 65535) ** gamma, rtol=1e-6)


def test_light_of_twelve_bits_reaches_one(tmp_path):
    data = np.full((9, 12, 3), 4095, np.uint16)
    scan = opened(write(tmp_path / "strip.tif", data, bitspersample=12))
    assert_array_equal(read_light(scan, (0, 9), (0, 12)), 1.0)
    assert_array_equal(reduce(scan, 4).clipped, 1.0)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_floats_that_are_no_numbers_are_refused(tmp_path, value):
    data = np.full((ROWS, COLUMNS, 4), 0.5, np.float32)
    data[30, 40, 1] = value
    scan = opened(write(tmp_path / "strip.tif", data, extrasamples=[0]))
    assert_array_equal(read_light(scan, (0, 30), (0, COLUMNS)), np.float32(0.5))
    for act in (lambda: read_codes(scan, (20, 50), (20, 50)), lambda: reduce(scan, 4)):
        with pytest.raises(ScanProblem, match="not finite"):
            act()
    data[30, 40] = 0.5, 0.5, 0.5, value
    scan = opened(write(tmp_path / "strip.tif", data, extrasamples=[0]))
    with pytest.raises(ScanProblem, match="not finite"):
        read_infrared(scan, (0, ROWS), (0, COLUMNS))


def test_scans_cross_processes(tmp_path):
    scan = opened(write(tmp_path / "strip.tif", iccprofile=SRGB))
    copy = pickle.loads(pickle.dumps(scan))
    assert copy == scan
    assert hash(copy) == hash(scan)
    assert_array_equal(read_light(copy, (0, 9), (0, 9)), read_light(scan, (0, 9), (0, 9)))


@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "tile": (32, 32)}])
def test_many_threads_read_the_same_scan(tmp_path, options):
    scan = opened(write(tmp_path / "strip.tif", **options))
    windows = [((row, row + 20), (row, row + 45)) for row in range(0, 40)] * 3
    with ThreadPoolExecutor(8) as pool:
        read = list(pool.map(lambda window: read_codes(scan, *window), windows))
    for codes, (rows, columns) in zip(read, windows, strict=True):
        assert_array_equal(codes, picture()[slice(*rows), slice(*columns)])


def test_reading_leaves_the_scan_as_it_is(tmp_path):
    path = write(tmp_path / "strip.tif", picture(samples=4), extrasamples=[0])
    before = path.read_bytes(), path.stat().st_mtime_ns
    scan = opened(path)
    read_light(scan, (0, 9), (0, 9))
    read_infrared(scan, (0, 9), (0, 9))
    reduce(scan, 3)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert list(tmp_path.iterdir()) == [path]


STORED = [
    {},
    {"rowsperstrip": 7},
    {"compression": "zlib", "rowsperstrip": 13},
    {"compression": "zlib", "tile": (16, 32), "predictor": True},
]


@pytest.mark.parametrize("stored", STORED)
@pytest.mark.parametrize("gamma", [1.0, 2.2])
@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(factor=st.integers(1, 70), band=st.sampled_from([1, 3 * COLUMNS * 20, 6 << 20]))
def test_reduction_is_the_mean_of_light(tmp_path, monkeypatch, stored, gamma, factor, band):
    path = tmp_path / "strip.tif"
    if not path.exists():
        write(path, picture(samples=4), extrasamples=[0], **stored)
    monkeypatch.setattr(pipeline.scan.scan, "_BAND_SAMPLES", band)
    proxy = reduce(opened(path, gamma=gamma), factor)
    data = picture(samples=4) / 65535
    assert proxy.factor == factor
    assert proxy.light.dtype == np.float32
    assert_allclose(proxy.light, plain_means(data[..., :3] ** gamma, factor), rtol=3e-6)
    assert proxy.infrared is not None
    assert_allclose(proxy.infrared, plain_means(data[..., 3], factor), rtol=3e-6)


@pytest.mark.parametrize("name", ["strip.png", "strip.jpg"])
def test_whole_pictures_are_reduced_alike(tmp_path, name):
    flat = np.full((ROWS, COLUMNS, 3), (200, 120, 60), np.uint8)
    Image.fromarray(flat).save(tmp_path / name, quality=100, subsampling=0)
    scan = opened(tmp_path / name)
    light = read_light(scan, (0, 1), (0, 1))[0, 0]
    proxy = reduce(scan, 8)
    assert proxy.infrared is None
    assert_allclose(proxy.light, np.broadcast_to(light, (8, 13, 3)), rtol=1e-5)
    assert_allclose(light, littlecms_srgb(flat[:1, :1])[0, 0], atol=0.01)


def test_clipping_is_counted_and_marked(tmp_path):
    data = np.minimum(picture(), 65534)
    data[3, 5, 0] = data[3, 6, 0] = data[60, 96, 2] = 65535
    proxy = reduce(opened(write(tmp_path / "strip.tif", data)), 10)
    assert_allclose(proxy.clipped, np.array([2, 0, 1]) / (ROWS * COLUMNS), rtol=1e-12)
    assert proxy.clipped_mask.shape == proxy.light.shape[:2] == (7, 10)
    assert np.argwhere(proxy.clipped_mask).tolist() == [[0, 0], [6, 9]]


def test_floats_clip_at_one(tmp_path):
    data = np.full((ROWS, COLUMNS, 3), 0.999, np.float32)
    data[0, 0, 1] = 1.25
    proxy = reduce(opened(write(tmp_path / "strip.tif", data)), 50)
    assert proxy.clipped_mask.tolist() == [[True, False], [False, False]]


def test_reduction_by_nothing_is_refused(tmp_path):
    with pytest.raises(ValueError, match="reduced by 0"):
        reduce(opened(write(tmp_path / "strip.tif")), 0)


def test_reduction_takes_little_memory(tmp_path):
    # 6000 x 4000 x 3 samples: 144 MB of codes, 288 MB of light.
    path = tmp_path / "strip.tif"
    data = np.zeros((6000, 4000, 3), np.uint16)
    write(path, data, rowsperstrip=64, compression="zlib")
    del data
    scan = opened(path)
    tracemalloc.start()
    try:
        proxy = reduce(scan, 16)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert proxy.light.shape == (375, 250, 3)
    assert peak < 80e6


def test_encoding_of_a_scan_is_plain_data(tmp_path):
    scan = opened(write(tmp_path / "strip.tif"))
    assert scan.encoding == Encoding("linear", None, None, "assumed", "linear")
