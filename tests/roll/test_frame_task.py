"""The work on one frame, its files read back with tifffile, Pillow and exiftool.

References: IEC 61966-2-1 through Pillow's colour management (LittleCMS) for what a negative's
codes mean.
"""

import io
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from pipeline.colour.unmask import RollColour
from pipeline.frame.area import written_area
from pipeline.problem import OutputProblem, ScanProblem
from pipeline.profile.film import find_film
from pipeline.profile.space import acescct
from pipeline.record.record import (
    BaseRecord,
    ColourRecord,
    DensityRecord,
    FilesRecord,
    FrameRecord,
    RollDensities,
    RollRecord,
    StripRecord,
)
from pipeline.render.look import rendition_of
from pipeline.render.positive import small_picture
from pipeline.render.tone import PrintTone
from pipeline.roll.frame_task import FrameTask, develop, frame_files, negative
from pipeline.scan.encoding import Encoding
from pipeline.scan.scan import open_scan
from pipeline.settings.settings import RollNotes, Settings
from pipeline.strip.base import FrameBase
from pipeline.survey.frame import FrameSurvey
from pipeline.write.metadata import frame_metadata
from tests.survey.surveyed import ABSOLUTE, FLAT, frame

FILM = find_film("generic")
# Grey of a known density above the flat base of log10 light -0.3.
BASE = FrameBase(FLAT, -1.0, 1.0, -1.0, 1.0, ABSOLUTE)
BOX = ((9.5, 9.5), (69.5, 9.5), (69.5, 49.5), (9.5, 49.5))
THREE = (0.1, 0.2, 0.3)
COLOUR = RollColour(FILM.unmask, FILM.curves, (0.0,) * 3, FILM.scene, 1.0, "profile", 0.5)


def task(folder: Path, codes: np.ndarray | None = None, gamma: float = 1.0, **changes) -> FrameTask:
    if codes is None:
        ramp = 10.0 ** (-0.3 - np.linspace(0.1, 1.4, 80))
        codes = np.rint(np.broadcast_to(ramp[None, :, None], (60, 80, 3)) * 65535)
        codes = codes.astype(np.uint16)
    path = folder / "scan.tif"
    tifffile.imwrite(path, codes, photometric="rgb", resolution=(1600, 1600), resolutionunit=2)
    (scan,) = open_scan(path, gamma=gamma)
    settings = replace(Settings(), **changes)
    files = frame_files("r_07", settings, split=False)
    record = FrameRecord(
        "07", "edge", "picture", BOX, 0.9, files, DensityRecord(THREE, THREE, THREE)
    )
    strip = StripRecord(
        "scan.tif", 0, 1600.0, "tag", "135", BOX, 0.0, False,
        BaseRecord(THREE, True, THREE, 50.0), (), (),
    )  # fmt: skip
    outline, base = written_area(
        BOX, BASE, inset_mm=(settings.inset_mm or 0.0,) * 4, border_mm=settings.border_mm,
        ppi=1600.0, width=scan.width, height=scan.height,
    )  # fmt: skip
    told = ColourRecord(THREE, THREE, "profile")
    densities = RollDensities(None, None, None, None)
    roll = RollRecord({"id": "r"}, "generic", settings.look, told, (strip,), densities)
    metadata = frame_metadata(RollNotes(), roll, strip, record)
    return FrameTask(
        out=folder, scan=scan, outline=outline, base=base, ppi=1600.0, colour=COLOUR,
        rendition=rendition_of(settings, PrintTone()), files=files, metadata=metadata,
    )  # fmt: skip


def split(made: FrameTask, encoding: Encoding | None = None) -> FrameTask:
    files = frame_files("r_07", Settings(), split=True)
    scan = made.scan if encoding is None else replace(made.scan, encoding=encoding)
    return replace(made, files=files, scan=scan)


@pytest.mark.parametrize(
    ("changes", "is_split", "told"),
    [
        ({}, False, ("s.tif", "s.jpg", "s.xmp")),
        ({"share": "png"}, False, ("s.tif", "s.png", "s.xmp")),
        ({"share": "none"}, False, ("s.tif", None, "s.xmp")),
        ({"archive": "none"}, False, (None, "s.jpg", "s.xmp")),
        ({"archive": "none"}, True, ("s.tif", None, "s.xmp")),
    ],
)
def test_names_of_the_files(changes, is_split, told):
    assert frame_files("s", replace(Settings(), **changes), is_split) == FilesRecord(*told)
    assert frame_files(None, replace(Settings(), **changes), is_split) == FilesRecord()


def test_task_goes_to_another_process_and_holds_no_picture(tmp_path):
    made = task(tmp_path)
    sent = pickle.dumps(made)
    assert len(sent) < 8000
    assert pickle.loads(sent) == made


def test_frame_becomes_its_files(tmp_path):
    made = task(tmp_path, share_size=30)
    before = made.scan.path.read_bytes()
    assert tuple(develop(made)) == ("r_07.tif", "r_07.jpg", "r_07.xmp")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "r_07.jpg", "r_07.tif", "r_07.xmp", "scan.tif",
    ]  # fmt: skip
    archive = tifffile.imread(tmp_path / "r_07.tif")
    assert (archive.shape, archive.dtype) == ((40, 60, 3), np.uint16)
    with Image.open(tmp_path / "r_07.jpg") as share:
        assert share.size == (30, 20)
        # 60 pixels at 1600 to the inch became 30.
        assert share.info["dpi"] == pytest.approx((800, 800), abs=1)
    assert made.scan.path.read_bytes() == before


def test_more_density_on_film_is_more_light_in_the_picture(tmp_path):
    develop(task(tmp_path))
    row = tifffile.imread(tmp_path / "r_07.tif")[20].astype(int)
    assert (np.diff(row, axis=0) >= 0).all()
    assert row[-1].min() > row[0].max() + 20000


def test_the_same_task_writes_the_same_bytes(tmp_path):
    made = task(tmp_path)
    written = []
    for _ in range(2):
        written.append([(tmp_path / name).read_bytes() for name in develop(made)])
    assert written[0] == written[1]


def test_linear_look_holds_scene_light_and_log_the_same_light(tmp_path):
    develop(task(tmp_path, look="linear", share="none"))
    linear = tifffile.imread(tmp_path / "r_07.tif")
    develop(task(tmp_path, look="log", share="none"))
    log = tifffile.imread(tmp_path / "r_07.tif")
    # The layers' curves of the profile, undone for the densities that the scan was made of.
    ramp = np.linspace(0.1, 1.4, 80)[10:70]
    layers = np.repeat(ramp[:, None], 3, axis=1) @ np.asarray(FILM.unmask).T
    told = np.stack([c.exposure(layers[:, i]) for i, c in enumerate(FILM.curves)], axis=-1)
    assert linear.dtype == np.float32
    assert linear[20] == pytest.approx(told @ np.asarray(FILM.scene).T, rel=5e-3)
    assert linear.max() > 1.0
    assert log / 65535 == pytest.approx(acescct(linear), abs=1e-4)


def test_what_cannot_be_read_or_written_is_told_by_name(tmp_path):
    made = task(tmp_path)
    with pytest.raises(OutputProblem, match=r"r_07\.tif"):
        develop(replace(made, out=tmp_path / "gone"))
    made.scan.path.unlink()
    with pytest.raises(ScanProblem, match=r"scan\.tif"):
        develop(made)
    assert list(tmp_path.iterdir()) == []


def test_eight_bit_negative_keeps_its_light(tmp_path):
    codes = np.random.default_rng(4).integers(0, 256, (60, 80, 3), dtype=np.uint8)
    made = split(task(tmp_path, codes, gamma=2.2))
    assert tuple(negative(made)) == ("r_07.tif", "r_07.xmp")
    written = tifffile.imread(tmp_path / "r_07.tif")
    assert (written == codes[10:50, 10:70].astype(int) * 257).all()


def test_sixteen_bit_negative_has_the_codes_of_its_scan(tmp_path):
    codes = np.random.default_rng(4).integers(0, 65536, (60, 80, 3), dtype=np.uint16)
    negative(split(task(tmp_path, codes)))
    assert (tifffile.imread(tmp_path / "r_07.tif") == codes[10:50, 10:70]).all()


def test_twelve_bit_negative_is_spread_over_sixteen(tmp_path):
    codes = np.random.default_rng(4).integers(0, 4096, (60, 80, 3), dtype=np.uint16)
    codes[10, 10] = 4095
    made = split(task(tmp_path, codes))
    made = replace(made, scan=replace(made.scan, bits=12))
    negative(made)
    written = tifffile.imread(tmp_path / "r_07.tif")
    told = np.rint(codes[10:50, 10:70].astype(float) * 65535 / 4095)
    assert (written == told).all()
    assert written.max() == 65535


def test_negative_with_all_the_border_there_is_has_the_whole_scan(tmp_path):
    codes = np.random.default_rng(4).integers(0, 65536, (60, 80, 3), dtype=np.uint16)
    negative(split(task(tmp_path, codes, border_mm=0.2)))
    # 0.2 mm are 12.6 pixels at 1600 to the inch; the scan ends 10 from the frame.
    assert (tifffile.imread(tmp_path / "r_07.tif") == codes).all()


def test_negative_with_an_inset_lacks_it_on_all_sides(tmp_path):
    codes = np.random.default_rng(4).integers(0, 65536, (60, 80, 3), dtype=np.uint16)
    # Five pixels.
    negative(split(task(tmp_path, codes, inset_mm=5 * 25.4 / 1600)))
    assert (tifffile.imread(tmp_path / "r_07.tif") == codes[15:45, 15:65]).all()


def test_border_has_the_density_of_its_film(tmp_path):
    ramp = 10.0 ** (-0.3 - np.linspace(0.1, 1.4, 80))
    light = np.broadcast_to(ramp[None, :, None], (60, 80, 3)).astype(np.float32)
    develop(task(tmp_path, light, look="linear", share="none"))
    plain = tifffile.imread(tmp_path / "r_07.tif")
    develop(task(tmp_path, light, look="linear", share="none", border_mm=0.2))
    assert tifffile.imread(tmp_path / "r_07.tif")[10:50, 10:70] == pytest.approx(plain, rel=1e-5)


def test_float_negative_stays_float(tmp_path):
    codes = np.random.default_rng(4).random((60, 80, 3)).astype(np.float32)
    negative(split(task(tmp_path, codes)))
    assert (tifffile.imread(tmp_path / "r_07.tif") == codes[10:50, 10:70]).all()


SQUARES = tuple(np.square(np.linspace(0.0, 1.0, 4096)).tolist())
ENCODINGS = [
    (Encoding("linear"), lambda code: code),
    (Encoding("gamma", 1.8), lambda code: code**1.8),
    (Encoding("srgb"), lambda code: np.where(code > 0.04045, ((code + 0.055) / 1.055) ** 2.4, 0)),
    (Encoding("curve", curve=(SQUARES,)), lambda code: code**2),
    (Encoding("curve", curve=((0.0, 0.1, 0.4, 1.0),)), None),
]


@pytest.mark.parametrize(("encoding", "law"), ENCODINGS)
def test_profile_of_a_negative_tells_the_light_that_was_scanned(tmp_path, encoding, law):
    code = 0.5
    light = float(law(np.array(code))) if law else float(np.interp(code, [0, 1/3, 2/3, 1],
                                                                  encoding.curve[0]))  # fmt: skip
    codes = np.full((60, 80, 3), round(code * 65535), np.uint16)
    negative(split(task(tmp_path, codes), encoding))
    assert shown_luminance(tmp_path / "r_07.tif") == pytest.approx(light, abs=0.012)


def shown_luminance(path: Path) -> float:
    """Return the relative luminance Y that LittleCMS finds in the picture's middle."""
    with tifffile.TiffFile(path) as tiff:
        profile = tiff.pages[0].iccprofile
        value = int(tiff.asarray()[20, 30, 0])
    grey = Image.new("RGB", (1, 1), (round(value / 257),) * 3)
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    lab = ImageCms.profileToProfile(
        grey, source, ImageCms.createProfile("LAB"), outputMode="LAB", renderingIntent=1
    )
    lightness = lab.getpixel((0, 0))[0] * 100 / 255
    # CIE 15:2018, inverse of L*.
    return ((lightness + 16) / 116) ** 3


def small(frame: FrameSurvey, settings: Settings, tone: PrintTone | None = None) -> np.ndarray:
    """Return a frame's small picture."""
    rendition = rendition_of(settings, tone or PrintTone())
    return small_picture(np.asarray(frame.thumbnail), COLOUR, rendition)


@pytest.mark.parametrize("look", ["print", "log", "linear"])
def test_small_picture_on_the_sheet_is_a_print_whatever_the_look(look):
    shown = small(frame(median=0.6), replace(Settings(), look=look))
    print_of = small(frame(median=0.6), Settings())
    assert (shown.dtype, shown.shape) == (np.uint8, (5, 9, 3))
    assert (shown == print_of).all()
    denser = small(frame(median=1.0), Settings())
    assert denser.mean() > shown.mean() + 20


def test_the_tone_of_the_roll_shows_unless_black_or_white_are_given():
    tone = PrintTone(1.6, 0.02)
    assert rendition_of(Settings(), tone).tone == tone
    black, white = Settings(black=(0.0,) * 3), Settings(white=(1.0,) * 3)
    assert rendition_of(black, tone).tone == replace(tone, black=0.0)
    assert rendition_of(white, tone).tone.contrast == PrintTone().contrast
    thin = frame(median=0.15)
    plain, toned = (small(thin, Settings(), t) for t in (PrintTone(), tone))
    assert toned.mean() < plain.mean()
    overruled = replace(Settings(), black=(0.0,) * 3, white=(1.0,) * 3)
    assert (small(thin, overruled, tone) == plain).all()


def test_archive_and_share_have_the_tone_of_the_roll(tmp_path: Path):
    plain = task(tmp_path)
    toned = replace(plain, rendition=rendition_of(Settings(), PrintTone(1.6, 0.02)))
    pictures = []
    for made in (plain, toned):
        develop(made)
        pictures.append(tifffile.imread(tmp_path / str(made.files.archive)).astype(int))
    assert np.abs(pictures[0] - pictures[1]).max() > 300
